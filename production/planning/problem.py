"""The planning problem: what is open on the bench, with what, and by when.

``parse_problem`` turns the JSON object of the outer contract into a validated
``Problem``. All times are minutes from now (negative: already past); there is no
clock and no calendar date in this package, so a daylight-saving change or a step
over midnight is nothing special: whoever converts wall time to minutes from now
has settled it.

Contract keys::

    {"objective": "promises"|"weighted_tardiness"|"makespan",
     "resources": [{"id", "kind", "capacity": 1, "batch": false, "open": [[from, to], ...]}],
     "jobs": [{"id", "release": 0, "due": null, "weight": 1, "group": null,
               "steps": [{"kind", "minutes", "spread": 0, "size": 1, "family": null,
                          "attended": true, "done": false, "started": null,
                          "resource": null}]}]}

Meaning: a step runs without a break on one resource of its kind (``resource`` pins
it). A batch resource runs steps of one ``family`` together, started and ended
together, as long as the longest member, sizes within ``capacity``. A resource that
is not a batch resource runs up to ``capacity`` of size side by side, each for
itself. An attended step lies inside one open window, an unattended one only starts
inside one; no ``open`` means always, an empty list never. Jobs of one ``group`` are
handed over together: each is as late as the last. ``minutes`` is the median of the
step's duration, ``spread`` the standard deviation of its logarithm.

Optional keys beyond the contract (absent: the plain meaning above):

resource
    ``down`` [[from, to], ...]: nothing runs on it then, attended or not.
    ``skills`` [kind, ...]: further kinds it answers to where a step ``needs`` one.
    ``setup``: minutes it stands idle between two runs of different family.
    ``failure``: probability that a whole run fails (found at its end; every member
    goes back to its ``rework`` step); ``repair``: minutes it is then out of use.
step
    ``needs`` [kind, ...]: people (or jigs) held as well, one of each kind, each
    inside its own open window while held; ``hands``: minutes from the start for
    which they are held (default: all of an attended step, only the start of an
    unattended one).
    ``failure``: probability that this step turns out bad at its end; ``rework``:
    index of the step to go back to (default: itself).
    ``alternatives`` {resource id: minutes}: choice of machine with other times;
    replaces ``kind`` as the rule of what it may run on.
    ``ended``: when a done step ended.
problem
    ``day_spread``: standard deviation of the log of a factor common to all
    durations of one day; ``day_shift``: what is known of today's (mean of the log).
    ``day_spread_today``: what is left unknown of today's (default ``day_spread``).
    ``clock``: minutes since midnight now, where days begin (default 0).
    ``risk_limit``: the probability of a broken promise that the office accepts for
    a promise already made (default 0.05).
    ``pickup`` [[from, to], ...]: when a promise can be set (default: any time);
    ``grid``: promises are set on multiples of so many minutes (default 1, counted
    from ``clock``).
    ``policy`` {"rule", "wait", "order"}: the dispatch rule of the bench, see
    ``policy.py`` (default: the best of several is chosen).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from production.planning.errors import ProblemError

__all__ = ["Job", "Problem", "Resource", "Step", "parse_job", "parse_problem"]

OBJECTIVES = ("promises", "weighted_tardiness", "makespan")
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

    def impossible(self) -> dict[int, str]:
        """Return, for every job that no plan can finish, its index and the reason."""
        reasons: dict[int, str] = {}
        for index, job in enumerate(self.jobs):
            for number, step in enumerate(job.steps):
                if step.open and (why := self._why_never(step)):
                    reasons[index] = f"job {job.id!r} step {number}: {why}"
                    break
        return reasons

    def _why_never(self, step: Step) -> str | None:
        what = "|".join(str(name) for name, _ in step.alternatives) or step.kind
        choices = self.eligible(step)
        if not choices:
            if any(r.kind == step.kind for r in self.resources):
                return f"its size {step.size:g} exceeds the capacity of every '{what}'"
            return f"no resource of kind '{what}'"
        if not any(_ever_fits(self.resources[i], step.attended, m) for i, m in choices):
            return f"no open time left on any '{what}' that it fits into"
        for need in step.needs:
            people = self.helpers(need)
            if not people:
                return f"no resource of kind '{need}', which it needs"
            least = min(m for _, m in choices)
            held = step.hands if step.hands is not None else least if step.attended else 0.0
            if not any(_ever_fits(self.resources[i], True, min(held, least)) for i in people):
                return f"no open time left of any '{need}', which it needs"
        return None


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


def parse_problem(data: Any) -> Problem:
    """Validate a problem given as the contract's JSON object.

    Parameters
    ----------
    data : dict
        The object; see the module's text for the keys. Unknown keys are ignored.

    Returns
    -------
    Problem

    Raises
    ------
    ProblemError
        With one line naming the job, the step and the field, and what to do.
    """
    top = _object(data, "problem")
    objective = top.get("objective", "promises")
    if objective not in OBJECTIVES:
        raise ProblemError(
            f"problem: objective is {objective!r}; use one of {', '.join(OBJECTIVES)}"
        )
    resources = tuple(
        _resource(item, number) for number, item in enumerate(_list(top, "resources", "problem"))
    )
    names = _unique([r.id for r in resources], "resource")
    jobs = tuple(
        parse_job(item, resources, number)
        for number, item in enumerate(_list(top, "jobs", "problem"))
    )
    _unique([j.id for j in jobs], "job")
    day_spread = _number(top, "day_spread", "problem", 0.0, low=0.0)
    policy = top.get("policy") or {}
    problem = Problem(
        resources=resources,
        jobs=_place_started(jobs, resources, names),
        objective=objective,
        day_spread=day_spread,
        day_shift=_number(top, "day_shift", "problem", 0.0),
        day_spread_today=_number(top, "day_spread_today", "problem", day_spread, low=0.0),
        clock=_number(top, "clock", "problem", 0.0),
        risk_limit=_number(top, "risk_limit", "problem", RISK_LIMIT, low=0.0, high=1.0),
        pickup=_windows(top, "pickup", "problem"),
        grid=_number(top, "grid", "problem", 1.0, low=1e-3),
        policy=_object(policy, "problem: policy"),
    )
    return problem


def parse_job(data: Any, resources: Sequence[Resource], number: int = 0) -> Job:
    """Validate one job (as given to ``quote``) against the office's resources."""
    place = f"job number {number + 1}"
    item = _object(data, place)
    name = _label(item, "id", place)
    place = f"job {name!r}"
    known = {str(r.id): r for r in resources}
    steps = _list(item, "steps", place)
    if not steps:
        raise ProblemError(f"{place}: steps is empty; give at least one step")
    job = Job(
        id=name,
        steps=tuple(_step(s, f"{place} step {i}", i, known) for i, s in enumerate(steps)),
        release=_number(item, "release", place, 0.0),
        due=_optional(item, "due", place),
        weight=_number(item, "weight", place, 1.0, low=0.0),
        group=None if item.get("group") is None else _label(item, "group", place),
    )
    _check_progress(job, place)
    return job


