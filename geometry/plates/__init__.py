"""Printer's plates: models nested by their true footprints, written as 3MF or STL.

``nest`` places models; ``arrange`` takes placements that a person made and tells what is
in conflict, ``move_apart`` mends it; ``draw`` shows the plate from above; ``write_threemf``
writes any named solids as 3MF.
"""

from geometry.plates.arranging import arrange, move_apart
from geometry.plates.layout import Item, Layout, Placement
from geometry.plates.nesting import nest
from geometry.plates.outline import footprint
from geometry.plates.picture import draw
from geometry.plates.threemf import Part, write_threemf
from geometry.plates.warm import warm

__all__ = [
    "Item",
    "Layout",
    "Part",
    "Placement",
    "arrange",
    "draw",
    "footprint",
    "move_apart",
    "nest",
    "warm",
    "write_threemf",
]
