"""The plan as the JSON object of the outer contract.

``objective.value`` is what the objective counts first: late jobs for ``promises``,
else weighted tardiness or makespan; ``lower_bound`` bounds that value, and
``proved_optimal`` says that nothing better exists in any of the criteria. A job is
late if its group's last member ends after the job's own due time.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

import numpy as np

from production.planning.solve.sequences.openwork import OpenWork, Running
from production.planning.solve.sequences.search import Search
from production.planning.solve.sequences.timing import BLK, LATE, RES, SPAN, TARDY

Array = np.ndarray[Any, Any]
FIRST = {"promises": LATE, "weighted_tardiness": TARDY, "makespan": SPAN}


def plan_of(search: Search, state: Array, without: Collection[str] = ()) -> dict[str, Any]:
    """Return the plan that a state means, with its objective; bounds are added later.

    ``without``: jobs left out of it, of which the search knows only what runs.
    """
    work = search.work
    value = search.value(state)
    assert value is not None
    steps = _running(work) + _open(work, search, state)
    span = value[SPAN]
    if without:
        steps = [step for step in steps if str(step["job"]) not in without]
        span = max((step["end"] for step in steps), default=0.0)
    _number_batches(work, steps)
    first = FIRST[search.objective]
    order = {job.id: k for k, job in enumerate(work.problem.jobs)}
    steps.sort(key=lambda s: (s["start"], order[s["job"]], s["index"]))
    for step in steps:
        step["start"], step["end"] = clean(step["start"]), clean(step["end"])
    return {
        "steps": steps,
        "objective": {
            "value": clean(span if first == SPAN else value[first]),
            "late_jobs": int(value[LATE]),
            "weighted_tardiness": clean(value[TARDY]),
            "makespan": clean(span),
        },
    }


def clean(value: float) -> float | int:
    """Return a figure without the noise of the last digits, whole if it is whole."""
    value = round(float(value), 6)
    return int(value) if math.isfinite(value) and value == int(value) else value


def _running(work: OpenWork) -> list[dict[str, Any]]:
    problem = work.problem
    rows = []
    for run in work.running:
        resource = problem.resources[run.resource]
        rows.append(
            {
                "job": problem.jobs[run.job].id,
                "index": run.index,
                "resource": resource.id,
                "start": run.start,
                "end": run.end,
                "batch": _run_key(work, run) if resource.batch else None,
            }
        )
    return rows


def _run_key(work: OpenWork, run: Running) -> Any:
    step = work.problem.jobs[run.job].steps[run.index]
    return ("running", run.resource, run.start, step.kind, step.family)


def _open(work: OpenWork, search: Search, state: Array) -> list[dict[str, Any]]:
    problem = work.problem
    rows = []
    for o, (j, i) in enumerate(work.steps):
        b = state[BLK, o]
        resource = problem.resources[state[RES, b]]
        rows.append(
            {
                "job": problem.jobs[j].id,
                "index": i,
                "resource": resource.id,
                "start": float(search.now.start[o]),
                "end": float(search.now.end[o]),
                "batch": ("open", int(b)) if resource.batch else None,
            }
        )
    return rows


def _number_batches(work: OpenWork, steps: list[dict[str, Any]]) -> None:
    """Number batches by their starts, beginning with 1."""
    place = {r.id: k for k, r in enumerate(work.problem.resources)}
    batched = [s for s in steps if s["batch"] is not None]
    numbers: dict[Any, int] = {}
    for step in sorted(batched, key=lambda s: (s["start"], place[s["resource"]])):
        numbers.setdefault(step["batch"], len(numbers) + 1)
    for step in batched:
        step["batch"] = numbers[step["batch"]]
