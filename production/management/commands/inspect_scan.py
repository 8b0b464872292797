"""Inspect a scan file: findings, measurements, verdict."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from geometry.inspection import inspect_scan
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand

_SEVERITY_WORDS = {"stop": "STOP ", "check": "CHECK", "note": "note "}
_VERDICT_WORDS = {"pass": "PASS", "check": "CHECK", "rescan": "RESCAN"}


class Command(ToolCommand):
    help = "Inspect a scan of one arch and say what to rescan."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("file", help="STL, PLY or OBJ")
        parser.add_argument("--arch", choices=("upper", "lower"), help="which arch it is")
        parser.add_argument(
            "--units", choices=("mm", "cm", "m", "in"), help="unit of the coordinates"
        )
        parser.add_argument("--picture", metavar="OUT.png", help="write a shaded picture")

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        path = Path(options["file"])
        found = inspect_scan(
            path.read_bytes(), path.name, arch=options["arch"], units=options["units"]
        )
        if options["picture"]:
            Path(options["picture"]).write_bytes(found.picture(1200, 900))
        return found.report, NOT_ACCEPTABLE if found.report["verdict"] == "rescan" else DONE

    def describe(self, report: dict[str, Any]) -> str:
        lines = [f"{_VERDICT_WORDS[report['verdict']]}: {report['explanation']}", ""]
        lines += [
            f"{_SEVERITY_WORDS[finding['severity']]}  {finding['message']}"
            for finding in report["findings"]
        ]
        lines += ["", *_facts(report)]
        return "\n".join(lines)


def _facts(report: dict[str, Any]) -> list[str]:
    """Return the measurements, a line each; what was not measured is left out."""
    file, topology = report["file"], report["topology"]
    lines = [
        f"File      {file['format']}, {file['triangles']} triangles, {file['units']}"
        + (" (assumed)" if file["units_assumed"] else ""),
        f"Arch      {_arch(report['arch'])}",
    ]
    if report["extent_mm"]:
        size = report["extent_mm"]
        lines.append(
            f"Size      {size['width']:.1f} × {size['depth']:.1f} × {size['height']:.1f} mm"
        )
    lines.append(
        f"Surface   {_counted(topology['shells'], 'shell')}, "
        f"{_counted(topology['boundary_loops'], 'border loop')}, "
        f"{_counted(len(topology['holes']), 'hole')}"
    )
    lines.append(f"Time      {report['timings_ms']['total']:.0f} ms")
    return lines


def _arch(arch: dict[str, Any]) -> str:
    """Return which arch it is, and how surely; where it does not look so, that too."""
    if arch["looks"] in ("unknown", arch["value"]):
        return f"{arch['value']} ({arch['confidence']:.0%})"
    return f"{arch['value']} as stated; looks {arch['looks']} ({arch['looks_confidence']:.0%})"


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
