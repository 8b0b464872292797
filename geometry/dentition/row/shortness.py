"""Whether teeth told to be canines and premolars are as short as the primary teeth in their places.

Primary canines and molars are but a tenth to a quarter broader or narrower than what comes for
them, and upper ones may pass for permanent teeth from above. Their crowns are far shorter: 5.1 to
6.5 mm, their successors' 8 to 11 (Nelson, *Wheeler's Dental Anatomy, Physiology and Occlusion*,
tables of both, from memory). Incisors and molars beside them tell how much of its crowns a mouth
shows.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.crowns import FIRST_PRIMARY, height_shares, row_numbers, row_sizes
from geometry.dentition.row.usual import INCISORS, PLACES

Array = NDArray[np.float64]

SHORT, FEWEST, CANINE = 0.8, 4, 3
"""Where half of their heights, and so many at the least, are shorter than this against the others,
they may be primary. By their truths none of a hundred permanent rows was below 0.85, mixed ones
were at 0.55 to 0.79. Chosen here."""


def as_short_as_primary(
    numbers: NDArray[np.int64], heights: Mapping[str, Array], arch: str
) -> NDArray[np.bool_]:
    """Which teeth (k,) are permanent by their number and may be primary by their height.

    Parameters
    ----------
    numbers : (k,) int64
    heights : side → (k,) float64
        From edge or cusp to the margin, mm; NaN where no margin was seen.
    arch : "upper" | "lower"
    """
    named, sizes = row_numbers(arch), row_sizes(arch)
    average = dict(zip(named.tolist(), sizes[:, 0].tolist(), strict=True))
    place, permanent = numbers % 10, numbers < FIRST_PRIMARY
    changed = permanent & (place > INCISORS) & (place <= PLACES)
    usual = np.array([average[n] for n in numbers.tolist()])
    shares = []
    for side, height in heights.items():
        share = height / (usual * height_shares(numbers, side))
        # Inside of front teeth a cingulum ends as clearly as a crown.
        shares.append(np.where((side == "lingual") & (place <= CANINE), np.nan, share))
    own, others = (np.stack(shares)[:, some] for some in (changed, permanent & ~changed))
    own, others = own[~np.isnan(own)], others[~np.isnan(others)]
    if min(len(own), len(others)) < FEWEST or np.median(own) >= SHORT * np.median(others):
        return np.zeros(len(numbers), dtype=np.bool_)
    return changed
