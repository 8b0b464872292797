"""An independent check of a plan against its problem.

Written from the contract of ``problem.py`` alone, over the plain JSON objects; it
shares no code with the kernel, the search or the constraint model. Slow and plain on
purpose: every rule is looked at by itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

__all__ = ["objective_of", "violations"]

CLOSE = 1e-5
Row = dict[str, Any]


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
    found += _needs(resources, taken)
    found += _assignable(resources, taken)
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
        who = [machine, *(r for kind in kinds for r in _helpers(resources, kind))]
        moments = {low for r in who for low, _ in r.get("open") or []}
        moments |= {high for r in who for _, high in r.get("down") or []}
        for start in sorted({t, *(m for m in moments if m > t)}):
            row |= {"start": start, "end": start + minutes}
            attended = step.get("attended", True)
            down = any(
                start < high and start + minutes > low for low, high in machine.get("down") or []
            )
            inside = _inside(machine.get("open"), start, start + minutes, attended)
            if inside and not down and not _assignable(resources, [row]):
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
    if not _inside(machine.get("open"), start, end, row["step"].get("attended", True)):
        found.append(f"{what}: outside the open time of {row['resource']}")
    for low, high in machine.get("down") or []:
        if start < high - CLOSE and end > low + CLOSE:
            found.append(f"{what}: runs while {row['resource']} is down")
    return found


def _inside(windows: Any, start: float, end: float, attended: bool) -> bool:
    """Whether it lies in a window; what is not attended may end later, not begin at the close."""
    if windows is None:
        return True
    return any(
        start >= low - CLOSE and (end <= high + CLOSE or (not attended and start < high))
        for low, high in windows
    )


def _order(rows: list[Row]) -> list[str]:
    """Check that the steps of each job follow one another."""
    found = []
    for before, after in pairwise(sorted(rows, key=lambda row: (row["job"], row["index"]))):
        if after["job"] == before["job"] and after["start"] < before["end"] - CLOSE:
            found.append(f"{after['what']}: starts before step {before['index']} has ended")
    return found


def _at_once(rows: list[Row], moments: list[float]) -> Iterator[tuple[float, list[Row]]]:
    """Yield each moment (in ascending order) and what runs just after it."""
    waiting = sorted(rows, key=lambda row: row["start"])
    here: list[Row] = []
    begun = 0
    for t in moments:
        while begun < len(waiting) and waiting[begun]["start"] <= t + CLOSE:
            here.append(waiting[begun])
            begun += 1
        here = [row for row in here if row["end"] > t + CLOSE]
        yield t, here


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
        if not first["running"] and not _inside(
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
    for t, at_once in _at_once(rows, moments):
        load = sum(min(row["step"].get("size", 1), capacity) for row in at_once)
        if load > capacity + CLOSE and not all(row["running"] for row in at_once):
            found.append(f"{at_once[-1]['what']}: {resource['id']} is loaded with {load} at {t}")
    if resource.get("setup"):
        runs = sorted(rows, key=lambda row: (row["start"], row["end"]))
        found += _apart(resource, runs)
    return found


def _needs(resources: Row, rows: list[Row]) -> list[str]:
    """Check that enough helpers are free and present, by counting heads at each start.

    Only what must hold for any assignment is checked: at no moment are more helpers of
    a kind held than answer to it, and each is held inside some helper's open time. What
    runs already may need more than there are (a mark forgotten): the rest of it goes on
    with nobody, and a batch that runs has the helpers of its first member.
    """
    found = []
    held: dict[str, list[Row]] = {}
    batches: set[tuple[str, Any, str]] = set()
    heads: dict[tuple[str, Any], Row] = {}
    helping: dict[str, list[Row]] = {}
    for row in rows:
        place = (row["resource"], row["batch"])
        if row["running"] and place[1] is not None and heads.setdefault(place, row) is not row:
            continue
        for kind in dict.fromkeys(row["step"].get("needs") or []):
            until = row["start"] + _held(row)
            if row["batch"] is not None:
                if (row["resource"], row["batch"], kind) in batches:
                    continue
                batches.add((row["resource"], row["batch"], kind))
                if not row["running"]:
                    until = row["start"] + _longest_held(rows, row, kind)
            held.setdefault(kind, []).append(row | {"end": until})
            if kind not in helping:
                helping[kind] = _helpers(resources, kind)
            helpers = helping[kind]
            present = any(_inside(r.get("open"), row["start"], until, True) for r in helpers)
            if not row["running"] and not present:
                found.append(f"{row['what']}: nobody of '{kind}' is there")
    for kind, spans in held.items():
        limit = sum(r.get("capacity", 1) for r in helping[kind])
        running = [row["end"] for row in spans if row["running"]]
        alone = max(0, sum(1 for end in running if end > CLOSE) - limit)
        planned = [row for row in spans if not row["running"]]
        for t, at_once in _at_once(planned, sorted({row["start"] for row in planned})):
            count = max(0, sum(1 for end in running if end > t + CLOSE) - alone)
            count += len(at_once)
            if count > limit:
                what = at_once[-1]["what"] if at_once else f"at {t}"
                found.append(f"{what}: {count} of '{kind}' are held at {t}, there are {limit}")
    return found


def _held(row: Row) -> float:
    """Return for how many minutes a step holds its helpers."""
    minutes, hands = row["end"] - row["start"], row["step"].get("hands")
    if hands is None:
        hands = minutes if row["step"].get("attended", True) else 0.0
    return float(min(hands, minutes))


def _longest_held(rows: list[Row], of: Row, kind: str) -> float:
    """Return the longest time for which a member of a batch holds a helper of this kind."""
    return max(
        _held(row)
        for row in rows
        if row["batch"] == of["batch"]
        and row["resource"] == of["resource"]
        and kind in (row["step"].get("needs") or [])
    )


def _helpers(resources: Row, kind: str) -> list[Row]:
    return [r for r in resources.values() if r["kind"] == kind or kind in (r.get("skills") or [])]


def _assignable(resources: Row, rows: list[Row]) -> list[str]:
    """Check that at each start all that hold helpers then can have a helper of their own.

    One who is there for all of the time, is not down, does not run a step as a machine,
    and gives only one hand to one step however many kinds it answers to. A plan does
    not say who helps, so at each moment some assignment must exist (augmenting paths,
    H. W. Kuhn, Naval Research Logistics Quarterly 2, 1955); what runs already is left
    to the count of heads.
    """
    spans: list[Row] = []
    seen: set[tuple[str, Any, str]] = set()
    for row in rows:
        for kind in dict.fromkeys(row["step"].get("needs") or []):
            key = (row["resource"], row["batch"], kind)
            if row["running"] or (row["batch"] is not None and key in seen):
                continue
            seen.add(key)
            single = row["batch"] is None
            held = _held(row) if single else _longest_held(rows, row, kind)
            until = row["start"] + held
            who = [
                str(r["id"])
                for r in _helpers(resources, kind)
                if _present(r, row["start"], until)
                and (str(r["id"]) != row["resource"] or r.get("capacity", 1) > 1)
            ]
            spans.append(row | {"end": until, "who": who, "need": kind})
    names = {name for span in spans for name in span["who"]}
    found = [f"{s['what']}: nobody of '{s['need']}' is there" for s in spans if not s["who"]]
    runs: dict[Any, list[Row]] = {}
    for span in spans:
        runs.setdefault(span["what"] if span["batch"] is None else span["batch"], []).append(span)
    for run in runs.values():  # one each, also where they are held for no time
        found += _unhelped(run, {name: _seats(resources[name], name, []) for name in names}, "")
    machines = [row for row in rows if row["resource"] in names]
    moments = sorted({row["start"] for row in spans + [m for m in machines if not m["running"]]})
    for (t, here), (_, busy) in zip(
        _at_once(spans, moments), _at_once(machines, moments), strict=True
    ):
        room = {name: _seats(resources[name], name, busy) for name in names} if here else {}
        found += _unhelped(here, room, f" at {t}")
    return found


def _unhelped(spans: list[Row], room: dict[str, int], when: str) -> list[str]:
    """Return a line for each span that finds no helper beside the others."""
    taken: dict[str, list[Row]] = {name: [] for name in room}
    return [
        f"{span['what']}: nobody of '{span['need']}' is free for it{when}"
        for span in spans
        if not _assign(span, room, taken, set())
    ]


def _present(helper: Row, start: float, until: float) -> bool:
    down = helper.get("down") or []
    return _inside(helper.get("open"), start, until, True) and not any(
        start < high - CLOSE and until > low + CLOSE for low, high in down
    )


def _seats(helper: Row, name: str, busy: list[Row]) -> int:
    """Return to how many steps a helper can give a hand beside what it runs as a machine."""
    capacity = float(helper.get("capacity", 1))
    runs = [row for row in busy if row["resource"] == name]
    if helper.get("batch") and runs:
        return 0
    load = sum(min(row["step"].get("size", 1), capacity) for row in runs)
    return int((capacity - load) / min(1.0, capacity) + CLOSE)


def _assign(span: Row, room: dict[str, int], taken: dict[str, list[Row]], tried: set[str]) -> bool:
    """Find a helper for a span, letting others change theirs; False if there is none."""
    for name in span["who"]:
        if name in tried:
            continue
        tried.add(name)
        if len(taken[name]) < room[name]:
            taken[name].append(span)
            return True
        for other in list(taken[name]) if room[name] > 0 else []:
            if _assign(other, room, taken, tried):
                taken[name].remove(other)
                taken[name].append(span)
                return True
    return False


def objective_of(problem: Row, jobs: Row, rows: list[Row]) -> dict[str, float]:
    """Return late jobs, weighted tardiness and makespan that the times mean."""
    finish: dict[str, float] = {}
    planned: dict[str, list[float]] = {}
    for row in rows:
        planned.setdefault(row["job"], []).append(row["end"])
    for name, job in jobs.items():
        ends = planned.get(name)
        known = [step["ended"] for step in job["steps"] if step.get("ended") is not None]
        finish[name] = max(ends) if ends else (known[-1] if known else 0.0)
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
