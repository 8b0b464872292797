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

An optional key that is null counts as absent.

Meaning: a step runs without a break on one resource of its kind (``resource`` pins
it). A batch resource runs steps of one ``family`` together, started and ended
together, as long as the longest member, sizes within ``capacity``. A resource that
is not a batch resource runs up to ``capacity`` of size side by side, each for
itself. An attended step lies inside one open window, an unattended one only starts
inside one, and windows that touch or overlap are one; no ``open`` means always, an empty
list never. Jobs of one ``group`` are handed over together: each is as late as the last.
``minutes`` is the median of the step's duration, ``spread`` the standard deviation of its
logarithm.

Optional keys beyond the contract (absent: the plain meaning above):

resource
    ``down`` [[from, to], ...]: nothing runs on it then, attended or not.
    ``skills`` [kind, ...]: further kinds it answers to where a step ``needs`` one.
    ``setup``: minutes it stands idle between two runs of different family; it then runs
    one thing at a time.
    ``failure``: probability that a whole run fails (found at its end; every member
    goes back to its ``rework`` step); ``repair``: minutes it is then out of use.
step
    ``needs`` [kind, ...]: people (or jigs) held as well, one of each kind (the kind that
    fewest answer to is looked for first), each inside its own open window while held;
    ``hands``: minutes from the start for which they are held (default: all of an
    attended step, only the start of an unattended one).
    ``failure``: probability that this step turns out bad at its end; ``rework``:
    index of the step to go back to (default: itself).
    ``alternatives`` {resource id: minutes}: choice of machine with other times;
    replaces ``kind`` as the rule of what it may run on. Where ``minutes`` is left out or
    0, the least of them that takes time is the usual time.
    ``ended``: when a done step ended. A job that is done at a time that nobody noted was
    done by now, and in time.
    ``not_before``: the step does not queue earlier (default 0); ``first``: it goes before
    all that are not ``first`` where it queues.
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
    ``policy`` {"rule", "wait", "wait_share", "order"}: the dispatch rule of the bench, see
    ``policy.py`` (default: the one that stands for the objective).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields as fields_of
from dataclasses import replace
from typing import Any

from production.planning import fields
from production.planning.entities import RISK_LIMIT, Job, Label, Problem, Resource, Step
from production.planning.errors import ProblemError

__all__ = ["Job", "Problem", "Resource", "Step", "parse_job", "parse_problem", "placed"]

PROBLEM, RESOURCE, JOB, STEP = (
    [field.name for field in fields_of(kind)] for kind in (Problem, Resource, Job, Step)
)
OBJECTIVES = ("promises", "weighted_tardiness", "makespan")


def parse_problem(data: Any) -> Problem:
    """Validate a problem given as the contract's JSON object.

    Parameters
    ----------
    data : dict
        The object; see the module's text for the keys. Unknown keys are ignored, but for
        those that are all but a known one.

    Returns
    -------
    Problem

    Raises
    ------
    ProblemError
        With one line naming the job, the step and the field, and what to do.
    """
    top = fields.an_object(data, "problem")
    fields.no_slips(top, PROBLEM, "problem")
    objective = "promises" if top.get("objective") is None else top["objective"]
    if objective not in OBJECTIVES:
        raise ProblemError(
            f"problem: objective is {fields.shown(objective)}; use one of {', '.join(OBJECTIVES)}"
        )
    resources = tuple(
        _resource(item, number)
        for number, item in enumerate(fields.a_list(top, "resources", "problem"))
    )
    _unique([r.id for r in resources], "resource")
    jobs = tuple(
        parse_job(item, resources, number)
        for number, item in enumerate(fields.a_list(top, "jobs", "problem"))
    )
    _unique([j.id for j in jobs], "job")
    day_spread = fields.number(top, "day_spread", "problem", 0.0, low=0.0, high=5.0)
    policy = top.get("policy") or {}
    problem = Problem(
        resources=resources,
        jobs=placed(_dated(jobs), resources),
        objective=objective,
        day_spread=day_spread,
        day_shift=fields.number(top, "day_shift", "problem", 0.0, low=-5.0, high=5.0),
        day_spread_today=fields.number(
            top, "day_spread_today", "problem", day_spread, low=0.0, high=5.0
        ),
        clock=fields.number(top, "clock", "problem", 0.0),
        risk_limit=fields.number(top, "risk_limit", "problem", RISK_LIMIT, low=0.0, high=1.0),
        pickup=fields.windows(top, "pickup", "problem"),
        grid=fields.number(top, "grid", "problem", 1.0, low=1e-3),
        policy=fields.an_object(policy, "problem: policy"),
    )
    return problem


def parse_job(data: Any, resources: Sequence[Resource], number: int = 0) -> Job:
    """Validate one job (as given to ``quote``) against the office's resources."""
    place = f"job number {number + 1}"
    item = fields.an_object(data, place)
    name = fields.label(item, "id", place)
    place = f"job {name!r}"
    fields.no_slips(item, JOB, place)
    known = {str(r.id): r for r in resources}
    steps = fields.a_list(item, "steps", place)
    if not steps:
        raise ProblemError(f"{place}: steps is empty; give at least one step")
    job = Job(
        id=name,
        steps=tuple(_step(s, f"{place} step {i}", i, known) for i, s in enumerate(steps)),
        release=fields.number(item, "release", place, 0.0),
        due=fields.optional_number(item, "due", place),
        weight=fields.number(item, "weight", place, 1.0, low=0.0),
        group=None if item.get("group") is None else fields.label(item, "group", place),
    )
    _check_progress(job, place)
    return job


