"""``check_series FOLDER_OR_ZIP``: are a patient's step models whole and in order?"""

from __future__ import annotations

import argparse
from typing import Any

from geometry.series import LIMIT_MM, check_series
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand


class Command(ToolCommand):
    help = "Check step models: missing, doubled, swapped, foreign; largest tooth movement."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("source", metavar="FOLDER_OR_ZIP")
        parser.add_argument(
            "--limit", type=float, default=LIMIT_MM, metavar="MM",
            help="largest tooth movement from step to step (default 0.25, common practice)",
        )  # fmt: skip

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        report = check_series(options["source"], limit_mm=options["limit"])
        return report, DONE if report["acceptable"] else NOT_ACCEPTABLE

    def describe(self, report: dict[str, Any]) -> str:
        lines = []
        for name, arch in report["arches"].items():
            count = len(arch["steps"])
            line = f"{name.capitalize():9} {count} step{'' if count == 1 else 's'}"
            if count:
                line += f", {arch['first']} to {arch['last']}"
            if arch["largest_movement_mm"] is not None:
                first, second = arch["largest_movement_at"]
                line += (
                    f"; largest tooth movement {arch['largest_movement_mm']:.2f} mm "
                    f"from {first} to {second}"
                )
            lines.append(line)
        lines += [f"Problem   {problem}" for problem in report["problems"]]
        if not report["problems"]:
            lines.append("Nothing missing, doubled, swapped or foreign")
        return "\n".join(lines)
