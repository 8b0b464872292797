"""How much risk may be added to promises, and how well a share of futures is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from production.planning.kernel.future import Floats

__all__ = ["Flags", "allowed_risk", "pushed_past", "standard_error"]

Flags = NDArray[np.bool_]

ALREADY_LATE_TOLERANCE = 0.05
SURELY = 1.5  # standard errors


def allowed_risk(before: Any, limit: float) -> Any:
    """Return the risk up to which new work may push promises that stand at ``before``."""
    return np.where(np.asarray(before) <= limit, limit, before + ALREADY_LATE_TOLERANCE)


def standard_error(share: Floats, samples: int) -> Floats:
    """Return the standard error of a share of futures, one of them at the least."""
    error: Floats = np.sqrt(np.maximum(share * (1.0 - share), 1.0 / samples) / samples)
    return error


def pushed_past(before: Flags, after: Flags, limit: float) -> Flags:
    """Tell which promises (K,) new work pushes past what is allowed.

    ``before`` and ``after`` (S, K): whether each is late, without and with the new work, in
    the same futures. The push must stand out from chance: of a hundred promises near the
    limit some always seem to cross it in a few hundred futures, and no time would be left
    to offer.
    """
    share, now = before.mean(axis=0), after.mean(axis=0)
    worse = now - share
    allowed = allowed_risk(share, limit)
    varied = np.maximum((before != after).mean(axis=0) - worse**2, 1.0 / len(before))
    free = np.where(share <= limit, 0.0, ALREADY_LATE_TOLERANCE)
    found: Flags = (now > allowed) & (worse - free > SURELY * np.sqrt(varied / len(before)))
    return found
