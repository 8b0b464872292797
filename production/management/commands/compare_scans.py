"""``compare_scans A B``: do two scans show the same mouth?"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from geometry.compare import compare
from geometry.reading import read_mesh
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand

ANSWERS = {
    "yes": "same mouth",
    "no": "not the same mouth",
    "unsure": "cannot tell whether it is the same mouth",
}


class Command(ToolCommand):
    help = "Register two scans and tell whether they show the same mouth."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("a", metavar="A", help="scan file (STL, PLY or OBJ)")
        parser.add_argument("b", metavar="B", help="scan file to lay on A")
        parser.add_argument(
            "--units", choices=["mm", "cm", "m", "in"], help="unit of both files, if not mm"
        )

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        scans = []
        for name in (options["a"], options["b"]):
            path = Path(name)
            scans.append(read_mesh(path.read_bytes(), path.name, options["units"]).mesh)
        report = compare(*scans)
        return report, NOT_ACCEPTABLE if report["same_mouth"] == "no" else DONE

    def describe(self, report: dict[str, Any]) -> str:
        lines = [
            f"{ANSWERS[report['same_mouth']]} (probability {report['probability']:.2f}): "
            f"{report['reason']}",
            f"overlap {100 * report['overlap']:.0f} % of the smaller scan, "
            f"distance there {report['rms_mm']:.2f} mm rms, {report['p95_mm']:.2f} mm p95",
            f"{report['crowns_compared']} crown patches compared",
        ]
        if report["crown_shift_mm"] is not None:
            lines[-1] += f", typical shift {report['crown_shift_mm']:.2f} mm"
        return "\n".join(lines)