def _resource(data: Any, number: int) -> Resource:
    place = f"resource number {number + 1}"
    item = _object(data, place)
    name = _label(item, "id", place)
    place = f"resource {name!r}"
    return Resource(
        id=name,
        kind=str(_label(item, "kind", place)),
        capacity=_number(item, "capacity", place, 1.0, low=1e-9),
        batch=_flag(item, "batch", place, False),
        open=_windows(item, "open", place),
        down=_join(_windows(item, "down", place) or ()),
        skills=_labels(item, "skills", place),
        setup=_number(item, "setup", place, 0.0, low=0.0),
        failure=_number(item, "failure", place, 0.0, low=0.0, high=1.0),
        repair=_number(item, "repair", place, 0.0, low=0.0),
    )


def _step(data: Any, place: str, index: int, known: Mapping[str, Resource]) -> Step:
    item = _object(data, place)
    alternatives = _alternatives(item, place, known)
    kind = "" if alternatives and "kind" not in item else str(_label(item, "kind", place))
    pinned: Label | None = None
    if item.get("resource") is not None:
        pinned = _label(item, "resource", place)
        found = known.get(str(pinned))
        if found is None:
            raise ProblemError(
                f"{place}: resource {pinned!r} does not exist; name one of the resources listed"
            )
        allowed = {str(a) for a, _ in alternatives} if alternatives else {str(pinned)}
        if (not alternatives and found.kind != kind) or str(pinned) not in allowed:
            raise ProblemError(
                f"{place}: resource {pinned!r} is a '{found.kind}', not a '{kind}'; "
                "correct kind or resource"
            )
        pinned = found.id
    shortest = min(m for _, m in alternatives) if alternatives else None
    rework = item.get("rework")
    if rework is not None and (
        isinstance(rework, bool) or not isinstance(rework, int) or not 0 <= rework <= index
    ):
        raise ProblemError(
            f"{place}: rework is {rework!r}; give the index of this step or an earlier one"
        )
    return Step(
        kind=kind,
        minutes=_number(item, "minutes", place, shortest, low=0.0),
        spread=_number(item, "spread", place, 0.0, low=0.0, high=5.0),
        size=_number(item, "size", place, 1.0, low=0.0),
        family=None if item.get("family") is None else str(_label(item, "family", place)),
        attended=_flag(item, "attended", place, True),
        done=_flag(item, "done", place, False),
        started=_optional(item, "started", place),
        ended=_optional(item, "ended", place),
        resource=pinned,
        needs=_labels(item, "needs", place),
        hands=None if item.get("hands") is None else _number(item, "hands", place, 0.0, low=0.0),
        failure=_number(item, "failure", place, 0.0, low=0.0, high=1.0),
        rework=rework,
        alternatives=alternatives,
    )


