"""Which canines and premolars are primary teeth, by their widths and by where their crowns end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.primary import numbered
from geometry.dentition.row.rows import SURE_LEAD, Row

Array = NDArray[np.float64]

MIXED_ODDS = 6.0
"""Where widths and lengths of a permanent row speak so much for primary teeth, it is a mixed one.
Of sixty permanent rows none came to more than 3.6, of thirty mixed ones of four generators, lone
retained canines apart, none to less than 8.9. Chosen here."""


def told_apart(row: Row, odds: Array) -> Row:
    """Number primary teeth among permanent ones, and doubt what may be either.

    Parameters
    ----------
    row : Row
    odds : (k,) float64
        Log odds of a primary tooth by where its crown ends; NaN where they are not asked for.
    """
    primary = row.primary + odds
    both = _of_pairs(row.numbers, primary)
    if not row.mixed and np.fmax(primary, 0.0)[~np.isnan(primary)].sum() < MIXED_ODDS:
        # A primary tooth that was kept is rare: it is thought of, not believed.
        kept = (primary > SURE_LEAD) | (both > 0.0)
        return replace(row, lead=np.where(kept, 0.0, row.lead))
    # Both change within months of each other: one of two told otherwise is misread as often as not.
    unlike = primary * (both - primary) < 0.0
    weak = np.minimum(np.abs(primary), np.abs(both - primary)) < SURE_LEAD
    primary = np.where(unlike & weak, both, primary)
    return replace(
        row,
        numbers=numbered(row.numbers, primary),
        lead=np.where(unlike, 0.0, row.lead),
        primary=primary,
        mixed=True,
    )


def _of_pairs(numbers: NDArray[np.int64], primary: Array) -> Array:
    """Log odds (k,) of each tooth and the same of the other side together."""
    place, right = numbers % 10, np.isin(numbers // 10, (1, 4, 5, 8))
    own = np.where(np.isnan(primary), 0.0, primary)
    same = (place[:, None] == place) & (right[:, None] != right)
    return np.where(np.isnan(primary), np.nan, own + same @ own)
