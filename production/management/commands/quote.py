"""``manage.py quote``: the earliest time that can be promised for a new job."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from production.management.problem_file import read_json, read_problem
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand
from production.planning import Problem, quote
from production.planning.errors import ProblemError
from production.planning.promises.newwork import new_jobs
from production.planning.promises.quoting import SAMPLES

STEPS_SIMULATED = 200_000  # of all futures together, for an answer at once
MOST_SAMPLES = 10_000


class Command(ToolCommand):
    """Find the earliest promise that the bench keeps without breaking another."""

    help = "Find the earliest due time that can be promised for a new job."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add the files and the confidence."""
        super().add_arguments(parser)
        parser.add_argument("problem", type=Path, metavar="PROBLEM.json")
        parser.add_argument("--job", type=Path, required=True, metavar="JOB.json")
        parser.add_argument(
            "--confidence", type=float, default=0.95, help="probability of keeping the promise"
        )

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        """Return the quote; not acceptable when no time can be promised."""
        problem = read_problem(options["problem"])
        data = read_json(options["job"])
        try:
            job = new_jobs(problem, data)
        except ProblemError as error:
            raise ProblemError(f"{options['job'].name}: {error}") from None
        report = quote(problem, job, options["confidence"], samples=_samples(problem))
        return report, NOT_ACCEPTABLE if report["earliest"] is None else DONE

    def describe(self, report: dict[str, Any]) -> str:
        """Return the answer and what it does to other promises."""
        certain = report["earliest"] is not None
        lines = [
            f"ready in {report['earliest']:.0f} min, kept with {report['p_kept']:.1%}"
            if certain
            else f"no time can be promised: {report['reason']}"
        ]
        for job in report["delayed"] if certain else ():
            lines.append(
                f"{job['id']}: late with {job['p_late_after']:.1%} "
                f"instead of {job['p_late_before']:.1%}"
            )
        for other in report["alternatives"]:
            line = f"or in {other['due']:.0f} min, kept with {other['p_kept']:.1%}"
            if other["past_limit"]:
                cost = ", ".join(str(name) for name in other["past_limit"])
                line += f", but past the limit: {cost}"
            if "hold_until" in other:
                line += f", but only if it is left alone for {other['hold_until']:.0f} min"
            lines.append(line)
        return "\n".join(lines)


def _samples(problem: Problem) -> int:
    """Return how many futures to look at: of a small bench more can be looked at in the time.

    The fewer, the later the time that is said for being sure of it in other futures too.
    """
    steps = sum(step.open for job in problem.jobs for step in job.steps)
    return max(SAMPLES, min(MOST_SAMPLES, STEPS_SIMULATED // max(steps, 1)))
