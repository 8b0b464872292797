"""One block of the plan: what it is, why it stands there, and how it can be moved."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils import timezone

from production.models import Appliance, Machine, Plan, Promise, Stage, Wish
from production.scheduling.standing import PlannedStep, latest, planned_steps, resource_names
from production.scheduling.state import IN_WORK, standing_wishes

AT_ONCE = dt.timedelta(minutes=1.5)  # the plan's origin is a whole minute
NAMED = 3
OUT_OF_TURN = {
    "hasten": "It is taken before its turn and waits for no fuller load: so fewer pickup times "
    "are likely to be missed.",
    "prefer": "It is taken before its turn: so fewer pickup times are likely to be missed.",
    "defer": "It stands back so that other pickup times are kept: its own would be missed in its "
    "turn too. Agree on a new time.",
}


@dataclass(frozen=True)
class PlannedBlock:
    """What runs together, in the words of the page."""

    stage: Stage
    codes: list[str]
    appliances: list[Appliance]
    start: dt.datetime
    end: dt.datetime
    resource: str
    running: bool
    why: list[str]
    wishes: list[Wish]
    machines: list[Machine]

    @property
    def movable(self) -> bool:
        """Whether it has not begun."""
        return not self.running


def block(code: str, stage: str, now: dt.datetime | None = None) -> PlannedBlock | None:
    """Return the block of the standing plan in which an appliance passes a stage, if any."""
    now = now or timezone.now()
    plan = latest()
    kinds = dict(Appliance.objects.filter(status__in=IN_WORK).values_list("code", "kind_id"))
    steps = planned_steps(plan, kinds)
    own = next((s for s in steps if s.code == code and s.stage == stage), None)
    if plan is None or own is None:
        return None
    members = _together(steps, own)
    codes = [m.code for m in members]
    appliances = list(
        Appliance.objects.filter(code__in=codes).select_related("stage").order_by("code")
    )
    found = Stage.objects.get(code=stage)
    names = resource_names(plan.problem.get("resources", []))
    wishes = list(
        standing_wishes()
        .filter(appliance__in=appliances, stage=found)
        .select_related("by", "machine", "appliance")
    )
    running = any(
        a.status == Appliance.Status.RUNNING and a.stage_id == found.pk for a in appliances
    )
    why = _Reasons(plan, steps, members, names, wishes, now)
    return PlannedBlock(
        stage=found,
        codes=sorted(codes),
        appliances=appliances,
        start=own.start,
        end=own.end,
        resource=names.get(own.resource, own.resource),
        running=running,
        why=["It runs now."] if running else [why.begins(), *why.order()],
        wishes=wishes,
        machines=list(
            Machine.objects.filter(kind=found.machine_kind, state=Machine.State.READY)
            if found.machine_kind
            else []
        ),
    )


def _together(steps: Sequence[PlannedStep], own: PlannedStep) -> list[PlannedStep]:
    if own.batch is None:
        return [own]
    return [s for s in steps if s.batch == own.batch and s.resource == own.resource]


@dataclass
class _Reasons:
    """Reads the reasons for a block's place out of the plan itself."""

    plan: Plan
    steps: Sequence[PlannedStep]
    members: Sequence[PlannedStep]
    names: dict[str, str]
    wishes: Sequence[Wish]
    now: dt.datetime

    @property
    def own(self) -> PlannedStep:
        return self.members[0]

    @property
    def place(self) -> str:
        return self.names.get(self.own.resource, self.own.resource)

    def begins(self) -> str:
        """Say what keeps it from beginning earlier."""
        start = self.own.start
        before = {
            m.code: s for m in self.members for s in self.steps
            if s.code == m.code and s.index == m.index - 1
        }  # fmt: skip
        last = max(before.values(), key=lambda s: s.end, default=None)
        earlier = [s for s in self.steps if s.resource == self.own.resource and s.start < start]
        busy = max(earlier, key=lambda s: s.end, default=None)
        wish = next((w for w in self.wishes if w.not_before and _near(w.not_before, start)), None)
        if start <= self.now + AT_ONCE:
            return f"It can begin now: the work before it is done and {self.place} is free."
        if wish is not None and wish.for_promises:
            return (
                f"Kept back until {_clock(start)}, so that no promise already made is pushed: "
                f"its own pickup time was agreed so ({wish.by})."
            )
        if wish is not None:
            return f"Set by hand: not before {_clock(start)} ({wish.by})."
        kept = self.plan.foresight.get("kept_back") or {"codes": []}
        if self.own.code in kept["codes"] and _near(
            dt.datetime.fromisoformat(kept["until"]), start
        ):
            return (
                f"Made ahead, and left alone until {_clock(start)}: begun earlier it would take "
                "a machine or hands that a promise of today needs."
            )
        if last is not None and _near(last.end, start):
            others = [m.code for m in self.members if m.code != last.code and (
                m.code not in before or before[m.code].end < start - dt.timedelta(minutes=3)
            )]  # fmt: skip
            over = f"{last.code} comes from {_stage(last.stage)} at {_clock(start)}"
            if others:
                return f"{_named(others)} {_waits(others)} for a fuller load: {over}."
            return f"It begins as soon as the work before it is over: {over}."
        if busy is not None and _near(busy.end, start):
            mates = [s.code for s in _together(self.steps, busy)]
            return f"{self.place} is busy with {_named(mates)} until {_clock(start)}."
        if self._opens(start):
            return f"{self.place} can be used again from {_clock(start)} on."
        if self.own.stage == "scan":
            return f"The patient comes at {_clock(start)}."
        hands = next(
            (s for s in self.steps if s.resource in self.people and _near(s.end, start)), None
        )
        if hands is not None:
            who = self.names.get(hands.resource, "The technician")
            return f"{who} is busy with {hands.code} ({_stage(hands.stage)}) until {_clock(start)}."
        return f"Nobody who is needed for it is free before {_clock(start)}."

    @property
    def people(self) -> set[str]:
        return {str(r["id"]) for r in self.plan.problem["resources"] if r["kind"] == "technician"}

    def _opens(self, start: dt.datetime) -> bool:
        resource = next(
            (r for r in self.plan.problem["resources"] if str(r["id"]) == self.own.resource), None
        )
        if resource is None:
            return False
        marks = [a for a, _ in resource.get("open") or []]
        marks += [b for _, b in resource.get("down") or []]
        return any(_near(self.plan.origin + dt.timedelta(minutes=m), start) for m in marks)

    def order(self) -> list[str]:
        """Say why it goes before what comes next in the same place."""
        later = [
            s for s in self.steps if s.resource == self.own.resource and s.start > self.own.start
        ]
        following = min(later, key=lambda s: s.start, default=None)
        if any(w.first for w in self.wishes):
            return ["Set by hand: it goes first."]
        dues = _promises([*(m.code for m in self.members), *(s.code for s in later)])
        mine = min((dues[m.code] for m in self.members if m.code in dues), default=None)
        said = [f"Its earliest promise is {_day_clock(mine, self.now)}."] if mine else []
        policy = self.plan.foresight.get("policy", {})
        for key, words in OUT_OF_TURN.items():
            if any(m.code in policy.get(key, []) for m in self.members):
                said.append(words)
        if following is None:
            return said
        mates = _together(self.steps, following)
        theirs = min((dues[s.code] for s in mates if s.code in dues), default=None)
        next_up = f"Next there: {_named([s.code for s in mates])} at {_clock(following.start)}"
        if theirs is None:
            return [*said, f"{next_up}, with no promise."]
        if mine is not None and mine < theirs:
            return [*said, f"{next_up}, promised later, {_day_clock(theirs, self.now)}."]
        if mine == theirs:
            return [*said, f"{next_up}, for the same time."]
        return [
            *said,
            f"{next_up}, although promised earlier, {_day_clock(theirs, self.now)}: "
            "it is not ready sooner, or is in time all the same.",
        ]


