"""Numbers of primary teeth and of those that come for them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.crowns import FIRST_PRIMARY, TO_PRIMARY
from geometry.dentition.row.usual import INCISORS, PLACES

Array = NDArray[np.float64]


def changed(numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which teeth are canines or premolars, or the primary ones in their places, (k,)."""
    place = numbers % 10
    return np.asarray((place > INCISORS) & (place <= PLACES))


def numbered(numbers: NDArray[np.int64], primary: Array) -> NDArray[np.int64]:
    """ISO 3950 numbers (k,) where ``primary`` (k,) tells the log odds of a primary tooth."""
    plain = np.where(numbers > FIRST_PRIMARY, numbers - TO_PRIMARY, numbers)
    told = np.where(primary > 0.0, plain + TO_PRIMARY, plain)
    return np.where(np.isnan(primary), numbers, told)


def children(
    numbers: NDArray[np.int64], dearer: Array, lead: Array
) -> tuple[NDArray[np.int64], Array]:
    """Number the teeth of a primary row, of which incisors may have changed.

    Of those that may as well be the other tooth the leads (k,) are lessened.

    ``numbers`` (k,) are those of the permanent teeth in their places, ``dearer`` (k,) says how
    much dearer each is as the primary tooth than as the permanent one.
    """
    place, dearer, either = numbers % 10, dearer.copy(), numbers % 10 <= INCISORS
    # Both centrals are exchanged within months of each other, and both laterals are.
    for k in range(1, INCISORS + 1):
        dearer[place == k] = dearer[place == k].sum()
    primary = changed(numbers) | either & (dearer <= 0.0)
    lead = np.where(either, np.minimum(lead, np.abs(dearer)), lead)
    return numbers + TO_PRIMARY * primary, lead
