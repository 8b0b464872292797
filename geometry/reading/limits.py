"""How large a mesh file may be before it is refused."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Bounds that keep one upload from exhausting the worker.

    Attributes
    ----------
    max_bytes : int
        An intraoral scan of a million triangles is 50 MB as binary STL and about
        250 MB as text; common practice, no source.
    max_triangles : int
    max_coordinate : float
        Largest absolute coordinate in the file's own unit. Beyond it float32
        cannot hold a tenth of a millimetre, so the shape is not there any more.
    """

    max_bytes: int = 400 * 1024 * 1024
    max_triangles: int = 4_000_000
    max_coordinate: float = 1.0e6


DEFAULT_READ_LIMITS = ReadLimits()