def _alternatives(
    item: Mapping[str, Any], place: str, known: Mapping[str, Resource]
) -> tuple[tuple[Label, float], ...]:
    raw = item.get("alternatives")
    if raw is None:
        return ()
    pairs: list[tuple[Label, float]] = []
    table = _object(raw, f"{place}: alternatives")
    for name in table:
        found = known.get(str(name))
        if found is None:
            raise ProblemError(
                f"{place}: alternatives names {name!r}, which does not exist; "
                "name resources that are listed"
            )
        pairs.append((found.id, _number(table, name, f"{place}: alternatives", None, low=0.0)))
    if not pairs:
        raise ProblemError(f"{place}: alternatives is empty; name at least one resource")
    return tuple(pairs)


def _check_progress(job: Job, place: str) -> None:
    waiting: int | None = None
    for number, step in enumerate(job.steps):
        if step.done and waiting is not None:
            raise ProblemError(
                f"{place} step {number}: done although step {waiting} is not; "
                "mark the earlier one done or leave it out"
            )
        if step.started is not None and not step.done:
            if step.started > 0:
                raise ProblemError(
                    f"{place} step {number}: started {step.started:g} lies in the future; "
                    "give minutes from now, at most 0"
                )
            if waiting is not None:
                raise ProblemError(
                    f"{place} step {number}: started although step {waiting} is not done; "
                    "mark the earlier one done"
                )
        if not step.done and waiting is None:
            waiting = number


def _place_started(
    jobs: tuple[Job, ...], resources: Sequence[Resource], names: Mapping[str, int]
) -> tuple[Job, ...]:
    """Give a started step that names no machine the first one of its kind not in use."""
    busy = {
        str(s.resource)
        for j in jobs
        for s in j.steps
        if s.started is not None and not s.done and s.resource is not None
    }
    placed: list[Job] = []
    for job in jobs:
        steps = list(job.steps)
        for number, step in enumerate(steps):
            if step.done or step.started is None or step.resource is not None:
                continue
            allowed = {str(a) for a, _ in step.alternatives}
            fitting = [
                r for r in resources if (str(r.id) in allowed if allowed else r.kind == step.kind)
            ]
            if not fitting:
                raise ProblemError(
                    f"job {job.id!r} step {number}: started, but no resource of kind "
                    f"'{step.kind}' is listed; add it"
                )
            together = [
                str(s.resource)
                for other in (*placed, *jobs)
                for s in other.steps
                if s.started == step.started
                and not s.done
                and s.resource is not None
                and s.family == step.family
                and resources[names[str(s.resource)]] in fitting
                and resources[names[str(s.resource)]].batch
            ]
            free = [r for r in fitting if str(r.id) in together or str(r.id) not in busy]
            chosen = (free or fitting)[0]
            busy.add(str(chosen.id))
            steps[number] = replace(step, resource=chosen.id)
        placed.append(replace(job, steps=tuple(steps)))
    return tuple(placed)


