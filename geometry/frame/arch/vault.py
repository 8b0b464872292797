"""What lies between the back teeth: a palate, a tongue, a flat filling, or nothing.

A palate falls away from the teeth to a vault in the middle. A tongue that was scanned with
a lower arch stands up to the biting surfaces; and what software closes the inside of a
horseshoe with is flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.relief import Relief

COVERED = 0.6
"""Share of the space from which it has a surface at all."""

HOLLOW_MM = 0.8
"""A palate lies at least this much deeper in the middle than beside the back teeth (generated
palates 1.5 to 4.5 mm); a flat filling at most half of it."""

TONGUE_MM = 6.0
"""No palate comes this near to the biting surfaces between the back teeth (generated ones stay
15 mm away, shallow ones in the literature about 10; from memory)."""

MIDDLE_MM, BESIDE_MM = 2.0, (9.0, 12.0)


@dataclass(frozen=True, slots=True)
class Vault:
    """The surface between the back teeth.

    Attributes
    ----------
    share : float
        Share of the space, 0 to 1, that has a surface.
    depth_mm : float
        How far the middle lies below the occlusal plane; nan where nothing is seen.
    hollow_mm : float
        How much deeper the middle lies than the sides; nan where either is not seen.
    """

    share: float
    depth_mm: float
    hollow_mm: float

    @property
    def covered(self) -> bool:
        """Whether there is a surface."""
        return self.share > COVERED

    @property
    def palate(self) -> bool:
        """Whether it is a palate."""
        return self.covered and self.depth_mm > TONGUE_MM and self.hollow_mm > HOLLOW_MM

    @property
    def tongue(self) -> bool:
        """Whether it stands as high as only a tongue does."""
        return self.covered and self.depth_mm < TONGUE_MM


def look_between(relief: Relief, level: float, form: RowCurve) -> Vault:
    """Return what lies inside the arch between the back teeth.

    Parameters
    ----------
    relief : Relief
        The scan from above.
    level : float
        Height of the occlusal plane in it, mm.
    form : RowCurve
    """
    # Rows across the arch from two fifths of its depth to four fifths.
    y = -form.depth_mm * np.linspace(0.4, 0.8, 12)
    x = np.linspace(-12.0, 12.0, 25)
    grid = form.from_arch(np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2))
    height = _heights_at(relief, grid).reshape(x.size, y.size) - level
    inner = np.abs(x) <= 6.0
    share = float(np.isfinite(height[inner]).mean())
    middle = _median(height[np.abs(x) <= MIDDLE_MM])
    beside = _median(height[(np.abs(x) >= BESIDE_MM[0]) & (np.abs(x) <= BESIDE_MM[1])])
    return Vault(share, -middle, beside - middle)


def _heights_at(relief: Relief, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the heights (n,) at places (n, 2) of a relief; nan where nothing was hit."""
    columns = np.round((places[:, 0] - relief.x0) / relief.cell).astype(int)
    rows = np.round((places[:, 1] - relief.y0) / relief.cell).astype(int)
    inside = (
        (rows >= 0) & (columns >= 0) & (rows < relief.z.shape[0]) & (columns < relief.z.shape[1])
    )
    rows, columns = rows[inside], columns[inside]
    found = np.full(places.shape[0], np.nan)
    found[inside] = np.where(relief.index[rows, columns] >= 0, relief.z[rows, columns], np.nan)
    return found


def _median(values: NDArray[np.float64]) -> float:
    seen = values[np.isfinite(values)]
    return float(np.median(seen)) if seen.size else float("nan")
