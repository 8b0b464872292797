"""``nest_models MODEL… --plate 192x120``: place models on a printer's plate."""

from __future__ import annotations

import argparse
import math
import re
from pathlib import Path
from typing import Any

from geometry.errors import GeometryError
from geometry.plates import Item, draw, nest
from geometry.reading import read_mesh
from geometry.topology import analyse
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand
from production.whole_file import write_whole

PLATE = re.compile(r"(\d+(?:\.\d+)?)[xX×](\d+(?:\.\d+)?)")


class Command(ToolCommand):
    help = "Place models on a printer's plate by their true footprints; write one file."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument(
            "models", nargs="+", metavar="MODEL", help="STL, PLY or OBJ; urgent ones first"
        )
        parser.add_argument(
            "--plate", required=True, metavar="WxD", help="width x depth in mm, such as 192x120"
        )
        parser.add_argument(
            "--gap",
            type=float,
            default=2.0,
            metavar="MM",
            help="least distance between models (default 2)",
        )
        parser.add_argument("--out", required=True, metavar="PLATE.3mf|PLATE.stl")
        parser.add_argument("--picture", metavar="OUT.png", help="draw the plate from above")
        parser.add_argument("--seed", type=int, default=0, help="another one gives another layout")
        parser.add_argument(
            "--seconds", type=float, metavar="S", help="search so long when not all fit"
        )
        parser.add_argument(
            "--layer", type=float, metavar="MM", help="layer height, to count layers"
        )
        parser.add_argument(
            "--layer-seconds",
            type=float,
            metavar="S",
            help="time of a layer, for the print minutes",
        )

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        out = Path(options["out"])
        kind = out.suffix.lower()
        if kind not in (".stl", ".3mf"):
            raise GeometryError(f"{out.name}: the ending says no format; use .stl or .3mf")
        size = PLATE.fullmatch(options["plate"].strip())
        if size is None:
            raise GeometryError(
                f"--plate {options['plate']} is no size; use width x depth, such as 192x120"
            )
        for flag in ("layer", "layer_seconds", "seconds"):
            value = options[flag]
            if value is not None and not (math.isfinite(value) and value > 0):
                raise GeometryError(f"--{flag.replace('_', '-')} {value:g} must be above 0")
        items = [_read(Path(name)) for name in options["models"]]
        layout = nest(
            items, (float(size[1]), float(size[2])), options["gap"],
            seed=options["seed"], seconds=options["seconds"],
        )  # fmt: skip
        report = dict(layout.report)
        report["warnings"] = [
            f"{item.name} is an open surface; prepare it first, a printer fills closed bodies only"
            for item in items
            if analyse(item.solid, self_intersections=False).border is not None
        ]
        if options["layer"] is not None:
            report["layers"] = math.ceil(report["height_mm"] / options["layer"] - 1e-9)
            if options["layer_seconds"] is not None:
                report["print_minutes"] = report["layers"] * options["layer_seconds"] / 60.0
        if layout.placed:
            write_whole(out, layout.stl() if kind == ".stl" else layout.threemf())
            if options["picture"]:
                write_whole(Path(options["picture"]), draw(layout))
        return report, NOT_ACCEPTABLE if layout.left_out else DONE

    def describe(self, report: dict[str, Any]) -> str:
        width, depth = report["plate_mm"]
        lines = [
            f"Plate     {width:g} x {depth:g} mm, gap {report['gap_mm']:g} mm: "
            f"{len(report['placed'])} of {report['models']} models, "
            f"{100 * report['used_share']:.0f} % of the plate covered"
        ]
        if report["least_gap_mm"] is not None:
            lines.append(f"Nearest   {report['least_gap_mm']:.2f} mm between two models")
        lines.append(f"Height    {report['height_mm']:.1f} mm")
        if "layers" in report:
            lines[-1] += f", {report['layers']} layers"
        if "print_minutes" in report:
            lines[-1] += f", about {report['print_minutes']:.0f} min of printing"
        lines += [
            f"Placed    {p['name']}: {p['x']:.1f}, {p['y']:.1f} mm, turned {p['turn_deg']:.0f}°"
            for p in report["placed"]
        ]
        lines += [f"Left out  {p['name']}: {p['reason']}" for p in report["unplaced"]]
        lines += [f"Warning   {warning}" for warning in report["warnings"]]
        return "\n".join(lines)


def _read(path: Path) -> Item:
    return Item(path.stem, read_mesh(path.read_bytes(), path.name, "mm").mesh)
