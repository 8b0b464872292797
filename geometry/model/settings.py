"""What is asked of a prepared model."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from geometry.errors import GeometryError

ARCHES = ("upper", "lower")
LETTERING = ("engraved", "raised")
TEXT = re.compile(r"[A-Z0-9][A-Z0-9 ./+-]{0,15}")


@dataclass(frozen=True, slots=True)
class ModelSettings:
    """Settings of :func:`geometry.model.prepare`; lengths in mm, angles in degrees.

    Attributes
    ----------
    arch : "upper", "lower" or None
        None takes what the frame says.
    height : float
        From the base to the highest incisal edge. 15 is common practice for an
        ideal model, no published source.
    trim : float or None
        Height above the base where tissue is cut and straight walls begin;
        None looks for the cut that leaves the least gingival undercut.
    tissue : float
        Tissue that an automatic trim keeps beyond the gingival margin.
    block_out : float or None
        Horizontal undercut depth that is left open; what lies deeper is filled.
        None fills nothing and lists the places for the bench.
    pitch, roll : float
        A nudge on top of the levelling: pitch lowers the front teeth, roll lowers
        the patient's right.
    text : str
        Short code for the base (capitals, digits, space . / + -, at most 16).
    lettering : "engraved" or "raised"
    bar : bool
        Join the ends of a horseshoe with a bar.
    hollow : float or None
        Wall thickness of a hollow model; None prints it solid.
    sheet : float
        Nominal thickness of the sheet that is formed over the model.
    sheet_limit : float
        Formed thickness below which a place is pointed out.
    """

    arch: str | None = None
    height: float = 15.0
    trim: float | None = None
    tissue: float = 3.0
    block_out: float | None = 0.25
    pitch: float = 0.0
    roll: float = 0.0
    text: str = ""
    lettering: str = "engraved"
    bar: bool = False
    hollow: float | None = None
    sheet: float = 1.0
    sheet_limit: float = 0.3

    def __post_init__(self) -> None:
        if self.arch is not None and self.arch not in ARCHES:
            raise GeometryError(f"arch {self.arch!r} is not known; use upper or lower")
        _within("height", self.height, 5.0, 60.0)
        if self.trim is not None:
            _within("trim", self.trim, 0.0, 50.0)
        _within("tissue", self.tissue, 0.0, 15.0)
        if self.block_out is not None:
            _within("block-out depth", self.block_out, 0.0, 2.0)
        _within("pitch", self.pitch, -30.0, 30.0)
        _within("roll", self.roll, -30.0, 30.0)
        if self.text and not TEXT.fullmatch(self.text):
            raise GeometryError(
                f"text {self.text!r} cannot be put on a base; use up to 16 of A-Z 0-9 space . / + -"
            )
        if self.lettering not in LETTERING:
            raise GeometryError(
                f"lettering {self.lettering!r} is not known; use engraved or raised"
            )
        if self.hollow is not None:
            _within("wall thickness", self.hollow, 1.0, 8.0)
        _within("sheet thickness", self.sheet, 0.2, 6.0)
        _within("sheet limit", self.sheet_limit, 0.0, 6.0)


def _within(name: str, value: float, low: float, high: float) -> None:
    if not math.isfinite(value) or not low <= value <= high:
        raise GeometryError(f"{name} {value:g} is out of range; use {low:g} to {high:g}")
