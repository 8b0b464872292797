"""Benches unlike an office's: job shops, heavy batches, tight windows, weighted tardiness."""

from __future__ import annotations

import random
from typing import Any

STYLES = ("job shop", "heavy batches", "tight windows", "weighted tardiness")


def shape(style: str, seed: int, jobs: int, machines: int, objective: str) -> dict[str, Any]:
    """Return a random PROBLEM of a style; ``machines`` of the kind that is short."""
    rnd = random.Random(f"{style} {seed}")
    make = {
        "job shop": _job_shop,
        "heavy batches": _heavy_batches,
        "tight windows": _tight_windows,
        "weighted tardiness": _weighted_tardiness,
    }[style]
    resources, routes = make(rnd, jobs, machines)
    kinds = {kind for route in routes for kind in (s["kind"] for s in route)}
    load = {
        kind: sum(s["minutes"] for route in routes for s in route if s["kind"] == kind)
        / sum(r["capacity"] if r.get("batch") else 1 for r in resources if r["kind"] == kind)
        for kind in kinds
    }
    span = max(load.values())  # about how long the busiest kind is busy
    listed = []
    for number, route in enumerate(routes):
        release = rnd.choice([0, 0, rnd.uniform(0, 0.3 * span)])
        own = sum(s["minutes"] for s in route)
        listed.append(
            {
                "id": number,
                "release": round(release),
                "due": round(release + own * rnd.uniform(1.0, 1.8) + rnd.uniform(0, span)),
                "weight": rnd.choice([1, 1, 2, 4, 8]),
                "steps": route,
            }
        )
    return {"objective": objective, "resources": resources, "jobs": listed}


def _job_shop(rnd: random.Random, jobs: int, machines: int) -> Any:
    kinds = [f"kind {k}" for k in range(8)]
    resources = [{"id": k, "kind": k} for k in kinds]
    resources += [{"id": f"{kinds[0]} again {n}", "kind": kinds[0]} for n in range(machines - 1)]
    routes = [
        [
            {"kind": kind, "minutes": rnd.randint(3, 30)}
            for kind in rnd.sample(kinds, rnd.randint(4, 8))
        ]
        for _ in range(jobs)
    ]
    return resources, routes


def _heavy_batches(rnd: random.Random, jobs: int, machines: int) -> Any:
    resources = [{"id": "load", "kind": "load"}]
    for stage, capacity in (("first", 10), ("second", 4), ("third", 6)):
        resources += [
            {"id": f"{stage} {n}", "kind": stage, "batch": True, "capacity": capacity}
            for n in range(machines if stage == "second" else 1)
        ]
    routes = []
    for _ in range(jobs):
        family = rnd.choice("abc")
        routes.append(
            [
                {"kind": "load", "minutes": rnd.randint(1, 3)},
                *(
                    {
                        "kind": stage,
                        "minutes": rnd.choice([30, 60, 120]),
                        "family": family,
                        "size": rnd.choice([1, 1, 2]),
                        "attended": False,
                    }
                    for stage in ("first", "second", "third")
                ),
                {"kind": "load", "minutes": rnd.randint(1, 4)},
            ]
        )
    return resources, routes


def _tight_windows(rnd: random.Random, jobs: int, machines: int) -> Any:
    opens = [[t, t + rnd.randint(50, 90)] for t in range(0, 12000, 120)]
    resources = [
        {"id": "oven", "kind": "oven", "batch": True, "capacity": 5},
        *({"id": f"hand {n}", "kind": "hand", "open": opens} for n in range(machines)),
        {"id": "press", "kind": "press", "open": opens},
    ]
    routes = [
        [
            {"kind": "hand", "minutes": rnd.randint(8, 30)},
            {"kind": "oven", "minutes": rnd.choice([40, 70]), "attended": False},
            {"kind": "press", "minutes": rnd.randint(4, 12)},
            {"kind": "hand", "minutes": rnd.randint(8, 45)},
        ]
        for _ in range(jobs)
    ]
    return resources, routes


def _weighted_tardiness(rnd: random.Random, jobs: int, machines: int) -> Any:
    resources = [{"id": f"one {n}", "kind": "one"} for n in range(machines)]
    resources.append({"id": "two", "kind": "two"})
    routes = [
        [
            {"kind": "one", "minutes": rnd.randint(5, 40)},
            {"kind": "two", "minutes": rnd.randint(2, 20)},
        ]
        for _ in range(jobs)
    ]
    return resources, routes
