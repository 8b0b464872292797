"""Make a print-ready model of a scan."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from geometry.errors import GeometryError
from geometry.model import ModelSettings, prepare
from geometry.reading import UNIT_WORDS, read_mesh
from production.management.tool import DONE, ToolCommand
from production.whole_file import write_whole


class Command(ToolCommand):
    help = "Level, cut, close and block out a scan; write one solid that stands on z = 0."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("file", help="STL, PLY or OBJ of one arch")
        parser.add_argument("--out", required=True, metavar="MODEL.stl|MODEL.3mf")
        parser.add_argument("--arch", choices=("upper", "lower"), help="which arch it is")
        parser.add_argument("--units", choices=("mm", "cm", "m", "in"), help="unit of the file")
        parser.add_argument(
            "--height",
            type=float,
            default=15.0,
            metavar="MM",
            help="base to the highest incisal edge (default 15, common practice)",
        )
        parser.add_argument(
            "--trim",
            default="auto",
            metavar="auto|MM",
            help="height above the base where tissue is trimmed (default auto)",
        )
        parser.add_argument(
            "--block-out",
            default="0.25",
            metavar="DEPTH_MM|off",
            help="undercut left open, the rest is filled (default 0.25)",
        )
        parser.add_argument("--text", default="", help="short code for the base")
        parser.add_argument("--raised", action="store_true", help="raise the code, not engrave it")
        parser.add_argument("--bar", action="store_true", help="join the ends of a horseshoe")
        parser.add_argument("--hollow", type=float, metavar="WALL_MM", help="hollow, with drains")
        parser.add_argument(
            "--sheet", type=float, default=1.0, metavar="MM", help="thickness of the sheet formed"
        )

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        out = Path(options["out"])
        kind = out.suffix.lower()
        if kind not in (".stl", ".3mf"):
            raise GeometryError(f"{out.name}: the ending says no format; use .stl or .3mf")
        if not out.parent.is_dir():
            raise GeometryError(f"{out.parent}: there is no such folder; make it first")
        settings = ModelSettings(
            arch=options["arch"],
            height=options["height"],
            trim=_number(options["trim"], "auto", "--trim"),
            block_out=_number(options["block_out"], "off", "--block-out"),
            text=options["text"],
            lettering="raised" if options["raised"] else "engraved",
            bar=options["bar"],
            hollow=options["hollow"],
            sheet=options["sheet"],
        )
        path = Path(options["file"])
        scan = read_mesh(path.read_bytes(), path.name, options["units"])
        try:
            model = prepare(scan.mesh, settings, name=options["text"] or out.stem)
        except GeometryError as error:
            raise GeometryError(f"{path.name}: {error}") from error
        if scan.units_assumed and scan.units != "mm":
            model.report["warnings"].insert(
                0,
                f"by its size the file seems to be in {UNIT_WORDS[scan.units]} and was made so; "
                "if it is not, give its unit with --units",
            )
        write_whole(out, model.stl() if kind == ".stl" else model.threemf())
        return model.report, DONE

    def describe(self, report: dict[str, Any]) -> str:
        trim, fill = report["trim"], report["block_out"]
        kept = trim["tissue_kept_mm"]["min"]
        lines = [
            f"Model     {report['height_mm']:.1f} mm to the incisal edge, "
            f"{report['volume_ml']:.2f} ml, closed",
            f"Tilt      {report['tilt_after_deg']:.2f}° after levelling",
            f"Trim      {trim['z_mm']:.1f} mm above the base"
            + ("" if kept is None else f", at least {kept:.1f} mm of tissue kept"),
        ]
        if fill["depth_mm"] is None:
            lines.append("Block-out off; place it at the bench:")
            lines += [f"          {region['words']}" for region in fill["regions"]]
        else:
            lines.append(
                f"Block-out {fill['added_mm3']:.1f} mm³ added in {len(fill['regions'])} places"
            )
        off = report["surface_deviation_mm"]
        mended = off["mended_max"]
        lines.append(
            f"Surface   {off['max']:.3f} mm off the scan at most"
            + (f"; mended places up to {mended:.2f} mm, {off['mended_at']}" if mended else "")
        )
        lines += [
            ("Note" if warning in report["remarks"] else "Look at").ljust(10) + warning
            for warning in report["warnings"]
        ]
        return "\n".join(lines)


def _number(text: str, word: str, flag: str) -> float | None:
    if text == word:
        return None
    try:
        return float(text)
    except ValueError:
        raise GeometryError(f"{flag} {text} is not a number; use {word} or mm") from None
