"""Average crowns by position, and ISO 3950 names of teeth and regions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CROWN_SIZES_MM: dict[str, NDArray[np.float64]] = {
    "upper": np.array([
        [10.5, 8.5, 7.0], [9.0, 6.5, 6.0], [10.0, 7.5, 8.0], [8.5, 7.0, 9.0],
        [8.5, 7.0, 9.0], [7.5, 10.0, 11.0], [7.0, 9.0, 11.0], [6.5, 8.5, 10.0],
    ]),
    "lower": np.array([
        [9.0, 5.0, 6.0], [9.5, 5.5, 6.5], [11.0, 7.0, 7.5], [8.5, 7.0, 7.5],
        [8.0, 7.0, 8.0], [7.5, 11.0, 10.5], [7.0, 10.5, 10.0], [7.0, 10.0, 9.5],
    ]),
}
"""Crown length, mesiodistal and faciolingual diameter of teeth 1–8, mm.

Nelson, *Wheeler's Dental Anatomy, Physiology and Occlusion*, Table 1-1 (figures from
memory; single teeth differ by 0.4–0.6 mm SD).
"""


def row_numbers(arch: str) -> NDArray[np.int64]:
    """ISO 3950 numbers of a full arch from the patient's right to the left, (16,)."""
    right, left = (10, 20) if arch == "upper" else (40, 30)
    return np.array([right + t for t in range(8, 0, -1)] + [left + t for t in range(1, 9)])


def row_sizes(arch: str) -> NDArray[np.float64]:
    """Average length, mesiodistal, faciolingual diameter in the same order, (16, 3) mm."""
    half = CROWN_SIZES_MM[arch]
    return np.concatenate([half[::-1], half])


def sextant_of(number: int) -> str:
    """ISO 3950 sextant (03–08) of a permanent tooth.

    Raises
    ------
    ValueError
        When ``number`` is no permanent tooth.
    """
    quadrant, tooth = divmod(number, 10)
    if not (1 <= quadrant <= 4 and 1 <= tooth <= 8):
        raise ValueError(f"{number} is not a permanent tooth in ISO 3950")
    if quadrant <= 2:
        return "04" if tooth <= 3 else ("03" if quadrant == 1 else "05")
    return "07" if tooth <= 3 else ("06" if quadrant == 3 else "08")
