"""Letters as strokes on a grid, and machine-readable squares, as plane shapes.

The letters are our own: straight strokes on a grid of 4 × 6, so that each stroke is
wide enough to print.
"""

from __future__ import annotations

import segno
import shapely
from shapely.affinity import scale, translate

# Each letter is a list of strokes; a stroke is a run of grid points "xy".
_STROKES = {
    "A": "00 04 26 44 40|02 42",
    "B": "00 06 36 45 44 33 03|33 42 41 30 00",
    "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00",
    "E": "46 06 00 40|03 33",
    "F": "46 06 00|03 33",
    "G": "45 36 16 05 01 10 30 41 43 23",
    "H": "00 06|40 46|03 43",
    "I": "10 30|20 26|16 36",
    "J": "01 10 30 41 46",
    "K": "00 06|46 03 40",
    "L": "06 00 40",
    "M": "00 06 23 46 40",
    "N": "00 06 40 46",
    "O": "10 01 05 16 36 45 41 30 10",
    "P": "00 06 36 45 44 33 03",
    "Q": "10 01 05 16 36 45 41 30 10|22 40",
    "R": "00 06 36 45 44 33 03|23 40",
    "S": "45 36 16 05 04 13 33 42 41 30 10 01",
    "T": "06 46|26 20",
    "U": "06 01 10 30 41 46",
    "V": "06 20 46",
    "W": "06 10 23 30 46",
    "X": "00 46|06 40",
    "Y": "06 23 46|23 20",
    "Z": "06 46 00 40",
    "0": "10 01 05 16 36 45 41 30 10|12 34",
    "1": "05 16 26 20|00 40",
    "2": "05 16 36 45 44 00 40",
    "3": "05 16 36 45 44 33 13|33 42 41 30 10 01",
    "4": "30 36 02 42",
    "5": "46 06 04 34 43 41 30 00",
    "6": "45 36 16 05 01 10 30 41 42 33 13 02",
    "7": "06 46 10",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33",
    "9": "01 10 30 41 45 36 16 05 04 13 33 44",
    "-": "13 33",
    "+": "12 32|21 24",
    ".": "20 21",
    "/": "00 46",
    " ": "",
}
HEIGHT_UNITS = 6.0
ADVANCE_UNITS = 6.0
STROKE_UNITS = 1.05
QUIET_MODULES = 2


def line_width(text: str, height: float) -> float:
    """Width of a line of letters of that height, strokes included, mm."""
    unit = height / (HEIGHT_UNITS + STROKE_UNITS)
    return unit * (ADVANCE_UNITS * len(text) - (ADVANCE_UNITS - 4.0) + STROKE_UNITS)


def letters(lines: list[str], height: float) -> shapely.Geometry:
    """Return lines of letters, centred on the origin, x along the line.

    Parameters
    ----------
    lines : list of str
        Characters A–Z, 0–9, space and ``. / + -``.
    height : float
        Letter height, mm.
    """
    unit = height / (HEIGHT_UNITS + STROKE_UNITS)
    pitch = height * LINE_PITCH
    shapes = []
    for row, line in enumerate(lines):
        x0 = -0.5 * (ADVANCE_UNITS * len(line) - (ADVANCE_UNITS - 4.0)) * unit
        y0 = (0.5 * (len(lines) - 1) - row) * pitch - 0.5 * HEIGHT_UNITS * unit
        for place, letter in enumerate(line):
            for stroke in filter(None, _STROKES[letter].split("|")):
                points = [
                    (x0 + (ADVANCE_UNITS * place + int(p[0])) * unit, y0 + int(p[1]) * unit)
                    for p in stroke.split()
                ]
                shapes.append(
                    shapely.LineString(points).buffer(
                        0.5 * STROKE_UNITS * unit, quad_segs=2, join_style="mitre", mitre_limit=1.6
                    )
                )
    return shapely.union_all(shapes)


LINE_PITCH = 1.3


def code_squares(text: str, module: float) -> tuple[shapely.Geometry, int, str]:
    """Return the dark squares of a Micro QR or QR code (ISO/IEC 18004).

    Parameters
    ----------
    text : str
    module : float
        Side of a square, mm.

    Returns
    -------
    shape
        Centred on the origin, y up.
    modules : int
        Squares along a side, without the quiet zone.
    symbology : str
        Such as ``Micro QR M3-L`` or ``QR 1-M``.
    """
    symbol = segno.make(text, micro=None, boost_error=True)
    rows = [list(row) for row in symbol.matrix]
    n = len(rows)
    squares = []
    for r, row in enumerate(rows):
        start = None
        for c in range(n + 1):
            dark = c < n and row[c]
            if dark and start is None:
                start = c
            elif not dark and start is not None:
                squares.append(shapely.box(start, n - 1 - r, c, n - r))
                start = None
    shape = translate(shapely.union_all(squares), -n / 2, -n / 2)
    # Squares that meet in a corner only would make a pinched edge: keep them a hair apart.
    shape = scale(shape, module, module, origin=(0, 0)).buffer(-0.01, join_style="mitre")
    name = f"{'Micro QR' if symbol.is_micro else 'QR'} {symbol.designator}"
    return shape, n, name
