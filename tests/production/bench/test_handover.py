"""Two identifiers, the try-in, and what comes after."""

from __future__ import annotations

import pytest

from production.actions.bench.move import (
    fail,
    remake,
    report_trouble,
    undo,
)
from production.actions.errors import (
    Refused,
)
from production.bench.trace import lots_in
from production.models import Lot
from tests.production.bench.test_whole_way import walk


class TestHandover:
    @pytest.fixture
    def ready(self, bench, patient):
        appliance = bench.appliance(patient)
        walk(bench, appliance)
        return appliance

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"code_on_bag": ""}, "Scan the code on the bag"),
            ({"code_on_bag": "K7M2Q9X"}, "another patient"),
            ({"identity_checked": False}, "name and date of birth"),
            ({"try_in": ""}, "how it seats"),
            ({"try_in": "no_seat"}, "why it does not seat"),
        ],
    )
    def test_each_check_is_asked_for(self, bench, ready, changes, words):
        with pytest.raises(Refused, match=words):
            bench.hand_over(ready, **changes)
        ready.refresh_from_db()
        assert ready.status == "ready"

    def test_what_does_not_seat_is_made_again_with_its_cause(self, bench, ready):
        done = bench.hand_over(ready, try_in="no_seat", cause=bench.cause("fit-tight"))
        again = bench.hand_over(ready, try_in="no_seat", cause=bench.cause("fit-tight"))
        new = done.remake
        assert again.remake == new
        assert ready.status == "remade"
        assert (new.remake_of, new.remake_cause, new.order.purpose) == (
            ready,
            bench.cause("fit-tight"),
            "remake",
        )
        assert (new.stage.code, new.scan) == ("scan", None)
        assert ready.order != new.order

    def test_a_lost_one_is_made_again_from_what_is_stored(self, bench, ready):
        bench.hand_over(ready)
        new = remake(bench.desk, ready, cause=bench.cause("lost"), purpose="replacement", key="r")
        assert (new.stage.code, new.scan, new.model) == ("print", ready.scan, ready.model)
        walk(bench, new)
        assert new.status == "ready"

    def test_a_withdrawn_lot_in_it_is_the_doctors_to_decide(self, bench, ready):
        Lot.objects.filter(pk=bench.lots["sheet"].pk).update(withdrawn=True)
        with pytest.raises(Refused, match="withdrawn since: the doctor decides"):
            bench.hand_over(ready)
        bench.desk = bench.doctor
        with pytest.raises(Refused, match="write in the note why"):
            bench.hand_over(ready)
        bench.hand_over(ready, note="Maker: only colour affected")
        ready.refresh_from_db()
        assert ready.status == "delivered"

    def test_a_withdrawn_lot_of_work_that_was_redone_is_in_it_no_more(self, bench, patient):
        appliance = bench.appliance(patient)
        walk(bench, appliance, until="trim")
        first = bench.lots["sheet"]
        fail(bench.technician, appliance, cause=bench.cause("trim-short"), key="f")
        bench.lots["sheet"] = Lot.objects.create(material=first.material, number="next")
        walk(bench, appliance)
        Lot.objects.filter(pk=first.pk).update(withdrawn=True)
        bench.hand_over(appliance)
        assert appliance.status == "delivered"

    def test_what_is_not_made_anew_takes_its_lots_along(self, bench, ready):
        bench.hand_over(ready)
        sore = remake(bench.doctor, ready, cause=bench.cause("fit-sore"), key="r")
        assert sore.stage.code == "trim"
        assert {u.lot.material.kind for u in lots_in(sore)} == {"resin", "block_out", "sheet"}
        assert sum(u.amount for u in lots_in(sore)) == 0
        walk(bench, sore)
        anew = remake(bench.doctor, sore, cause=bench.cause("lost"), key="r2")
        assert lots_in(anew) == []

    def test_one_at_the_bench_is_failed_not_remade(self, bench, patient):
        with pytest.raises(Refused, match="cannot be replaced"):
            remake(bench.technician, bench.appliance(patient), cause=bench.cause("lost"), key="r")

    def test_trouble_later_leads_back(self, bench, ready):
        with pytest.raises(Refused, match="not with the patient"):
            report_trouble(bench.desk, ready, cause=bench.cause("fit-sore"), key="t")
        bench.hand_over(ready)
        event = report_trouble(
            bench.desk, ready, cause=bench.cause("fit-sore"), note="at 36", key="t"
        )
        ready.refresh_from_db()
        assert (event.action, ready.status) == ("trouble", "delivered")

    def test_the_hand_over_of_a_moment_ago_can_be_taken_back(self, bench, ready):
        bench.hand_over(ready)
        undo(bench.desk, ready, key="u")
        assert ready.status == "ready"
        assert [e.action for e in ready.events.order_by("seq")][-2:] == ["deliver", "undo"]
