"""An independent check of a plan against its problem.

Written from the contract of ``problem.py`` alone, over the plain JSON objects; it
shares no code with the kernel, the search or the constraint model. Slow and plain on
purpose: every rule is looked at by itself.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from production.planning.solve.check.helpers import enough_helpers, helpers_for_all, helpers_of
from production.planning.solve.check.shared import CLOSE, Row, open_for, running_at

__all__ = ["objective_of", "violations"]


def violations(problem: Row, plan: Row) -> list[str]:
    """Return everything in which a plan breaks the rules of its problem.

    Parameters
    ----------
    problem : dict
        The contract's PROBLEM.
    plan : dict
        The contract's PLAN. Jobs named under ``infeasible`` may be missing.

    Returns
    -------
    list of str
        One line for each violation; empty for a good plan.
    """
    wrong = _figures(plan)
    if wrong:
        return wrong
    left_out = {str(item["job"]) for item in plan.get("infeasible", [])}
    jobs = {str(job["id"]): job for job in problem["jobs"] if str(job["id"]) not in left_out}
    resources = {str(r["id"]): r for r in problem["resources"]}
    rows, found = _rows(jobs, resources, plan)
    for row in rows:
        found += _own_rules(row)
    found += _order(rows)
    taken = rows + _what_runs(problem, left_out, resources, rows)
    for name, resource in resources.items():
        here = [row for row in taken if row["resource"] == name]
        found += (
            _batches(resource, here) if resource.get("batch") else _side_by_side(resource, here)
        )
    found += enough_helpers(resources, taken)
    found += helpers_for_all(resources, taken)
    found += _left_out(problem, left_out, resources, taken)
    found += _objective(problem, jobs, rows, plan)
    return found


def _figures(plan: Row) -> list[str]:
    """Check that every time and figure is a number: nothing can be said of others."""
    found = []
    for entry in plan["steps"]:
        if not (math.isfinite(entry["start"]) and math.isfinite(entry["end"])):
            found.append(f"job {entry['job']} step {entry['index']}: its times are no numbers")
    figures = {**plan["objective"], "lower_bound": plan.get("lower_bound") or 0.0}
    return found + [
        f"{name}: {value} is no number"
        for name, value in figures.items()
        if not math.isfinite(value)
    ]


def _rows(jobs: Row, resources: Row, plan: Row) -> tuple[list[Row], list[str]]:
    """Join every planned step with its job, step and resource; note what does not match."""
    found: list[str] = []
    rows: list[Row] = []
    seen: set[tuple[str, int]] = set()
    for entry in plan["steps"]:
        name, index, place = str(entry["job"]), entry["index"], str(entry["resource"])
        what = f"job {name} step {index}"
        if name not in jobs or not 0 <= index < len(jobs[name]["steps"]):
            found.append(f"{what}: not in the problem")
            continue
        if (name, index) in seen:
            found.append(f"{what}: planned twice")
            continue
        seen.add((name, index))
        if place not in resources:
            found.append(f"{what}: resource {place} is not in the problem")
            continue
        step = jobs[name]["steps"][index]
        if step.get("done"):
            found.append(f"{what}: already done")
            continue
        rows.append(
            {
                "what": what, "job": name, "index": index, "resource": place,
                "start": entry["start"], "end": entry["end"], "batch": entry["batch"],
                "step": step, "machine": resources[place], "release": jobs[name].get("release", 0),
                "running": step.get("started") is not None,
            }
        )  # fmt: skip
    for name, job in jobs.items():
        for index, step in enumerate(job["steps"]):
            if not step.get("done") and (name, index) not in seen:
                found.append(f"job {name} step {index}: not planned")
    return rows, found


def _what_runs(problem: Row, left_out: set[str], resources: Row, rows: list[Row]) -> list[Row]:
    """Return what runs of jobs that the plan leaves out: it holds its machine and people."""
    out = []
    for job in problem["jobs"]:
        name = str(job["id"])
        for index, step in enumerate(job["steps"] if name in left_out else []):
            if step.get("done") or step.get("started") is None or step.get("resource") is None:
                continue  # where it runs without a name, any machine may be its
            row = {
                "what": f"job {name} step {index}", "job": name, "index": index, "step": step,
                "resource": str(step["resource"]), "machine": resources[str(step["resource"])],
                "release": 0, "running": True, "start": step["started"], "batch": None,
            }  # fmt: skip
            if row["machine"].get("batch"):
                row["batch"] = f"of {name}"
            row["end"] = max(row["start"] + _minutes(row), 0.0)
            for other in rows:
                same = other["running"] and other["resource"] == row["resource"]
                same &= other["step"].get("family") == step.get("family")
                if same and other["start"] == row["start"]:
                    row["batch"], row["end"] = other["batch"], max(row["end"], other["end"])
            out.append(row)
    return out


def _left_out(problem: Row, left_out: set[str], resources: Row, rows: list[Row]) -> list[str]:
    """Check that no job is left out that could be made when all else is over."""
    names = {str(job["id"]) for job in problem["jobs"]}
    found = [f"job {name}: left out, but not in the problem" for name in sorted(left_out - names)]
    after = max([0.0, *(row["end"] for row in rows)])
    after += max([0.0, *(r.get("setup", 0) for r in resources.values())])
    for job in problem["jobs"]:
        t: float | None = max(after, job.get("release", 0))
        if str(job["id"]) not in left_out:
            continue
        for step in job["steps"]:
            if t is not None and not step.get("done") and step.get("started") is None:
                t = _alone(resources, step, max(t, step.get("not_before", 0)))
        if t is not None:
            found.append(f"job {job['id']}: left out, but it can be made after all others")
    return found


def _alone(resources: Row, step: Row, t: float) -> float | None:
    """Return when a step ends that begins as soon as it can from ``t`` on an idle bench."""
    ends = []
    for name, machine in resources.items():
        minutes = _minutes({"step": step, "machine": machine, "resource": name})
        size = step.get("size", 1)
        if minutes < 0 or (machine.get("batch") and size > machine.get("capacity", 1) + CLOSE):
            continue
        row = {
            "what": "", "resource": name, "batch": None, "step": step, "machine": machine,
            "running": False,
        }  # fmt: skip
        kinds = step.get("needs") or []
        who = [machine, *(r for kind in kinds for r in helpers_of(resources, kind))]
        moments = {low for r in who for low, _ in r.get("open") or []}
        moments |= {high for r in who for _, high in r.get("down") or []}
        for start in sorted({t, *(m for m in moments if m > t)}):
            row |= {"start": start, "end": start + minutes}
            attended = step.get("attended", True)
            down = any(
                start < high and start + minutes > low for low, high in machine.get("down") or []
            )
            inside = open_for(machine.get("open"), start, start + minutes, attended)
            if inside and not down and not helpers_for_all(resources, [row]):
                ends.append(start + minutes)
                break
    return min(ends, default=None)


def _minutes(row: Row) -> float:
    """Return how long the step takes on its resource (-1: it may not run there)."""
    step, machine = row["step"], row["machine"]
    pinned = step.get("resource")
    if pinned is not None and str(pinned) != row["resource"]:
        return -1.0
    alternatives = step.get("alternatives")
    if alternatives:
        return float({str(k): v for k, v in alternatives.items()}.get(row["resource"], -1.0))
    return float(step["minutes"]) if machine["kind"] == step["kind"] else -1.0


def _own_rules(row: Row) -> list[str]:
    """Check place, length, release and calendar of one step."""
    found = []
    what, start, end, machine = row["what"], row["start"], row["end"], row["machine"]
    minutes = _minutes(row)
    if minutes < 0:
        return [f"{what}: may not run on {row['resource']}"]
    if row["running"]:
        if abs(start - row["step"]["started"]) > CLOSE:
            found.append(f"{what}: has started at {row['step']['started']}, planned {start}")
        if end < max(start + minutes, 0.0) - CLOSE:
            found.append(f"{what}: ends before its time is over")
        if not machine.get("batch") and end > max(start + minutes, 0.0) + CLOSE:
            found.append(f"{what}: is held after its time is over")
        return found
    if start < max(0.0, row["release"], row["step"].get("not_before", 0)) - CLOSE:
        found.append(f"{what}: starts at {start}, before now, its release or its own time")
    if end < start + minutes - CLOSE:
        found.append(f"{what}: lasts {end - start}, needs {minutes}")
    if not machine.get("batch") and end > start + minutes + CLOSE:
        found.append(f"{what}: lasts {end - start}, should last {minutes}")
    if not open_for(machine.get("open"), start, end, row["step"].get("attended", True)):
        found.append(f"{what}: outside the open time of {row['resource']}")
    for low, high in machine.get("down") or []:
        if start < high - CLOSE and end > low + CLOSE:
            found.append(f"{what}: runs while {row['resource']} is down")
    return found


def _order(rows: list[Row]) -> list[str]:
    """Check that the steps of each job follow one another."""
    found = []
    for before, after in pairwise(sorted(rows, key=lambda row: (row["job"], row["index"]))):
        if after["job"] == before["job"] and after["start"] < before["end"] - CLOSE:
            found.append(f"{after['what']}: starts before step {before['index']} has ended")
    return found


def _batches(resource: Row, rows: list[Row]) -> list[str]:
    """Check the batches of one batch resource and that they do not overlap."""
    found = []
    batches: dict[Any, list[Row]] = {}
    for row in rows:
        if row["batch"] is None:
            found.append(f"{row['what']}: runs on a batch resource without a batch")
        batches.setdefault(row["batch"], []).append(row)
    for members in batches.values():
        first = members[0]
        size = sum(row["step"].get("size", 1) for row in members)
        if size > resource.get("capacity", 1) + CLOSE and not all(r["running"] for r in members):
            found.append(f"{first['what']}: its batch of size {size} exceeds the capacity")
        longest = max(_minutes(row) for row in members)
        lasts = max(first["start"] + longest, 0.0) if first["running"] else first["start"] + longest
        if abs(first["end"] - lasts) > CLOSE:
            found.append(f"{first['what']}: its batch does not last as long as the longest member")
        attended = any(row["step"].get("attended", True) for row in members)
        if not first["running"] and not open_for(
            resource.get("open"), first["start"], first["end"], attended
        ):
            found.append(f"{first['what']}: its batch lies outside the open time")
        for row in members[1:]:
            if row["step"].get("family") != first["step"].get("family"):
                found.append(f"{row['what']}: not of its batch's family")
            if row["running"] != first["running"]:
                found.append(f"{row['what']}: joins a batch that has started")
            if max(abs(row["start"] - first["start"]), abs(row["end"] - first["end"])) > CLOSE:
                found.append(f"{row['what']}: does not start and end with its batch")
    runs = sorted((b[0] for b in batches.values()), key=lambda row: (row["start"], row["end"]))
    found += _apart(resource, runs)
    return found


def _apart(resource: Row, runs: list[Row]) -> list[str]:
    """Check that runs do not overlap and leave the set-up time between families."""
    found = []
    latest: Row | None = None
    for row in runs:
        if latest is not None and not (latest["running"] and row["running"]):
            gap = 0.0
            if latest["step"].get("family") != row["step"].get("family"):
                gap = resource.get("setup", 0)
            if row["start"] < latest["end"] + gap - CLOSE:
                found.append(f"{row['what']}: overlaps {latest['what']} or leaves no set-up time")
        if latest is None or row["end"] >= latest["end"]:
            latest = row
    return found


def _side_by_side(resource: Row, rows: list[Row]) -> list[str]:
    """Check that what runs at once stays within the capacity."""
    capacity = resource.get("capacity", 1)
    found = [f"{r['what']}: has a batch, but its resource runs none" for r in rows if r["batch"]]
    moments = sorted({row["start"] for row in rows if not row["running"]})
    for t, at_once in running_at(rows, moments):
        load = sum(min(row["step"].get("size", 1), capacity) for row in at_once)
        if load > capacity + CLOSE and not all(row["running"] for row in at_once):
            found.append(f"{at_once[-1]['what']}: {resource['id']} is loaded with {load} at {t}")
    if resource.get("setup"):
        runs = sorted(rows, key=lambda row: (row["start"], row["end"]))
        found += _apart(resource, runs)
    return found


def objective_of(problem: Row, jobs: Row, rows: list[Row]) -> dict[str, float]:
    """Return late jobs, weighted tardiness and makespan that the times mean."""
    finish: dict[str, float] = {}
    planned: dict[str, list[float]] = {}
    for row in rows:
        planned.setdefault(row["job"], []).append(row["end"])
    for name, job in jobs.items():
        ends = planned.get(name)
        known = [step["ended"] for step in job["steps"] if step.get("ended") is not None]
        finish[name] = max(ends) if ends else (known[-1] if known else _unnoted(job, jobs))
    handed: dict[str, float] = {}
    for name, job in jobs.items():
        unit = "job " + name if job.get("group") is None else f"group {job['group']}"
        handed[unit] = max(handed.get(unit, float("-inf")), finish[name])
    late, tardy = 0, 0.0
    for name, job in jobs.items():
        unit = "job " + name if job.get("group") is None else f"group {job['group']}"
        if job.get("due") is not None and handed[unit] > job["due"] + CLOSE:
            late += 1
            tardy += job.get("weight", 1) * (handed[unit] - job["due"])
    span = max([0.0, *finish.values()])
    return {"late_jobs": late, "weighted_tardiness": tardy, "makespan": span}


def _unnoted(job: Row, jobs: Row) -> float:
    """Return an end of a job that was done at no known time: by now, and in time."""
    group = job.get("group")
    same = [other for other in jobs.values() if group is not None and other.get("group") == group]
    dues = [other["due"] for other in (job, *same) if other.get("due") is not None]
    return float(min([0.0, *dues]))


def _objective(problem: Row, jobs: Row, rows: list[Row], plan: Row) -> list[str]:
    """Check the figures that the plan states."""
    true = objective_of(problem, jobs, rows)
    stated = plan["objective"]
    first = {"promises": "late_jobs"}.get(problem.get("objective", "promises"))
    true["value"] = true[first or problem["objective"]]
    found = [
        f"objective {name}: stated {stated[name]}, true {value}"
        for name, value in true.items()
        if abs(stated[name] - value) > 1e-4 * (1 + abs(value))
    ]
    bound = plan.get("lower_bound")
    if bound is not None and bound > stated["value"] + 1e-6 * (1 + abs(stated["value"])):
        found.append(f"lower bound {bound} exceeds the value {stated['value']}")
    proved = plan.get("proved_optimal") and bound is not None
    if proved and bound < stated["value"] - 1e-6 * (1 + abs(stated["value"])):
        found.append(f"proved optimal, but the lower bound is only {bound}")
    return found
