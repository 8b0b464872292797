"""Problems to plan: random office days of every kind, and published generators."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

DATA = Path(__file__).parents[2] / "outside" / "data"
TAILLARD_SEEDS = (
    873654221, 379008056, 1866992158, 216771124, 495070989,
    402959317, 1369363414, 2021925980, 573109518, 88325120,
)  # fmt: skip
TAILLARD_BEST = (1278, 1359, 1081, 1293, 1235, 1195, 1234, 1206, 1230, 1108)
WT40_BEST = (
    913, 1225, 537, 2094, 990, 6955, 6324, 6865, 16225, 9737, 17465, 19312, 29256, 14377, 26914,
    72317, 78623, 74310, 77122, 63229, 77774, 100484, 135618, 119947, 128747,
)  # fmt: skip


def taillard(seed: int, jobs: int = 20, machines: int = 5) -> list[list[int]]:
    """Durations by machine and job: E. Taillard, EJOR 64 (1993) 278-285."""
    x = seed
    table = []
    for _ in range(machines):
        row = []
        for _ in range(jobs):
            x = 16807 * x % (2**31 - 1)
            row.append(1 + 99 * x // (2**31 - 1))
        table.append(row)
    return table


def flow_line(table: list[list[int]], objective: str = "makespan") -> dict[str, Any]:
    """The problem of a flow line with these durations by machine and job."""
    machines = [{"id": f"m{k}", "kind": f"m{k}"} for k in range(len(table))]
    jobs = [
        {
            "id": f"j{j}",
            "steps": [{"kind": f"m{k}", "minutes": row[j]} for k, row in enumerate(table)],
        }
        for j in range(len(table[0]))
    ]
    return {"objective": objective, "resources": machines, "jobs": jobs}


def weighted_tardiness(number: int) -> dict[str, Any]:
    """Instance 1 to 25 of OR-Library's wt40 (J. E. Beasley's OR-Library, MIT licence)."""
    values = [int(x) for x in (DATA / "wt40_first25.txt").read_text().split()]
    block = values[(number - 1) * 120 : number * 120]
    minutes, weights, due = block[:40], block[40:80], block[80:]
    return one_machine(minutes, weights, due)


def one_machine(minutes: Any, weights: Any, due: Any) -> dict[str, Any]:
    """A single machine with weights and due dates."""
    return {
        "objective": "weighted_tardiness",
        "resources": [{"id": "m", "kind": "m"}],
        "jobs": [
            {"id": f"j{k}", "weight": w, "due": d, "steps": [{"kind": "m", "minutes": p}]}
            for k, (p, w, d) in enumerate(zip(minutes, weights, due, strict=True))
        ],
    }


def flexible_job_shop(text: str) -> dict[str, Any]:
    """A flexible job shop in the usual text form (machines numbered from 0)."""
    lines = [[int(x) for x in line.split()] for line in text.strip().splitlines()]
    machines = [{"id": f"m{k}", "kind": f"m{k}"} for k in range(lines[0][1])]
    jobs = []
    for number, line in enumerate(lines[1:]):
        steps, at = [], 1
        for _ in range(line[0]):
            pairs = line[at + 1 : at + 1 + 2 * line[at]]
            at += 1 + 2 * line[at]
            choice = {f"m{m}": p for m, p in zip(pairs[::2], pairs[1::2], strict=True)}
            steps.append({"kind": "work", "minutes": min(choice.values()), "alternatives": choice})
        jobs.append({"id": f"j{number}", "steps": steps})
    return {"objective": "makespan", "resources": machines, "jobs": jobs}


def one_batch_machine(minutes: Any, capacity: int) -> dict[str, Any]:
    """A single batch machine, one family, everything ready."""
    return {
        "objective": "makespan",
        "resources": [{"id": "b", "kind": "b", "batch": True, "capacity": capacity}],
        "jobs": [
            {"id": f"j{k}", "steps": [{"kind": "b", "minutes": p}]} for k, p in enumerate(minutes)
        ],
    }


def office_day(
    seed: int, arches: int, printers: int = 1, objective: str = "promises"
) -> dict[str, Any]:
    """A plausible office day: scan, plates, wash, cure, form, trim, finish, check.

    Opening hours on odd seeds, mid-day on every third, groups of both arches.
    """
    rnd = random.Random(seed)
    hours = {"open": [[0, 240], [285, 540], [1440, 1980], [2880, 3420], [4320, 4860]]}
    always: dict[str, Any] = hours if seed % 2 else {}
    technicians = rnd.choice([1, 2, 2, 3])
    resources: list[dict[str, Any]] = [
        {
            "id": f"printer {k}",
            "kind": "printer",
            "batch": True,
            "capacity": rnd.choice([3, 4, 6]),
            **always,
        }
        for k in range(printers)
    ]
    resources += [
        {"id": "wash", "kind": "wash", "batch": True, "capacity": rnd.choice([4, 8]), **always},
        {"id": "cure", "kind": "cure", "batch": True, "capacity": rnd.choice([2, 4]), **always},
        {"id": "former", "kind": "former", **always},
        *({"id": f"bench {k}", "kind": "bench", **always} for k in range(technicians)),
    ]
    jobs = []
    for k in range(arches):
        release = rnd.choice([0, 0, 0, rnd.randrange(0, 240)])
        resin = rnd.choice(["model", "model", "clear"])
        steps: list[dict[str, Any]] = [
            {"kind": "bench", "minutes": rnd.randrange(5, 16)},
            {
                "kind": "printer",
                "minutes": rnd.choice([35, 45, 60, 75, 90]),
                "family": resin,
                "attended": False,
            },
            {"kind": "wash", "minutes": 10, "attended": False},
            {
                "kind": "cure",
                "minutes": rnd.choice([15, 20, 30]),
                "family": resin,
                "attended": False,
            },
            {"kind": "former", "minutes": rnd.randrange(4, 9)},
            {"kind": "bench", "minutes": rnd.randrange(8, 21)},
            {"kind": "bench", "minutes": rnd.randrange(4, 11)},
        ]
        if rnd.random() < 0.2:
            del steps[0]
        if seed % 3 == 0:
            for step in steps[: rnd.choice([0, 0, 1, 2, 3])]:
                step["done"] = True
        jobs.append(
            {
                "id": f"arch {k}",
                "release": release,
                "due": release + rnd.randrange(120, 160 + arches * 18),
                "weight": rnd.choice([1, 1, 2, 4]),
                "group": f"patient {k // 2}" if rnd.random() < 0.35 else None,
                "steps": steps,
            }
        )
    return {"objective": objective, "resources": resources, "jobs": jobs}


def wild_day(seed: int) -> dict[str, Any]:
    """A small day of any shape that the contract allows, the odd ones included."""
    rnd = random.Random(seed)
    kinds = [f"k{i}" for i in range(rnd.randrange(1, 6))]
    resources, jobs = [], []
    for kind in kinds:
        batch = rnd.random() < 0.4
        for copy in range(rnd.choice([1, 1, 1, 2, 3])):
            resource: dict[str, Any] = {"id": f"{kind}.{copy}", "kind": kind, "batch": batch}
            resource["capacity"] = rnd.choice([1, 2, 3, 4.5]) if batch or rnd.random() < 0.3 else 1
            if rnd.random() < 0.5:
                at, resource["open"] = 0, []
                for _ in range(rnd.randrange(4, 12)):
                    at += rnd.choice([0, 7, 30, 200])
                    resource["open"].append([at, at + rnd.choice([60, 120, 400])])
                    at = resource["open"][-1][1]
            if rnd.random() < 0.2:
                low = rnd.randrange(0, 200)
                resource["down"] = [[low, low + rnd.randrange(1, 90)]]
            if rnd.random() < 0.15:
                resource["setup"] = rnd.choice([5, 20])
            resources.append(resource)
    helpers = [r for r in resources if not r["batch"] and r["capacity"] == 1]
    if rnd.random() < 0.25 and helpers:
        resources.append(
            {
                "id": "hands",
                "kind": "person",
                "capacity": 1,
                "batch": False,
                "open": [[0, 300], [330, 5000]],
            }
        )
    people = any(r["id"] == "hands" for r in resources)
    by_kind = {kind: [r for r in resources if r["kind"] == kind] for kind in kinds}
    fraction = rnd.random() < 0.3
    for k in range(rnd.randrange(0, 9)):
        steps = []
        for _ in range(rnd.randrange(1, 6)):
            kind = rnd.choice(kinds)
            minutes = rnd.choice([0, 1, 5, 17, 30, 45])
            step: dict[str, Any] = {
                "kind": kind,
                "minutes": minutes + rnd.random() if fraction else minutes,
                "attended": rnd.random() < 0.6,
                "family": rnd.choice([None, "a", "b"]),
                "size": rnd.choice([1, 1, 1, 0.5, 2, 0]),
            }
            if rnd.random() < 0.1:
                step["resource"] = rnd.choice(by_kind[kind])["id"]
            if people and rnd.random() < 0.4:
                step["needs"] = ["person"]
                if rnd.random() < 0.5:
                    step["hands"] = 3
            steps.append(step)
        done = rnd.choice([0, 0, 0, 1, 2, 9])
        for step in steps[:done]:
            step["done"] = True
        jobs.append(
            {
                "id": f"j{k}",
                "release": rnd.choice([0, -20, rnd.randrange(0, 200)]),
                "due": rnd.choice([None, rnd.randrange(-30, 500)]),
                "weight": rnd.choice([0, 1, 2, 0.5]),
                "group": rnd.choice([None, None, "g", "h"]),
                "steps": steps,
            }
        )
    _start_some(rnd, resources, jobs)
    return {
        "objective": rnd.choice(["promises", "weighted_tardiness", "makespan"]),
        "resources": resources,
        "jobs": jobs,
    }


def _start_some(
    rnd: random.Random, resources: list[dict[str, Any]], jobs: list[dict[str, Any]]
) -> None:
    """Let some machines be running something, each within its capacity."""
    for resource in rnd.sample(resources, len(resources) // 2):
        started, family, room = -rnd.randrange(0, 60), None, resource["capacity"]
        for job in jobs:
            waiting = [s for s in job["steps"] if not s.get("done")]
            if not waiting or waiting[0].get("started") is not None:
                continue
            step = waiting[0]
            fits = step["kind"] == resource["kind"] and step.get("resource") in (
                None,
                resource["id"],
            )
            alike = family is None or (resource["batch"] and family == (step["family"],))
            if fits and alike and step["size"] <= room:
                step["started"], step["resource"] = started, resource["id"]
                family, room = (step["family"],), room - step["size"]
