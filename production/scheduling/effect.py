"""What a change of the bench would do to the promises, asked before it is made."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from production import planning
from production.models import Promise
from production.planning.promises.risk import allowed_risk
from production.scheduling.state import Situation

FUTURES = 1000
SEED = 20_26
NOTICEABLE = 0.01
DAYS = 10  # like this one, for which broken promises are counted: whole ones, not parts


@dataclass(frozen=True)
class Change:
    """A promise whose chance the change changes."""

    promise: Promise
    before: float  # probability of missing it
    after: float
    broken: bool  # pushed past what the office accepts, as new work would be refused for

    @property
    def kept_before(self) -> float:
        """Probability of keeping it as things stand."""
        return 1.0 - self.before

    @property
    def kept_after(self) -> float:
        """Probability of keeping it after the change."""
        return 1.0 - self.after

    @property
    def worse(self) -> bool:
        """Whether the change harms it."""
        return self.after > self.before


@dataclass(frozen=True)
class Answer:
    """The planner's answer: what becomes of the promises."""

    state: str
    changes: list[Change] = field(default_factory=list)
    broken_before: float = 0.0  # expected number of broken promises
    broken_after: float = 0.0

    @property
    def missed_now(self) -> float:
        """Promises that would be missed in ten days like this, as things stand."""
        return DAYS * self.broken_before

    @property
    def missed_then(self) -> float:
        """Promises that would be missed in ten days like this after the change."""
        return DAYS * self.broken_after

    @property
    def harmless(self) -> bool:
        """Whether no promise becomes noticeably less certain."""
        return not any(change.worse for change in self.changes)

    @property
    def tone(self) -> str:
        """How the answer is shown: ``good``, ``warn``, or ``bad`` where a promise is broken."""
        if self.harmless:
            return "good"
        return "bad" if any(change.broken for change in self.changes) else "warn"


def effect(situation: Situation, changed: dict[str, Any]) -> Answer:
    """Return what a changed problem does to the promises of the one that is."""
    before, after = (
        planning.foresee(planning.parse_problem(told), samples=FUTURES, seed=SEED)
        for told in (situation.problem, changed)
    )
    limit = situation.problem["risk_limit"]
    later = {str(g["id"]): g["p_late"] for g in after["groups"]}
    found = []
    totals = [0.0, 0.0]
    for group in before["groups"]:
        promise = situation.promises.get(str(group["id"]))
        if promise is None:
            continue
        was, becomes = group["p_late"], later[str(group["id"])]
        totals[0] += was
        totals[1] += becomes
        if abs(becomes - was) > NOTICEABLE:
            found.append(Change(promise, was, becomes, becomes > allowed_risk(was, limit)))
    found.sort(key=lambda c: (not c.broken, c.before - c.after))
    return Answer(situation.state, found, *totals)
