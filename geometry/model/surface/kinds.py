"""Where a face of a model comes from, as ``kind`` says of each."""

SCAN, WALL, BASE, FILL, FLOOR, STAND_IN = 0, 1, 2, 3, 4, 5
"""The scan itself, a wall under its border, the base, a filled hole or healed place, the
underside, and what stands for a part of the surface that is left aside for a while."""
