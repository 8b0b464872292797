"""Making aligner steps ahead: which are needed by when, four weeks' load, filling slack."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from production.planning.entities import Job, Label, Problem, Resource
from production.planning.errors import ProblemError
from production.planning.kernel.shop import make_shop
from production.planning.policy import Rule, kernel_policy, standing_rule
from production.planning.sampling import run_futures
from production.planning.score import handed_over

__all__ = ["Need", "Series", "Week", "fill_slack", "needs", "weekly_load"]

DAY = 1440.0
WEEK = 7 * DAY
HORIZON = 4 * WEEK
MARGIN = 2 * DAY  # ready so long before the visit
ADDED_RISK = 0.01
SAMPLES = 10000
SCOUT = 1000


@dataclass(frozen=True)
class Series:
    """A patient's running series. Times in minutes from now.

    ``arches``: the arches still treated; ``last_step``: the last number planned;
    ``worn``: the step in the mouth, since ``worn_since`` (at most 0); ``wear``: minutes
    each step is worn; ``visits``: coming visits at which steps are handed over, as
    many as are worn until the visit after; ``made``: (arch, step) finished or on the
    bench; ``again``: (arch, step) lost or broken, to be made anew; ``pauses``: [from,
    to) in which no step is worn down; ``replaced_from``: first step that a new scan
    replaces (a refinement): not made any more from there on.
    """

    id: Label
    arches: tuple[str, ...]
    last_step: int
    worn: int
    worn_since: float
    wear: float
    visits: tuple[float, ...]
    made: frozenset[tuple[str, int]] = frozenset()
    again: frozenset[tuple[str, int]] = frozenset()
    pauses: tuple[tuple[float, float], ...] = ()
    replaced_from: int | None = None


@dataclass(frozen=True)
class Need:
    """One arch's step that must be ready by a time (minutes from now).

    ``visit``: the visit that hands it over (minutes from now); None where it is worn before
    any visit. ``again``: made anew, for one that was lost.
    """

    series: Label
    arch: str
    step: int
    by: float
    visit: float | None = None
    again: bool = False


@dataclass(frozen=True)
class Week:
    """Work of one week against what a kind of machine or person can do, in minutes of them."""

    number: int
    kind: str
    needed: float
    capacity: float
    fits: bool = field(default=True)


def needs(series: Sequence[Series], horizon: float = HORIZON) -> list[Need]:
    """Return the steps to be made, by the visit that hands them over.

    A visit hands over every step whose wear begins before the visit after it (or, at
    the last visit known, all that begin after it). A step that begins before the first
    visit and is not among those made is asked for when it is worn, but not earlier than
    one wear interval before that visit. What was lost is needed at once, or when its wear
    begins.

    Parameters
    ----------
    series : sequence of Series
    horizon : float
        Minutes ahead to look.

    Returns
    -------
    list of Need
        The most urgent first.

    Raises
    ------
    ProblemError
        When a series has no wear interval or its numbers make no sense.
    """
    found: list[Need] = []
    for item in series:
        if not item.wear > 0:
            raise ProblemError(f"series {item.id!r}: wear is {item.wear}; give minutes above 0")
        if item.worn > item.last_step or item.worn_since > 0:
            raise ProblemError(
                f"series {item.id!r}: step {item.worn} since {item.worn_since:g} cannot be; "
                "give a step of the series and a start not after now"
            )
        found += _needs_of(item, horizon)
    return sorted(found, key=lambda n: (n.by, str(n.series), n.step, n.arch))


def _needs_of(item: Series, horizon: float) -> list[Need]:
    last = item.last_step
    if item.replaced_from is not None:
        last = min(last, item.replaced_from - 1)
    steps = range(item.worn + 1, last + 1)
    begins = {step: _wear_begins(item, step) for step in steps}
    visits = sorted(v for v in item.visits if v >= 0)
    found = []
    for arch in item.arches:
        for step in sorted(s for a, s in item.again if a == arch and s <= last):
            by = max(begins.get(step, 0.0), 0.0)
            if by <= horizon:
                found.append(Need(item.id, arch, step, by, again=True))
        for step in steps:
            if (arch, step) in item.made or (arch, step) in item.again:
                continue
            by, visit = _handed_over(begins[step], visits, item.wear)
            if by - MARGIN <= horizon:
                found.append(Need(item.id, arch, step, max(by - MARGIN, 0.0), visit))
    return found


def _wear_begins(item: Series, step: int) -> float:
    """Return when a step is first worn: pauses stop the clock."""
    t = item.worn_since
    left = item.wear * (step - item.worn)
    for start, stop in sorted(item.pauses):
        if stop <= t:
            continue
        if t + left < start:
            break
        left -= max(start - t, 0.0)
        t = stop
    return t + left


def _handed_over(begins: float, visits: Sequence[float], wear: float) -> tuple[float, float | None]:
    """Return when a step worn from ``begins`` on is needed, and the visit that hands it over."""
    before = [v for v in visits if v <= begins]
    if before:
        return before[-1], before[-1]
    # Worn before any visit: with no visit booked it is asked for when it is needed.
    by = max(begins, visits[0] - wear, 0.0) if visits else max(begins, 0.0)
    return (visits[0], visits[0]) if visits and visits[0] <= by else (by, None)


def weekly_load(
    problem: Problem, wanted: Sequence[Need], route: Job, *, reserve: float = 0.0
) -> list[Week]:
    """Set the work of the coming four weeks against the open time, by kind.

    Parameters
    ----------
    problem : Problem
        Open work and resources, with open windows for the four weeks.
    wanted : sequence of Need
        What will have to be made besides; each takes the steps of ``route``.
    route : Job
        The route of one arch of a series.
    reserve : float
        Share of the open time (downtime taken off) kept for same-day work not yet known, 0 to 1.

    Returns
    -------
    list of Week
        By week and kind. In a batch a step takes its share of the machine, and of the hands
        that load it, as if batches were full: what is made ahead can wait for that.
        ``fits`` is False where the work due by the end of that week exceeds the time open
        until then (work may be done early, never late).
    """
    places = _places(problem)
    kinds = list(places)
    work = np.zeros((4, len(kinds)))
    for job in problem.jobs:
        due = HORIZON if job.due is None else job.due
        _add(problem, work, places, job, due)
    for need in wanted:
        _add(problem, work, places, route, need.by)
    room = np.zeros((4, len(kinds)))
    for resource in problem.resources:
        share = resource.capacity / places[resource.kind]
        for week in range(4):
            free = _open_minutes(resource, week * WEEK, (week + 1) * WEEK)
            room[week, kinds.index(resource.kind)] += free * share * (1 - reserve)
    fits = np.cumsum(work, axis=0) <= np.cumsum(room, axis=0) + 1e-6
    return [
        Week(week, kind, float(work[week, k]), float(room[week, k]), bool(fits[week, k]))
        for week in range(4)
        for k, kind in enumerate(kinds)
    ]


def _places(problem: Problem) -> dict[str, float]:
    """Return how many pieces a machine of each kind takes at a time, on average."""
    found: dict[str, list[float]] = {}
    for resource in problem.resources:
        found.setdefault(resource.kind, []).append(resource.capacity)
    return {kind: sum(each) / len(each) for kind, each in found.items()}


def _open_minutes(resource: Resource, low: float, high: float) -> float:
    """Return the minutes between two times that a resource is open and not down."""

    def shared(a: float, b: float) -> float:
        down = sum(max(0.0, min(b, d) - max(a, c)) for c, d in resource.down)
        return max(0.0, b - a) - down

    windows = ((low, high),) if resource.open is None else resource.open
    return sum(shared(max(a, low), min(b, high)) for a, b in windows if min(b, high) > max(a, low))


def _add(problem: Problem, work: Any, places: dict[str, float], job: Job, due: float) -> None:
    kinds = list(places)
    week = min(max(int(due // WEEK), 0), 3)
    if due >= HORIZON:
        return
    for step in job.steps:
        if not step.open:
            continue
        eligible = problem.eligible(step)
        each = 1.0  # share of the hands
        if eligible:
            resource = problem.resources[eligible[0][0]]
            share = step.size / places[resource.kind]
            each = share if resource.batch else 1.0
            work[week, kinds.index(resource.kind)] += step.minutes * share
        held = step.hands if step.hands is not None else step.minutes if step.attended else 0.0
        for need in step.needs:
            # A skill is asked of the kind of those who have it.
            having = need if need in kinds else _having(problem, need)
            if having is not None:
                work[week, kinds.index(having)] += min(held, step.minutes) * each


def _having(problem: Problem, skill: str) -> str | None:
    """Return the kind of the first resource with a skill, None where nobody has it."""
    return next((r.kind for r in problem.resources if skill in r.skills), None)


def fill_slack(
    problem: Problem,
    candidates: Sequence[Job],
    *,
    limit: float = ADDED_RISK,
    samples: int = SAMPLES,
    seed: int = 0,
    rule: Rule | None = None,
    today: float = DAY,
) -> dict[str, Any]:
    """Take as many make-ahead jobs as today's promises bear, in the order given.

    Parameters
    ----------
    problem : Problem
        The bench without them.
    candidates : sequence of Job
        Make-ahead jobs, the most urgent first.
    limit : float
        How much the probability of missing any single promise due within ``today``
        minutes may rise (futures paired by common random numbers).
    samples : int
        Futures for the final word; the search uses fewer.
    seed : int
    rule : Rule, optional

    Returns
    -------
    dict
        ``take``: ids; ``added_risk``: {"worst", "job", "standard_error"} with all of
        them on the bench; ``limit``.

    Notes
    -----
    The number taken is found by halving, since more work never helps a promise; then
    it is lowered until the final word holds.
    """
    chosen = standing_rule(problem) if rule is None else rule
    scout = _Paired(problem, chosen, min(SCOUT, samples), seed, today)
    low, high = 0, len(candidates)
    while low < high:
        middle = (low + high + 1) // 2
        if scout.added(candidates[:middle])[0] <= limit:
            low = middle
        else:
            high = middle - 1
    final = _Paired(problem, chosen, samples, seed, today)
    worst, name, error = final.added(candidates[:low])
    while low > 0 and worst > limit:
        low -= max(1, low // 10)
        worst, name, error = final.added(candidates[:low])
    return {
        "take": [job.id for job in candidates[:low]],
        "added_risk": {"worst": worst, "job": name, "standard_error": error},
        "limit": limit,
    }


class _Paired:
    """Same-day promises with and without further work, in the same futures."""

    def __init__(self, problem: Problem, rule: Rule, samples: int, seed: int, today: float) -> None:
        self.problem, self.rule, self.samples, self.seed = problem, rule, samples, seed
        self.dues = make_shop(problem).due
        self.urgent = np.flatnonzero(self.dues <= today)
        self.before = self._over(problem)

    def added(self, more: Sequence[Job]) -> tuple[float, Label | None, float]:
        """Return the largest rise of a miss probability, of which job, and its error."""
        if not self.urgent.size or not more:
            return 0.0, None, 0.0
        joint = replace(self.problem, jobs=self.problem.jobs + tuple(more))
        after = self._over(joint)[:, : self.dues.size]
        late = self.dues[self.urgent]
        change = (after[:, self.urgent] > late).astype(float) - (
            self.before[:, self.urgent] > late
        ).astype(float)
        rise = change.mean(axis=0)
        worst = int(rise.argmax())
        error = float(change[:, worst].std() / math.sqrt(len(change)))
        return float(rise[worst]), self.problem.jobs[int(self.urgent[worst])].id, error

    def _over(self, problem: Problem) -> Any:
        shop = make_shop(problem)
        policy = kernel_policy(problem, shop, self.rule)
        return handed_over(shop, run_futures(problem, shop, policy, self.samples, self.seed))
