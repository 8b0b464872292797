"""Two identifiers, the try-in, and what comes after."""

from __future__ import annotations

import pytest

from production.actions.errors import (
    Refused,
)
from production.actions.move import (
    remake,
    report_trouble,
    undo,
)
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
