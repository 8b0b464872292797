"""Random moves, undos, repeats and two hands: fold and cache agree, nothing is lost or doubled."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from django.utils import timezone
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from production.actions.bench.move import cancel, fail, finish, hold, release, skip, start, undo
from production.actions.errors import ActionError, Moved, Refused
from production.bench.fold import fold
from production.bench.history import cache_of, disagreements, events_of
from production.bench.routes import after, route_of
from production.models import Appliance, Load, RemakeCause, StageEvent

LOT = {"print": "resin", "block-out": "block_out", "form": "sheet", "finish": "disinfectant"}
MACHINE = {"print": "printer", "wash": "wash", "cure": "cure", "form": "forming"}
numbers = itertools.count(1)


def machine_class(bench, patient, clock):
    """Build the state machine around an office; each run has an appliance of its own."""
    route = [r.stage.code for r in route_of(bench.kind.pk)]
    causes = list(RemakeCause.objects.exclude(restart=None))

    class Moves(RuleBasedStateMachine):
        @initialize()
        def opened(self):
            Load.objects.filter(status="running").update(status="done")  # of earlier runs
            self.appliance = bench.appliance(patient)
            # The model: what a bystander would have written down, newest last.
            self.story = [("scan", "waiting"), ("prepare", "waiting")]
            self.recorded = [clock(), clock()]
            self.count = StageEvent.objects.filter(appliance=self.appliance).count()
            self.last_request = None

        @property
        def now(self):
            return self.story[-1]

        def fresh(self) -> Appliance:
            return Appliance.objects.select_related("stage").get(pk=self.appliance.pk)

        def attempt(self, action, outcome, **options):
            """Ask for ``action``; the model moves to ``outcome``, or nothing may change."""
            key = f"m{next(numbers)}"
            user = options.pop("user", bench.technician)
            try:
                action(user, self.fresh(), key=key, **options)
            except ActionError:
                assert outcome is None, (action.__name__, self.now)
                return
            assert outcome is not None, (action.__name__, self.now)
            self.count += 1
            self.story.append(outcome)
            self.recorded.append(clock())
            self.last_request = (action, user, key, options)

        @rule()
        def start(self):
            stage, status = self.now
            options = {
                "machine": bench.machines.get(MACHINE.get(stage)),
                "lots": [bench.lots[LOT[stage]]] if stage in LOT else [],
            }
            possible = status == "waiting" and stage != "delivery"
            if stage not in {"scan", "delivery"} and self.count_fails_to_scan():
                possible = False
            self.attempt(start, (stage, "running") if possible else None, **options)

        @rule(forgotten=st.booleans())
        def finish(self, forgotten):
            stage, status = self.now
            possible = status == "running" and stage != "delivery"
            follows = route[route.index(stage) + 1] if stage != "delivery" else None
            if stage == "scan" and self.count_fails_to_scan():
                possible = False  # a new scan was asked for
            outcome = (follows, "ready" if follows == "delivery" else "waiting")
            ticks = bench.ticks(stage)
            if forgotten or not possible:
                # Without a start the finish is refused: the person has to be asked.
                ticks = ticks if possible else []
            self.attempt(finish, outcome if possible else None, ticks=ticks)

        def count_fails_to_scan(self):
            position = fold(events_of(self.appliance.pk))
            return position.scan_after is not None

        @rule(cause=st.sampled_from(causes))
        def fail(self, cause):
            stage, status = self.now
            possible = status in {"waiting", "running", "held", "ready"}
            back = cause.restart.code
            to = back if route.index(back) <= route.index(stage) else None
            parent = cause.parent
            while to is None and parent is not None:
                if parent.restart and route.index(parent.restart.code) <= route.index(stage):
                    to = parent.restart.code
                parent = parent.parent
            to = to or stage
            status_after = "ready" if to == "delivery" else "waiting"
            self.attempt(fail, (to, status_after) if possible else None, cause=cause)

        @rule()
        def hold(self):
            stage, status = self.now
            possible = status in {"waiting", "running", "ready"}
            self.before_hold = status if possible else getattr(self, "before_hold", None)
            self.attempt(hold, (stage, "held") if possible else None, note="waits")

        @precondition(lambda self: self.now[1] == "held")
        @rule()
        def release(self):
            stage, _ = self.now
            was = next(s for _, s in reversed(self.story) if s != "held")
            self.attempt(release, (stage, was))

        @rule()
        def skip(self):
            stage, status = self.now
            possible = status == "waiting" and stage == "block-out"
            self.attempt(skip, ("form", "waiting") if possible else None, note="digital")

        @rule()
        def undo(self):
            in_time = (clock() - self.recorded[-1]).total_seconds() <= 60
            if len(self.story) > 1 and in_time:
                key = f"m{next(numbers)}"
                undo(bench.technician, self.fresh(), key=key)
                self.count += 1
                self.story.pop()
                self.recorded.pop()
                self.last_request = (undo, bench.technician, key, {})
            else:
                with pytest.raises(Refused):
                    undo(bench.technician, self.fresh(), key=f"m{next(numbers)}")

        @precondition(lambda self: self.last_request is not None)
        @rule()
        def the_tablet_repeats_itself(self):
            action, user, key, options = self.last_request
            before = self.fresh().seq
            action(user, self.fresh(), key=key, **options)
            assert self.fresh().seq == before

        @rule()
        def a_second_hand_with_an_old_page(self):
            seq = self.fresh().seq
            with pytest.raises(Moved) as refusal:
                hold(bench.doctor, self.fresh(), note="x", key=f"m{next(numbers)}", seen=seq - 1)
            last = self.appliance.events.select_related("by").order_by("-seq").first()
            assert str(last.by) in refusal.value.words
            assert refusal.value.when == last.recorded_at

        @rule(seconds=st.sampled_from([1, 5, 30, 61, 600]))
        def time_passes(self, seconds):
            clock.now += dt.timedelta(seconds=seconds)

        @precondition(lambda self: len(self.story) > 8)
        @rule()
        def cancel(self):
            stage, status = self.now
            possible = status in {"waiting", "running", "held", "ready"}
            outcome = (stage, "cancelled") if possible else None
            self.attempt(cancel, outcome, user=bench.doctor, note="moved away")

        @invariant()
        def fold_cache_and_story_agree(self):
            if not hasattr(self, "appliance"):
                return
            row = self.fresh()
            events = events_of(row.pk)
            assert len(events) == self.count == row.seq
            position = fold(events)
            assert list(disagreements([row])) == []
            assert cache_of(position)["status"] == row.status
            assert (row.stage.code, row.status) == self.now

    return Moves


class Clock:
    def __init__(self) -> None:
        self.now = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(milliseconds=7)
        return self.now


def test_random_moves_undos_repeats_and_two_hands(bench, patient, monkeypatch):
    clock = Clock()
    monkeypatch.setattr(timezone, "now", clock)
    run_state_machine_as_test(
        machine_class(bench, patient, clock),
        settings=settings(
            max_examples=10,
            stateful_step_count=25,
            deadline=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_the_route_may_change_under_way(bench, patient):
    appliance = bench.appliance(patient)
    entry = next(r for r in route_of(bench.kind.pk) if r.stage.code == "prepare")
    entry.delete()
    # The stage it stands at left the route: the next is the first later one at the bench.
    assert after(route_of(bench.kind.pk), bench.stages["prepare"]).code == "print"
    start(bench.technician, appliance, key="a")
    finish(bench.technician, appliance, ticks=bench.ticks("prepare"), key="b")
    assert appliance.stage.code == "print"
    assert list(disagreements()) == []