def _resource(data: Any, number: int) -> Resource:
    place = f"resource number {number + 1}"
    item = fields.an_object(data, place)
    name = fields.label(item, "id", place)
    place = f"resource {name!r}"
    fields.no_slips(item, RESOURCE, place)
    opened = fields.windows(item, "open", place)
    return Resource(
        id=name,
        kind=str(fields.label(item, "kind", place)),
        capacity=fields.number(item, "capacity", place, 1.0, low=1e-9),
        batch=fields.flag(item, "batch", place, False),
        open=None if opened is None else fields.joined(opened),
        down=fields.joined(fields.windows(item, "down", place) or ()),
        skills=fields.labels(item, "skills", place),
        setup=fields.number(item, "setup", place, 0.0, low=0.0),
        failure=fields.number(item, "failure", place, 0.0, low=0.0, high=1.0),
        repair=fields.number(item, "repair", place, 0.0, low=0.0),
    )


def _step(data: Any, place: str, index: int, known: Mapping[str, Resource]) -> Step:
    item = fields.an_object(data, place)
    fields.no_slips(item, STEP, place)
    alternatives = _alternatives(item, place, known)
    kind = "" if alternatives and "kind" not in item else str(fields.label(item, "kind", place))
    pinned: Label | None = None
    if item.get("resource") is not None:
        pinned = fields.label(item, "resource", place)
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
    # Times on the machines are kept as parts of the usual time, so that must not be nothing.
    shortest = min((m for _, m in alternatives if m > 0), default=0.0) if alternatives else None
    minutes = fields.number(item, "minutes", place, shortest, low=0.0) or shortest or 0.0
    rework = item.get("rework")
    if rework is not None and (
        isinstance(rework, bool) or not isinstance(rework, int) or not 0 <= rework <= index
    ):
        raise ProblemError(
            f"{place}: rework is {fields.shown(rework)}; "
            "give the index of this step or an earlier one"
        )
    return Step(
        kind=kind,
        minutes=minutes,
        spread=fields.number(item, "spread", place, 0.0, low=0.0, high=5.0),
        size=fields.number(item, "size", place, 1.0, low=0.0),
        family=None if item.get("family") is None else str(fields.label(item, "family", place)),
        attended=fields.flag(item, "attended", place, True),
        done=fields.flag(item, "done", place, False),
        started=fields.optional_number(item, "started", place),
        ended=fields.optional_number(item, "ended", place),
        resource=pinned,
        needs=_rarest_first(fields.labels(item, "needs", place), known),
        hands=None
        if item.get("hands") is None
        else fields.number(item, "hands", place, 0.0, low=0.0),
        failure=fields.number(item, "failure", place, 0.0, low=0.0, high=1.0),
        rework=rework,
        alternatives=alternatives,
        not_before=fields.number(item, "not_before", place, 0.0),
        first=fields.flag(item, "first", place, False),
    )


def _rarest_first(needs: tuple[str, ...], known: Mapping[str, Resource]) -> tuple[str, ...]:
    """Order needs so that nobody is taken for one who alone answers to another; each once."""

    def count(need: str) -> int:
        return sum(r.kind == need or need in r.skills for r in known.values())

    return tuple(sorted(dict.fromkeys(needs), key=count))


def _alternatives(
    item: Mapping[str, Any], place: str, known: Mapping[str, Resource]
) -> tuple[tuple[Label, float], ...]:
    raw = item.get("alternatives")
    if raw is None:
        return ()
    pairs: list[tuple[Label, float]] = []
    table = fields.an_object(raw, f"{place}: alternatives")
    for name in table:
        found = known.get(str(name))
        if found is None:
            raise ProblemError(
                f"{place}: alternatives names {fields.shown(name)}, which does not exist; "
                "name resources that are listed"
            )
        pairs.append(
            (found.id, fields.number(table, name, f"{place}: alternatives", None, low=0.0))
        )
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


def _dated(jobs: tuple[Job, ...]) -> tuple[Job, ...]:
    """Give a job that is done without a word of when an end at which nobody waited for it."""
    units = [("job", str(j.id)) if j.group is None else ("group", str(j.group)) for j in jobs]
    waited: dict[tuple[str, str], float] = {}
    for job, unit in zip(jobs, units, strict=True):
        due = 0.0 if job.due is None else job.due
        waited[unit] = min(waited.get(unit, 0.0), due)
    dated = []
    for job, unit in zip(jobs, units, strict=True):
        if all(step.done and step.ended is None for step in job.steps):
            ended = waited[unit]
            job = replace(job, steps=(*job.steps[:-1], replace(job.steps[-1], ended=ended)))
        dated.append(job)
    return tuple(dated)


def placed(jobs: tuple[Job, ...], resources: Sequence[Resource]) -> tuple[Job, ...]:
    """Give a started step that names no machine the first one of its kind not in use."""
    names = {str(r.id): number for number, r in enumerate(resources)}
    busy = {
        str(s.resource)
        for j in jobs
        for s in j.steps
        if s.started is not None and not s.done and s.resource is not None
    }
    found: list[Job] = []
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
                for other in (*found, *jobs)
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
        found.append(replace(job, steps=tuple(steps)))
    return tuple(found)


def _unique(values: Sequence[Label], what: str) -> None:
    seen: set[str] = set()
    for value in values:
        if str(value) in seen:
            raise ProblemError(f"{what} {value!r} occurs twice; give every {what} its own id")
        seen.add(str(value))
