"""The garbage collector of a process that answers requests."""

from __future__ import annotations

import gc

__all__ = ["settle"]

YOUNG, MIDDLE, OLD = 20_000, 20, 50


def settle() -> None:
    """Keep what is loaded by now out of the collector's way and let it come less often.

    A page makes and drops some ten thousand objects; by Python's own thresholds each page
    starts several collections, which walk all code and templates again: a seventh of the
    time of the front desk's page.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG, MIDDLE, OLD)
