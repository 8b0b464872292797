"""Scans that no model is made of, told by what is seen of them at once.

What would take long to mend, or could only be guessed, is refused before anything is tried.
"""

from __future__ import annotations

import numpy as np

from geometry.axes import ArchAxes
from geometry.errors import GeometryError
from geometry.sampling.calm import JAGGED_FROM, roughness
from geometry.topology import Topology

SECOND_PIECE = 0.25
"""Of the largest piece's area; a piece larger than this is no scrap."""
LEAST_HEIGHT = 3.0
"""mm. Primary lower incisors, the shortest crowns, are 5 mm high (Wheeler's table, from memory)."""


def refuse_pieces(topology: Topology) -> None:
    """Refuse a scan in two large pieces; where one stands to the other nobody knows."""
    if not topology.islands:
        return
    tri = topology.main.triangles
    area = (
        0.5 * np.linalg.norm(np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]), axis=1).sum()
    )
    second = topology.islands[0]
    if second.area_mm2 > SECOND_PIECE * area:
        x, y, z = second.centre
        raise GeometryError(
            f"the scan comes in two large pieces, the second around ({x:.0f}, {y:.0f}, {z:.0f}) "
            "mm; rescan the stretch between them, or prepare each piece as its own file"
        )


def refuse_spikes(topology: Topology) -> None:
    """Refuse a surface full of spikes: mending takes long, and what is left is no mouth."""
    share = roughness(topology).jagged
    if share > JAGGED_FROM:
        raise GeometryError(
            f"{100.0 * share:.0f} % of the scan's points stand out of its surface as spikes; wipe"
            " the scanner's window, dry the teeth and rescan, or export the scan again"
        )


def refuse_flat(topology: Topology, frame: ArchAxes) -> None:
    """Refuse a surface that is too low to be teeth and gum; mending its folds takes long."""
    along = topology.main.vertices @ np.asarray(frame.occlusal, dtype=np.float64)
    if np.ptp(along) < LEAST_HEIGHT:
        raise GeometryError(
            f"the scan is {np.ptp(along):.1f} mm high from gum to biting edges, where a crown alone"
            " has more; check that no side was scaled when it was exported, or rescan"
        )
