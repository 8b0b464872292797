"""Compile or load every compiled entry point of this package."""

from __future__ import annotations

from production.planning.dispatch import dispatch_plan
from production.planning.problem import parse_problem
from production.planning.promises.foresight import foresee
from production.planning.promises.quoting import quote

__all__ = ["warm"]


def warm() -> None:
    """Run plan, foresight and quote once on a bench of two jobs."""
    route = [
        {"kind": "print", "minutes": 40, "spread": 0.1, "attended": False},
        {"kind": "bench", "minutes": 5, "spread": 0.2},
    ]
    problem = parse_problem(
        {
            "resources": [
                {"id": "printer", "kind": "print", "capacity": 4, "batch": True},
                {"id": "person", "kind": "bench"},
            ],
            "jobs": [{"id": name, "due": 120, "steps": route} for name in ("first", "second")],
        }
    )
    dispatch_plan(problem)
    foresee(problem, 10)
    quote(problem, {"id": "third", "steps": route}, samples=10)
