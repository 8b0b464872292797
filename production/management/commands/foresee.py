"""``manage.py foresee``: how likely each promise of a problem is kept."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from production.management.problem_file import read_problem
from production.management.tool import DONE, ToolCommand
from production.planning import foresee


class Command(ToolCommand):
    """Simulate the bench forward from now, many times."""

    help = "Say how likely each promise of a planning problem is kept."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add the file and the sampling flags."""
        super().add_arguments(parser)
        parser.add_argument("problem", type=Path, metavar="PROBLEM.json")
        parser.add_argument("--samples", type=int, default=2000, help="number of futures")
        parser.add_argument("--seed", type=int, default=0, help="same seed, same numbers")

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        """Return the foresight."""
        problem = read_problem(options["problem"])
        return foresee(problem, options["samples"], options["seed"]), DONE

    def describe(self, report: dict[str, Any]) -> str:
        """Return one line for each job, the most doubtful first."""
        lines = []
        for job in sorted(report["jobs"], key=lambda item: -item["p_late"]):
            middle = job["finish"]["p50"]
            ready = "never ready" if middle is None else f"ready in {middle:.0f} min"
            lines.append(f"{job['id']}: late with {job['p_late']:.1%}, {ready} (even chance)")
        lines += [f"cannot be made: {item['reason']}" for item in report["infeasible"]]
        lines.append(f"{report['samples']} futures in {report['seconds']:.2f} s")
        return "\n".join(lines)
