"""Average crowns by position, and ISO 3950 names of teeth and regions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CROWN_SIZES_MM: dict[str, NDArray[np.float64]] = {
    "upper": np.array(
        [
            [10.5, 8.5, 7.0],
            [9.0, 6.5, 6.0],
            [10.0, 7.5, 8.0],
            [8.5, 7.0, 9.0],
            [8.5, 7.0, 9.0],
            [7.5, 10.0, 11.0],
            [7.0, 9.0, 11.0],
            [6.5, 8.5, 10.0],
        ]
    ),
    "lower": np.array(
        [
            [9.0, 5.0, 6.0],
            [9.5, 5.5, 6.5],
            [11.0, 7.0, 7.5],
            [8.5, 7.0, 7.5],
            [8.0, 7.0, 8.0],
            [7.5, 11.0, 10.5],
            [7.0, 10.5, 10.0],
            [7.0, 10.0, 9.5],
        ]
    ),
}
"""Crown length, mesiodistal and faciolingual diameter of teeth 1–8, mm.

Nelson, *Wheeler's Dental Anatomy, Physiology and Occlusion*, Table 1-1 (figures from
memory; single teeth differ by 0.4–0.6 mm SD).
"""

PRIMARY_SIZES_MM: dict[str, NDArray[np.float64]] = {
    "upper": np.array(
        [[6.0, 6.5, 5.0], [5.6, 5.1, 4.0], [6.5, 7.0, 7.0], [5.1, 7.3, 8.5], [5.7, 8.5, 10.0]]
    ),
    "lower": np.array(
        [[5.0, 4.2, 4.0], [5.2, 4.1, 4.0], [6.0, 5.9, 4.8], [6.0, 7.9, 7.0], [5.5, 10.0, 8.7]]
    ),
}
"""The same of primary teeth 1–5: lengths, faciolingual diameters and widths of incisors as in
Wheeler's table of the primary teeth, widths of canines and molars means of common tables; from
memory."""

TO_PRIMARY = 40
"""What ISO 3950 adds to the number of a permanent tooth for the primary one in its place."""
FIRST_PRIMARY = 50
"""Numbers of primary teeth are larger than this."""

HEIGHT_SHARES: dict[str, dict[str, tuple[float, ...]]] = {
    "facial": {
        "upper": (0.97, 0.97, 0.97, 1.0, 1.0, 1.05, 1.05, 1.05),
        "lower": (1.0, 1.0, 0.98, 1.0, 1.0, 1.0, 1.0, 1.0),
    },
    "lingual": {
        "upper": (0.83, 0.83, 0.93, 1.0, 1.0, 1.0, 1.0, 1.0),
        "lower": (0.90, 0.90, 0.96, 1.03, 1.05, 1.15, 1.15, 1.15),
    },
}
"""Height along the occlusal axis over crown length, teeth 1–8: follows from how crowns lean
and how thick they are at the neck; chosen here."""


def permanent_row(arch: str) -> NDArray[np.int64]:
    """ISO 3950 numbers of a full permanent arch from the patient's right to the left, (16,)."""
    right, left = (10, 20) if arch == "upper" else (40, 30)
    return np.array([right + t for t in range(8, 0, -1)] + [left + t for t in range(1, 9)])


def row_numbers(arch: str) -> NDArray[np.int64]:
    """ISO 3950 numbers of the teeth told apart, (26,).

    The permanent row, then the primary one in the same order.
    """
    row = permanent_row(arch)
    return np.concatenate([row, row[row % 10 <= 5] + TO_PRIMARY])


def row_sizes(arch: str) -> NDArray[np.float64]:
    """Average length, mesiodistal, faciolingual diameter in the same order, (26, 3) mm."""
    half, primary = CROWN_SIZES_MM[arch], PRIMARY_SIZES_MM[arch]
    return np.concatenate([half[::-1], half, primary[::-1], primary])


def permanent(number: int) -> int:
    """Return the number of the permanent tooth in a tooth's place (``number`` itself of one)."""
    return number - TO_PRIMARY if number > FIRST_PRIMARY else number


def between(one: int, two: int) -> tuple[int, ...]:
    """ISO 3950 numbers of the teeth that belong between two, from the patient's right to the left.

    Between primary teeth they are primary, elsewhere permanent.
    """
    order = permanent_row(arch_of(one)).tolist()
    own = order[order.index(permanent(one)) + 1 : order.index(permanent(two))]
    return tuple(n + TO_PRIMARY for n in own) if min(one, two) > FIRST_PRIMARY else tuple(own)


def arch_of(number: int) -> str:
    """``upper`` or ``lower``, from an ISO 3950 number."""
    return "upper" if permanent(number) < 30 else "lower"


def sextant_of(number: int) -> str:
    """ISO 3950 sextant (03–08) of a permanent or primary tooth.

    Raises
    ------
    ValueError
        When ``number`` is no tooth.
    """
    quadrant, tooth = divmod(permanent(number), 10)
    most = 5 if number > FIRST_PRIMARY else 8
    if not (1 <= quadrant <= 4 and 1 <= tooth <= most):
        raise ValueError(f"{number} is no tooth in ISO 3950")
    if quadrant <= 2:
        return "04" if tooth <= 3 else ("03" if quadrant == 1 else "05")
    return "07" if tooth <= 3 else ("06" if quadrant == 3 else "08")


def height_shares(numbers: NDArray[np.int64], side: str) -> Array:
    """Height of crowns along the occlusal axis as a share of their length, (k,).

    Crowns lean (Andrews 1972, "The six keys to normal occlusion": incisors to the lips, lower
    back teeth to the tongue), so one margin lies nearer to the occlusal plane than the other.
    """
    shares = HEIGHT_SHARES[side]
    return np.array([shares[arch_of(n)][n % 10 - 1] for n in numbers.tolist()])
