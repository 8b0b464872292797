"""The result of an inspection."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.dentition import Dentition
from geometry.frame import Frame
from geometry.inspection.findings.finding import Finding
from geometry.inspection.pictures import picture as pictures
from geometry.inspection.pictures import view
from geometry.mesh import Mesh
from geometry.reading import ScanFile
from geometry.topology import Topology
from geometry.topology.adjacency import vertex_normals
from geometry.undercut import Undercut


@dataclass(frozen=True)
class Inspection:
    """What was measured on a scan, and what it means.

    Attributes
    ----------
    report : dict
        JSON-ready; the keys of the design. What could not be measured is null.
    findings : tuple of Finding
        Gravest first.
    mesh : Mesh
        As read, mm.
    scan : ScanFile
    topology : Topology
    frame : Frame or None
        None when no arch was recognised.
    dentition : Dentition or None
    undercut : Undercut or None
        Of ``topology.main``.
    """

    report: dict[str, Any]
    findings: tuple[Finding, ...]
    mesh: Mesh
    scan: ScanFile
    topology: Topology
    frame: Frame | None
    dentition: Dentition | None
    undercut: Undercut | None

    @cached_property
    def _depth(self) -> NDArray[np.float64]:
        """Undercut depth at each vertex of the whole file."""
        depth = np.zeros(len(self.mesh.vertices))
        if self.undercut is not None:
            np.maximum.at(depth, self.topology.vertex_map, self.undercut.depth_mm)
        return depth

    @cached_property
    def _whole(self) -> Mesh:
        """The file's mesh with the main piece wound alike, so that shading is right."""
        faces = self.mesh.faces.copy()
        faces[self.topology.face_map] = self.topology.vertex_map[self.topology.main.faces]
        return Mesh(self.mesh.vertices, faces)

    def overlays(self) -> dict[str, Any]:
        """Return lines and axes for the viewer, in file coordinates (mm).

        ``frame`` holds origin, right, anterior and occlusal; ``lines`` a list of
        ``{layer, kind, closed, points, normals}``.
        """
        main, normals = self.topology.main, self.topology.vertex_normals * self._outward
        lines = [view.loop_line("holes", hole, main, normals) for hole in self.topology.holes]
        if self.topology.border is not None:
            lines.append(view.loop_line("border", self.topology.border, main, normals, 1500))
        lines += self._margin_lines(normals)
        return {"frame": self.report["frame"], "lines": lines}

    def _margin_lines(self, normals: NDArray[np.float64]) -> list[dict[str, Any]]:
        """Return the gum line of each tooth and side, marked where gum is short."""
        if self.dentition is None:
            return []
        tree = cKDTree(self.topology.main.vertices)
        lines = []
        for tooth in self.dentition.teeth:
            for side in ("facial", "lingual"):
                place = tooth.side(side)
                if len(place.margin) < 2:
                    continue
                short = place.captured_mm < self.dentition.short_limit_mm
                _, near = tree.query(place.margin)
                lines.append(
                    view.line(
                        "margin",
                        "short" if short else "margin",
                        place.margin,
                        closed=False,
                        normals=normals[near],
                    )
                )
        return lines

    def view_glb(self) -> bytes:
        """Return a light copy of the mesh (glTF 2.0, at most 1.5 MB) with ``_UNDERCUT``, mm."""
        return view.glb(self._whole, self._depth)

    def picture(self, width: int, height: int) -> bytes:
        """Return a PNG with the findings marked by their numbers (1 is the first finding)."""
        whole = self._whole
        axes = (
            np.eye(3)
            if self.frame is None
            else np.stack([self.frame.right, self.frame.anterior, self.frame.occlusal])
        )
        scene = pictures.Scene(
            whole,
            vertex_normals(whole),
            self._depth,
            self._outward,
            axes,
            known_side=self.frame is not None and self.frame.sides_known,
        )
        title = f"{self.report['verdict'].upper()}. {self.report['explanation']}"
        return pictures.still(scene, self.findings, self.overlays()["lines"], title, width, height)

    @property
    def _outward(self) -> int:
        return 1 if self.undercut is None else self.undercut.lattice.outward
