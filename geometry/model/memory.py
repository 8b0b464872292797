"""Give freed memory back to the system between the large steps of a preparation.

The arrays of a fine scan are freed in another order than they were made. glibc keeps such
holes for itself, and new arrays seldom fit them: half of what a process holds is then free.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable


def _trimmer() -> Callable[[int], int] | None:
    try:
        found: Callable[[int], int] = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # another C library, another system
        return None
    return found


_TRIM = _trimmer()


def give_back() -> None:
    """Hand what was freed back to the system where its C library can; takes milliseconds."""
    if _TRIM is not None:
        _TRIM(0)
