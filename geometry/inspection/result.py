"""The result of an inspection."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geometry.frame import Frame
from geometry.inspection.findings import Finding
from geometry.mesh import Mesh
from geometry.reading import ScanFile
from geometry.topology import Topology


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
    """

    report: dict[str, Any]
    findings: tuple[Finding, ...]
    mesh: Mesh
    scan: ScanFile
    topology: Topology
    frame: Frame | None
