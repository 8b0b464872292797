"""The unit of length of a file that does not state it."""

from __future__ import annotations

import math

UNIT_IN_MM: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
UNIT_WORDS = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches"}

# The largest side of the bounding box of a scan, from one tooth with its gum to an arch with
# palate and cheek, in any pose: an arch in centimetres is shorter than one tooth in millimetres.
# Common practice, no source.
SMALLEST_SCAN_MM = 10.0
LARGEST_SCAN_MM = 160.0
# A complete arch, about: reference widths of 50-54 mm between first molars plus
# the crowns and some tissue.
TYPICAL_SCAN_MM = 65.0


def guess_unit(extent: float) -> str:
    """Return the unit in which a scan of this size is most likely written.

    Parameters
    ----------
    extent : float
        Largest side of the bounding box in the file's unit.

    Returns
    -------
    str
        ``mm`` whenever the size fits millimetres or nothing fits.
    """
    if extent <= 0.0 or SMALLEST_SCAN_MM <= extent <= LARGEST_SCAN_MM:
        return "mm"
    fitting = {
        unit: abs(math.log(extent * scale / TYPICAL_SCAN_MM))
        for unit, scale in UNIT_IN_MM.items()
        if SMALLEST_SCAN_MM <= extent * scale <= LARGEST_SCAN_MM
    }
    return min(fitting, key=lambda unit: fitting[unit]) if fitting else "mm"
