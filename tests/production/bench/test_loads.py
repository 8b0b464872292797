"""Plates, baskets and trays move all at once or not at all."""

from __future__ import annotations

import datetime as dt

import pytest
from django.urls import reverse

from production.actions.bench.move import (
    add_to_load,
    cancel_load,
    create_load,
    fail_in_load,
    finish,
    finish_load,
    hold,
    remove_from_load,
    start,
    start_load,
    undo,
    undo_load,
)
from production.actions.errors import (
    Refused,
)
from production.bench.history import disagreements
from production.models import (
    Downtime,
    Load,
    Machine,
    StageEvent,
)
from tests.production.bench.test_whole_way import walk


class TestLoads:
    @pytest.fixture
    def three(self, bench, patient):
        rows = list(bench.order(patient, ("upper", "lower")).appliances.all())
        rows.append(bench.appliance(patient))
        for row in rows:
            walk(bench, row, until="print")
        return rows

    def test_all_move_at_once_and_are_taken_back_at_once(self, bench, three):
        load = bench.plate(three)
        finish_load(bench.technician, load, ticks=bench.ticks("print"), key="f")
        assert {a.stage.code for a in load.appliances.all()} == {"wash"}
        undo(bench.technician, three[0], key="u")
        load.refresh_from_db()
        assert load.status == "running"
        assert {a.stage.code for a in load.appliances.all()} == {"print"}
        undo_load(bench.technician, load, key="u2")
        load.refresh_from_db()
        assert load.status == "filling"
        assert list(disagreements()) == []

    def test_one_that_cannot_start_keeps_all_back(self, bench, three):
        load = create_load(bench.technician, bench.stages["print"], appliances=three)
        hold(bench.technician, three[1], note="doctor asks", key="h")
        with pytest.raises(Refused, match=three[1].code):
            start_load(
                bench.technician,
                load,
                machine=bench.machines["printer"],
                lots=[bench.lots["resin"]],
                key="s",
            )
        assert not StageEvent.objects.filter(action="start", stage__code="print").exists()
        remove_from_load(bench.technician, load, three[1])
        start_load(
            bench.technician,
            load,
            machine=bench.machines["printer"],
            lots=[bench.lots["resin"]],
            key="s",
        )

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"capacity": 2}, "takes 2 at a time"),
            ({"state": "down"}, "out of service"),
            ({"kind": "wash"}, "is not a printer"),
        ],
    )
    def test_the_machine_must_be_able(self, bench, three, change, words):
        load = create_load(bench.technician, bench.stages["print"], appliances=three)
        Machine.objects.filter(pk=bench.machines["printer"].pk).update(**change)
        with pytest.raises(Refused, match=words):
            start_load(
                bench.technician,
                load,
                machine=bench.machines["printer"],
                lots=[bench.lots["resin"]],
                key="s",
            )

    def test_a_machine_in_its_downtime_or_busy_is_refused(self, bench, three):
        bench.plate(three[:1])
        with pytest.raises(Refused, match="still running"):
            bench.plate(three[1:])
        running = Load.objects.get(status="running")
        with pytest.raises(Refused, match=f"No printer is free: .* runs {running.code}"):
            start(bench.technician, three[1], key="s1", lots=[bench.lots["resin"]])
        Load.objects.filter(status="running").update(status="done")
        with pytest.raises(Refused, match="Choose the printer"):
            start(bench.technician, three[1], key="s1", lots=[bench.lots["resin"]])
        Downtime.objects.create(machine=bench.machines["printer"], reason="new tank")
        load = Load.objects.get(status="filling")
        with pytest.raises(Refused, match="new tank"):
            start_load(
                bench.technician,
                load,
                machine=bench.machines["printer"],
                lots=[bench.lots["resin"]],
                key="s2",
            )

    def test_print_time_follows_the_height(self, bench, three):
        Machine.objects.filter(kind="printer").update(
            minutes_per_mm={"0.1": 2.0}, start_minutes=4, layer_mm=0.1
        )
        load = bench.plate(three)
        assert load.expected_end - load.started_at == dt.timedelta(minutes=44)  # 4 + 2 × 20 mm

    def test_a_failed_member_leaves_the_rest_running(self, bench, three):
        load = bench.plate(three)
        fail_in_load(
            bench.technician,
            load,
            three[:1],
            cause=bench.cause("print-failed"),
            key="x",
            note="loose",
        )
        load.refresh_from_db()
        three[0].refresh_from_db()
        assert load.status == "running"
        assert (three[0].stage.code, three[0].status, three[0].failures) == ("print", "waiting", 1)
        finish_load(bench.technician, load, ticks=bench.ticks("print"), key="f")
        assert {a.stage.code for a in three[1:] if not a.refresh_from_db()} == {"wash"}
        three[0].refresh_from_db()
        assert three[0].stage.code == "print"

    def test_a_load_of_which_all_failed_has_failed_and_comes_back_by_undo(self, bench, three):
        load = bench.plate(three)
        fail_in_load(bench.technician, load, three, cause=bench.cause("print-failed"), key="x")
        load.refresh_from_db()
        assert load.status == "failed"
        undo(bench.technician, three[0], key="u")
        load.refresh_from_db()
        assert load.status == "running"
        assert {a.status for a in three if not a.refresh_from_db()} == {"running"}
        assert set(load.appliances.all()) == set(three)
        assert list(disagreements()) == []

    def test_what_failed_in_one_go_is_offered_and_taken_back_in_one_go(self, bench, three, client):
        load = bench.plate(three)
        fail_in_load(bench.technician, load, three[:2], cause=bench.cause("print-failed"), key="x")
        client.force_login(bench.technician)
        page = client.get(reverse("load", args=[load.code])).content.decode()
        assert f"2 of {load.code}: Print failed" in page
        client.post(reverse("bench-undo"), {"key": "u"})
        assert {a.status for a in three if not a.refresh_from_db()} == {"running"}
        fail_in_load(bench.technician, load, three[:2], cause=bench.cause("print-failed"), key="y")
        hold(bench.technician, three[1], note="doctor asks", key="h")
        with pytest.raises(Refused, match="has moved on since"):
            undo(bench.technician, three[0], key="u2")
        assert {a.status for a in three if not a.refresh_from_db()} == {
            "waiting", "held", "running",
        }  # fmt: skip

    def test_one_of_many_is_not_finished_alone(self, bench, three):
        load = bench.plate(three)
        three[0].refresh_from_db()
        with pytest.raises(Refused, match=load.code):
            finish(bench.technician, three[0], ticks=bench.ticks("print"), key="f")

    def test_a_load_being_filled_can_be_given_up(self, bench, three):
        load = create_load(bench.technician, bench.stages["print"], appliances=three)
        cancel_load(bench.technician, load)
        with pytest.raises(Refused, match="cancelled"):
            add_to_load(bench.technician, load, three[0])
        bench.plate(three)

    def test_an_undo_does_not_put_two_runs_on_one_machine(self, bench, three):
        load = bench.plate(three[:1])
        finish_load(bench.technician, load, ticks=bench.ticks("print"), key="f")
        bench.plate(three[1:])
        with pytest.raises(Refused, match="by now"):
            undo_load(bench.technician, load, key="u")