def _promises(codes: Sequence[str]) -> dict[str, dt.datetime]:
    rows = Promise.objects.filter(
        superseded_at=None, kept=None, order__appliances__code__in=set(codes)
    ).values_list("order__appliances__code", "due_at")
    return dict(rows)


def _near(one: dt.datetime, other: dt.datetime) -> bool:
    return abs(one - other) <= AT_ONCE


def _clock(moment: dt.datetime) -> str:
    return f"{timezone.localtime(moment):%H:%M}"


def _day_clock(moment: dt.datetime, now: dt.datetime) -> str:
    local = timezone.localtime(moment)
    same = local.date() == timezone.localtime(now).date()
    return f"{local:%H:%M}" if same else f"{local:%a} {local.day} {local:%b %H:%M}"


def _named(codes: Sequence[str]) -> str:
    if len(codes) <= NAMED:
        return " and ".join(filter(None, [", ".join(codes[:-1]), codes[-1]]))
    return f"{', '.join(codes[:NAMED])} and {len(codes) - NAMED} more"


def _waits(codes: Sequence[str]) -> str:
    return "waits" if len(codes) == 1 else "wait"


def _stage(code: str) -> str:
    name = Stage.objects.filter(code=code).values_list("name", flat=True).first()
    return (name or code).lower()
