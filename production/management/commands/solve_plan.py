"""``manage.py solve_plan PROBLEM.json``: the best plan found for a bench's open work."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import Any

from production.management.problem_file import read_problem
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand
from production.planning.errors import ProblemError
from production.planning.solve import DEFAULT_SECONDS, solve

NAMED = 3  # jobs that cannot be made, named in the one line of the error


class Command(ToolCommand):
    help = "Plan the open work of a bench: who runs what, where, when and together with what."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("problem", type=Path, metavar="PROBLEM.json")
        parser.add_argument(
            "--seconds",
            type=float,
            default=DEFAULT_SECONDS,
            help=f"how long to search at most (default {DEFAULT_SECONDS:g})",
        )

        parser.add_argument(
            "--work",
            type=int,
            metavar="TRIALS",
            help="search by so many trials instead of by the clock: the same plan every time",
        )

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        seconds = options["seconds"]
        if not math.isfinite(seconds) or seconds < 0:
            raise ProblemError(f"--seconds is {seconds:g}; give a number of at least 0")
        if options["work"] is not None and options["work"] < 0:
            raise ProblemError(f"--work is {options['work']}; give a number of at least 0")
        problem = read_problem(options["problem"])
        plan = solve(problem, seconds=seconds, work=options["work"])
        if left := plan["infeasible"]:
            told = "; ".join(str(item["reason"]) for item in left[:NAMED])
            more = f"; and {len(left) - NAMED} more" if len(left) > NAMED else ""
            sys.stderr.write(" ".join(f"cannot be made: {told}{more}".split()) + "\n")
        return plan, NOT_ACCEPTABLE if plan["infeasible"] else DONE

    def describe(self, report: dict[str, Any]) -> str:
        goal = report["objective"]
        if report["proved_optimal"]:
            proof = "proved: no plan is better"
        elif report["lower_bound"] >= goal["value"]:
            proof = "proved in the first criterion, not in those after it"
        else:
            bound = f"{report['lower_bound']:g} against {goal['value']:g}"
            proof = f"not proved to be the best: the bound is {bound}"
        lines = [
            f"late {goal['late_jobs']}, weighted tardiness {goal['weighted_tardiness']:g} min, "
            f"all done at {goal['makespan']:g} min",
            proof,
            "",
            f"{'start':>9} {'end':>9}  {'resource':<16} {'batch':>5}  job, step",
        ]
        for step in report["steps"]:
            batch = "" if step["batch"] is None else str(step["batch"])
            lines.append(
                f"{step['start']:>9g} {step['end']:>9g}  {step['resource']!s:<16} {batch:>5}  "
                f"{step['job']}, {step['index']}"
            )
        lines += [f"cannot be made: {item['reason']}" for item in report["infeasible"]]
        return "\n".join(lines)
