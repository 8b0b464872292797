"""Resources, steps, jobs and the problem they make together: plain data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from production.planning.reasons import ABSENT, CLOSED, TOO_FEW, TOO_LARGE, Reason

__all__ = ["Job", "Label", "Problem", "Resource", "Step", "Windows"]

RISK_LIMIT = 0.05

Label = str | int
Windows = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Resource:
    """A machine, a person or a place. Times in minutes from now."""

    id: Label
    kind: str
    capacity: float = 1.0
    batch: bool = False
    open: Windows | None = None
    down: Windows = ()
    skills: tuple[str, ...] = ()
    setup: float = 0.0
    failure: float = 0.0
    repair: float = 0.0


@dataclass(frozen=True)
class Step:
    """One stage of one job; ``minutes`` is the median, ``spread`` the log's deviation."""

    kind: str
    minutes: float
    spread: float = 0.0
    size: float = 1.0
    family: str | None = None
    attended: bool = True
    done: bool = False
    started: float | None = None
    ended: float | None = None
    resource: Label | None = None
    needs: tuple[str, ...] = ()
    hands: float | None = None
    failure: float = 0.0
    rework: int | None = None
    alternatives: tuple[tuple[Label, float], ...] = ()
    not_before: float = 0.0
    first: bool = False

    @property
    def open(self) -> bool:
        """Whether the step still waits to be started."""
        return not self.done and self.started is None


@dataclass(frozen=True)
class Job:
    """One appliance: a route of steps with a promise (``due``, or None)."""

    id: Label
    steps: tuple[Step, ...]
    release: float = 0.0
    due: float | None = None
    weight: float = 1.0
    group: Label | None = None


@dataclass(frozen=True)
class Problem:
    """A validated planning problem; make it with ``parse_problem``."""

    resources: tuple[Resource, ...]
    jobs: tuple[Job, ...]
    objective: str = "promises"
    day_spread: float = 0.0
    day_shift: float = 0.0
    day_spread_today: float = 0.0
    clock: float = 0.0
    risk_limit: float = RISK_LIMIT
    pickup: Windows | None = None
    grid: float = 1.0
    policy: Mapping[str, Any] = field(default_factory=dict)

    def eligible(self, step: Step) -> list[tuple[int, float]]:
        """Return (resource index, median minutes) of every resource the step may run on.

        A resource that could never hold it (batch capacity below its size) is left out.
        """
        if step.alternatives:
            minutes = {str(name): value for name, value in step.alternatives}
            found = [
                (i, minutes[str(r.id)])
                for i, r in enumerate(self.resources)
                if str(r.id) in minutes
            ]
        else:
            found = [(i, step.minutes) for i, r in enumerate(self.resources) if r.kind == step.kind]
        if step.resource is not None:
            found = [
                pair for pair in found if str(self.resources[pair[0]].id) == str(step.resource)
            ]
        return [
            (i, m)
            for i, m in found
            if not self.resources[i].batch or step.size <= self.resources[i].capacity + 1e-9
        ]

    def helpers(self, need: str) -> list[int]:
        """Return the resources that answer to a need, the least versatile first."""
        found = [i for i, r in enumerate(self.resources) if r.kind == need or need in r.skills]
        return sorted(found, key=lambda i: (len(self.resources[i].skills), i))

    def impossible(self) -> dict[int, Reason]:
        """Return, for every job that no plan can finish, its index and the reason."""
        reasons: dict[int, Reason] = {}
        for index, job in enumerate(self.jobs):
            for number, step in enumerate(job.steps):
                if step.open and (why := self._why_never(step)):
                    words = f"job {job.id!r} step {number}: {why}"
                    reasons[index] = replace(why, words=words, step=number)
                    break
        return reasons

    def _why_never(self, step: Step) -> Reason | None:
        choice = tuple(str(name) for name, _ in step.alternatives)
        what, kinds = "|".join(choice) or step.kind, (step.kind,) if step.kind else choice
        choices = self.eligible(step)
        if not choices:
            if choice or any(r.kind == step.kind for r in self.resources):
                words = f"its size {step.size:g} exceeds the capacity of every '{what}'"
                return Reason(TOO_LARGE, words, kinds)
            return Reason(ABSENT, f"no resource of kind '{what}'", kinds)
        if not any(_ever_fits(self.resources[i], step.attended, m) for i, m in choices):
            return Reason(CLOSED, f"no open time left on any '{what}' that it fits into", kinds)
        for need in step.needs:
            people = self.helpers(need)
            if not people:
                return Reason(ABSENT, f"no resource of kind '{need}', which it needs", (need,))
            least = min(m for _, m in choices)
            held = step.hands if step.hands is not None else least if step.attended else 0.0
            if not any(_ever_fits(self.resources[i], True, min(held, least)) for i in people):
                return Reason(CLOSED, f"no open time left of any '{need}', which it needs", (need,))
        if self._too_few(step):
            named = ", ".join(f"'{need}'" for need in step.needs)
            words = f"too few people for all that it needs at once ({named})"
            return Reason(TOO_FEW, words, step.needs)
        return None

    def _too_few(self, step: Step) -> bool:
        """Whether the kinds that a step needs cannot all have somebody of their own."""
        seats: dict[int, str] = {}

        def find(need: str, tried: set[int]) -> bool:
            for h in self.helpers(need):
                if h in tried:
                    continue
                tried.add(h)
                if h not in seats or find(seats[h], tried):
                    seats[h] = need
                    return True
            return False

        several = any(
            self.resources[h].capacity > 1 for need in step.needs for h in self.helpers(need)
        )
        return not several and not all(find(need, set()) for need in step.needs)


def _ever_fits(resource: Resource, attended: bool, minutes: float) -> bool:
    windows = ((0.0, math.inf),) if resource.open is None else resource.open
    for start, stop in windows:
        begin = max(start, 0.0)
        for low, high in (*resource.down, (math.inf, math.inf)):
            room = min(low, stop) if attended else low
            starts_inside = begin < stop or (attended and begin <= stop and minutes == 0)
            if starts_inside and begin + minutes <= room + 1e-9:
                return True
            begin = max(begin, high)
    return False
