"""Where a face of a model comes from, as ``kind`` says of each."""

SCAN, WALL, BASE, FILL, FLOOR = 0, 1, 2, 3, 4
"""The scan itself, a wall under its border, the base, a filled hole or healed place, and the
underside."""
