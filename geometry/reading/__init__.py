"""Mesh files in, one exactly welded mesh out."""

from geometry.reading.limits import ReadLimits
from geometry.reading.read import read_mesh
from geometry.reading.scan_file import ScanFile
from geometry.reading.units import UNIT_IN_MM, UNIT_WORDS, guess_unit
from geometry.reading.warm import warm
from geometry.reading.weld import weld_corners, weld_indexed
from geometry.reading.write import write_stl

__all__ = [
    "UNIT_IN_MM",
    "UNIT_WORDS",
    "ReadLimits",
    "ScanFile",
    "guess_unit",
    "read_mesh",
    "warm",
    "weld_corners",
    "weld_indexed",
    "write_stl",
]
