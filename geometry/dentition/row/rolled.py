"""A scan rolled out along its arch, and what the row of teeth on it costs to explain."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geometry.axes import ArchAxes, along_basis
from geometry.dentition.row.archline import STEP_MM, ArchLine, find_arch_line, project
from geometry.dentition.row.rows import Row, Signs, find_row, read_signs
from geometry.dentition.row.seams import find_seams
from geometry.dentition.row.sheets import STEP_S_MM, Sheets, roll_out
from geometry.dentition.row.spaces import shadow_map
from geometry.mesh import Mesh

Array = NDArray[np.float64]

NARROWEST_ARCH_MM = 30.0
ARCHES = ("upper", "lower")


@dataclass(frozen=True)
class Rolled:
    """One scan along its arch.

    Attributes
    ----------
    local : (n, 3) float64
        Vertices along (right, anterior, occlusal) from the frame's origin, mm.
    axes : (3, 3) float64
        Those axes as columns, file coordinates.
    faces : (m, 3) int32
        Wound outwards in these axes.
    wound : float
        +1 when they were so before, −1 when they were turned.
    line : ArchLine
    sn : (n, 2) float64
        Arc length and outward distance of every vertex, mm.
    sheets : Sheets
    """

    local: Array
    axes: Array
    faces: NDArray[np.int32]
    wound: float
    line: ArchLine
    sn: Array
    sheets: Sheets
    _rows: dict[str, Row] = field(default_factory=dict)

    @cached_property
    def shadow(self) -> Array:
        """The row of crowns from above, see :func:`geometry.dentition.row.spaces.shadow_map`."""
        height = np.ascontiguousarray(self.local[:, 2])
        return shadow_map(self.sn, height, self.faces, float(self.line.s[-1]))

    @cached_property
    def signs(self) -> Signs:
        """What speaks for boundaries and for crowns along the arch."""
        return read_signs(self.sheets, find_seams(self.shadow))

    def row(self, arch: str) -> Row:
        """The teeth of such an arch that explain the scan best."""
        if arch not in self._rows:
            self._rows[arch] = find_row(self.signs, arch, self.to_midline())
        return self._rows[arch]

    def to_midline(self) -> Array:
        """Way along the arch from each column of the sheets to the midline, mm.

        NaN for a short or straight row.
        """
        x, y = self.line.points.T
        at = float("nan")
        if float(np.ptp(x)) >= NARROWEST_ARCH_MM:
            front = np.where(y > np.median(y), np.abs(x), np.inf)
            at = float(self.line.s[int(np.argmin(front))])
        return at - STEP_S_MM * np.arange(len(self.sheets.top), dtype=np.float64)


def rolled(mesh: Mesh, frame: ArchAxes) -> Rolled:
    """Roll a scan out along its arch.

    Raises
    ------
    GeometryError
        When nothing reaches the occlusal plane over at least a few teeth.
    """
    axes = np.stack([frame.right, frame.anterior, frame.occlusal], axis=1)
    local = along_basis(mesh.vertices - frame.origin, np.ascontiguousarray(axes.T))
    line = find_arch_line(local)
    sn = project(line, local[:, :2])
    index = np.clip(np.round(sn[:, 0] / STEP_MM).astype(np.int64), 0, len(line.s) - 1)
    wound = winding_sign(local, mesh.faces)
    faces = np.ascontiguousarray(mesh.faces if wound > 0 else mesh.faces[:, ::-1])
    sheets = roll_out(local, faces, sn, index, line.outward, float(line.s[-1]))
    return Rolled(local, axes, faces, wound, line, sn, sheets)


def cheapest_row(scan: Rolled, arch: str) -> tuple[str, Row] | None:
    """Teeth of the arch; of the likelier arch when it is not known."""
    tries = (arch,) if arch in ARCHES else ARCHES
    rows = [(name, scan.row(name)) for name in tries]
    rows = [entry for entry in rows if len(entry[1].numbers)]
    return min(rows, key=lambda entry: entry[1].cost) if rows else None


def lower_over_upper(scan: Rolled) -> float:
    """How much dearer the row of teeth is to explain as a lower than as an upper one.

    Either way of right and left will do: both halves of a row have the same teeth.

    Returns
    -------
    float
        In units of a log-likelihood, see :func:`geometry.dentition.row.assign.lay_teeth`.
    """
    return scan.row("lower").cost - scan.row("upper").cost


def winding_sign(local: Array, faces: NDArray[np.int32]) -> float:
    """+1 when the faces are wound outwards in these axes, −1 when inwards.

    A scan is an open sheet: what it shows from above faces up, whatever hangs below.
    """
    t = local[faces[:: max(len(faces) // 20_000, 1)]]
    rise = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])[:, 2]
    height = t[:, :, 2].mean(axis=1)
    high = height > np.percentile(height, 60)
    return 1.0 if float(rise[high].sum()) >= 0 else -1.0
