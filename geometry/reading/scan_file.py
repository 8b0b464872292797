"""What reading a mesh file yields."""

from __future__ import annotations

from dataclasses import dataclass

from geometry.mesh import Mesh


@dataclass(frozen=True, slots=True)
class ScanFile:
    """A mesh file, read and welded.

    Attributes
    ----------
    name : str
        Base name as the person gave it, without control characters.
    format : str
        ``stl-binary``, ``stl-ascii``, ``ply-ascii``, ``ply-binary-le``,
        ``ply-binary-be`` or ``obj``.
    size : int
        Bytes.
    sha256 : str
        Hexadecimal digest of the bytes.
    units : str
        Unit of the file's coordinates: ``mm``, ``cm``, ``m`` or ``in``.
    units_assumed : bool
        True when nobody stated the unit and it was taken from the size.
    scale_mm : float
        Millimetres per unit; already applied to ``mesh``.
    triangles_read : int
        Triangles after polygons were cut into triangles, nothing dropped.
    mesh : Mesh
        Equal corners share one vertex; unused vertices are gone.
    """

    name: str
    format: str
    size: int
    sha256: str
    units: str
    units_assumed: bool
    scale_mm: float
    triangles_read: int
    mesh: Mesh
