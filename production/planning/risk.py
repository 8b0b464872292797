"""How much risk may be added to promises, and how well a share of futures is known."""

from __future__ import annotations

from typing import Any

import numpy as np

from production.planning.future import Floats

__all__ = ["allowed_risk", "standard_error"]

ALREADY_LATE_TOLERANCE = 0.05


def allowed_risk(before: Any, limit: float) -> Any:
    """Return the risk up to which new work may push promises that stand at ``before``."""
    return np.where(np.asarray(before) <= limit, limit, before + ALREADY_LATE_TOLERANCE)


def standard_error(share: Floats, samples: int) -> Floats:
    """Return the standard error of a share of futures, one of them at the least."""
    error: Floats = np.sqrt(np.maximum(share * (1.0 - share), 1.0 / samples) / samples)
    return error
