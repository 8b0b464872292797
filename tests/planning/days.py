"""Random benches for tests: every feature of a problem, in odd combinations."""

from __future__ import annotations

import random
from typing import Any

KINDS = ("scan", "print", "wash", "cure", "form", "trim")


def random_bench(seed: int, *, jobs: int | None = None, hard: bool = True) -> dict[str, Any]:
    """Return a random PROBLEM; ``hard`` turns on what goes beyond the contract's keys."""
    rnd = random.Random(seed)
    days = rnd.randint(1, 3)
    clock = rnd.choice([0.0, 480.0, 600.5, 1000.0])

    def windows() -> list[list[float]] | None:
        style = rnd.random()
        if style < 0.3:
            return None
        found = []
        for day in range(days + 2):
            begin = day * 1440 + rnd.choice([0, 0, 15, 60]) - (rnd.choice([0, 30]) if day else 0)
            end = begin + rnd.choice([300, 420, 480, 540])
            if rnd.random() < 0.5:
                pause = begin + rnd.choice([120, 180, 240])
                found += [[begin, pause], [pause + rnd.choice([0, 30, 45]), end]]
            else:
                found.append([begin, end])
        return found

    resources: list[dict[str, Any]] = []
    for kind in KINDS:
        batch = kind in ("print", "wash", "cure") and rnd.random() < 0.85
        for number in range(rnd.choice([1, 1, 2, 3])):
            item: dict[str, Any] = {"id": f"{kind}{number}", "kind": kind, "batch": batch}
            item["capacity"] = rnd.choice([2, 3, 4, 6]) if batch else rnd.choice([1, 1, 1, 2])
            opening = windows()
            if opening is not None:
                item["open"] = opening
            if hard and rnd.random() < 0.2:
                begin = rnd.uniform(0, 600)
                item["down"] = [[begin, begin + rnd.uniform(10, 200)]]
            if hard and rnd.random() < 0.2:
                item["setup"] = rnd.choice([5, 12.5])
            if hard and rnd.random() < 0.15:
                item["failure"], item["repair"] = 0.1, rnd.choice([0, 45])
            resources.append(item)
    if hard:
        for number in range(rnd.choice([1, 2, 3])):
            person: dict[str, Any] = {"id": f"person{number}", "kind": "hand"}
            if rnd.random() < 0.5:
                person["skills"] = rnd.sample(["careful", "fast"], rnd.randint(1, 2))
            opening = windows()
            if opening is not None:
                person["open"] = opening
            resources.append(person)
        resources.append({"id": "spare", "kind": "spare", "capacity": 2, "skills": ["careful"]})
    listed = []
    for j in range(rnd.randint(1, 14) if jobs is None else jobs):
        steps = []
        for kind in KINDS:
            if rnd.random() < 0.15:
                continue
            step: dict[str, Any] = {
                "kind": kind,
                "minutes": rnd.choice([0, 5, 10, 20, 45, 90])
                if rnd.random() < 0.6
                else round(rnd.uniform(1, 90), 3),
                "attended": rnd.random() < (0.2 if kind in ("print", "wash", "cure") else 0.8),
                "spread": rnd.choice([0, 0.1, 0.3]),
            }
            if rnd.random() < 0.4:
                step["family"] = rnd.choice(["clear", "grey"])
            if rnd.random() < 0.3:
                step["size"] = rnd.choice([1, 2, 0.5])
            machines = [r["id"] for r in resources if r["kind"] == kind]
            if rnd.random() < 0.1:
                step["resource"] = rnd.choice(machines)
            if hard:
                if rnd.random() < 0.08:
                    step["not_before"] = rnd.choice([20, rnd.uniform(0, 600)])
                if rnd.random() < 0.08:
                    step["first"] = True
                if rnd.random() < 0.3:
                    step["needs"] = rnd.choice([["hand"], ["careful"], ["hand", "fast"], ["spare"]])
                    if rnd.random() < 0.4:
                        step["hands"] = rnd.choice([0, 3, 15])
                if rnd.random() < 0.15:
                    step["failure"] = 0.3
                    step["rework"] = rnd.randint(0, len(steps))
                if rnd.random() < 0.1 and "resource" not in step and step["minutes"] > 0:
                    chosen = rnd.sample(machines, rnd.randint(1, len(machines)))
                    step["alternatives"] = {
                        name: step["minutes"] * rnd.choice([1, 0.5, 2]) for name in chosen
                    }
            steps.append(step)
        if not steps:
            steps.append({"kind": "trim", "minutes": 5})
        listed.append(
            {
                "id": f"job{j}",
                "release": rnd.choice([0, 0, 0, 30, round(rnd.uniform(0, 500), 2)]),
                "due": rnd.choice([None, rnd.choice([200, 400, 480]), 1440 + 480]),
                "weight": rnd.choice([1, 1, 2, 5]),
                "group": rnd.choice([None, None, "a", "b"]),
                "steps": steps,
            }
        )
    _begin(rnd, listed, resources)
    return {"resources": resources, "jobs": listed, "clock": clock}


def without_the_impossible(
    data: dict[str, Any], infeasible: list[dict[str, Any]]
) -> dict[str, Any]:
    """Return the bench without jobs that cannot be finished, but with what they run now."""
    names = {item["job"] for item in infeasible}
    jobs = []
    for job in data["jobs"]:
        running = [i for i, s in enumerate(job["steps"]) if "started" in s]
        if job["id"] not in names:
            jobs.append(job)
        elif running:
            jobs.append({**job, "steps": job["steps"][: running[0] + 1]})
    return {**data, "jobs": jobs}


def _begin(rnd: random.Random, jobs: list[dict[str, Any]], resources: list[dict[str, Any]]) -> None:
    """Put the bench into the middle of a day."""
    running: dict[str, tuple[float, str | None, float]] = {}
    for job in jobs:
        if rnd.random() < 0.5:
            continue
        done = rnd.randint(0, len(job["steps"]))
        for step in job["steps"][:done]:
            step["done"] = True
        if done < len(job["steps"]) and rnd.random() < 0.6:
            step = job["steps"][done]
            names = step.get("alternatives") or [
                r["id"] for r in resources if r["kind"] == step["kind"]
            ]
            name = step.get("resource") or rnd.choice(list(names))
            resource = next(r for r in resources if r["id"] == name)
            size, family = step.get("size", 1), step.get("family")
            if name not in running:
                running[name] = (-rnd.choice([0.0, 3.5, 20.0, 200.0]), family, size)
            elif (
                resource["batch"]
                and family == running[name][1]
                and running[name][2] + size <= resource["capacity"]
            ):
                running[name] = (running[name][0], family, running[name][2] + size)
            else:
                continue
            step["started"], step["resource"] = running[name][0], name