def _object(value: Any, place: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise ProblemError(f"{place}: expected a JSON object, got {type(value).__name__}")
    return value


def _list(item: Mapping[str, Any], key: str, place: str) -> Sequence[Any]:
    value = item.get(key)
    if not isinstance(value, list | tuple):
        raise ProblemError(f"{place}: {key} is missing or not a list; give a list")
    return value


def _label(item: Mapping[str, Any], key: str, place: str) -> Label:
    value = item.get(key)
    if isinstance(value, bool) or not isinstance(value, str | int) or value == "":
        raise ProblemError(f"{place}: {key} is missing or not a name; give a short text")
    return value


def _labels(item: Mapping[str, Any], key: str, place: str) -> tuple[str, ...]:
    value = item.get(key)
    if value is None:
        return ()
    if not isinstance(value, list | tuple) or not all(isinstance(v, str) and v for v in value):
        raise ProblemError(f'{place}: {key} must be a list of kinds, such as ["technician"]')
    return tuple(value)


def _flag(item: Mapping[str, Any], key: str, place: str, default: bool) -> bool:
    value = item.get(key, default)
    if not isinstance(value, bool):
        raise ProblemError(f"{place}: {key} is {value!r}; give true or false")
    return value


def _optional(item: Mapping[str, Any], key: str, place: str) -> float | None:
    return None if item.get(key) is None else _number(item, key, place, 0.0)


def _number(
    item: Mapping[str, Any],
    key: str,
    place: str,
    default: float | None,
    *,
    low: float = -math.inf,
    high: float = math.inf,
) -> float:
    value = item.get(key, default)
    if value is None:
        raise ProblemError(f"{place}: {key} is missing; give a number")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ProblemError(f"{place}: {key} is {value!r}; give a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number) or abs(number) > 1e9:
        raise ProblemError(f"{place}: {key} is {value!r}; give a finite number below 1e9")
    if not low <= number <= high:
        bounds = f"at least {low:g}" if high == math.inf else f"from {low:g} to {high:g}"
        raise ProblemError(f"{place}: {key} is {number:g}; give a number {bounds}")
    return number


def _windows(item: Mapping[str, Any], key: str, place: str) -> Windows | None:
    value = item.get(key)
    if value is None:
        return None
    if not isinstance(value, list | tuple):
        raise ProblemError(f"{place}: {key} must be a list of [from, to] pairs in minutes")
    windows = []
    for number, pair in enumerate(value):
        where = f"{place}: {key}[{number}]"
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise ProblemError(f"{where}: expected [from, to] in minutes")
        start, stop = (_number({key: v}, key, where, None) for v in pair)
        if stop < start:
            raise ProblemError(
                f"{where}: ends at {stop:g} before it begins at {start:g}; swap them"
            )
        windows.append((start, stop))
    return tuple(sorted(windows))


def _join(windows: Windows) -> Windows:
    joined: list[tuple[float, float]] = []
    for start, stop in windows:
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        else:
            joined.append((start, stop))
    return tuple(joined)


def _unique(values: Sequence[Label], what: str) -> dict[str, int]:
    seen: dict[str, int] = {}
    for index, value in enumerate(values):
        if str(value) in seen:
            raise ProblemError(f"{what} {value!r} occurs twice; give every {what} its own id")
        seen[str(value)] = index
    return seen
