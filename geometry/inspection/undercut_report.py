"""The undercut of an arch: measured, placed by sextant and side, and put into words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geometry.frame import Frame
from geometry.inspection.findings.finding import NOTE, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import SEXTANTS, Placer, sextant_words, side_words
from geometry.mesh import Mesh
from geometry.undercut import GAUGES_MM, BestDirection, Undercut, best_direction, measure

# Height of an ideal model from the incisal edges to its base: common practice.
MODEL_HEIGHT_MM = 15.0
_SIDES = ("facial", "lingual")
# So many places beside the deepest are named.
_NAMED = 3


@dataclass(frozen=True, slots=True)
class ArchUndercut:
    """Undercut of an arch along the occlusal axis, and the direction with least of it."""

    along: Undercut
    best: BestDirection
    base_below_mm: float


def measure_arch(mesh: Mesh, frame: Frame, fine: Mesh | None = None) -> ArchUndercut:
    """Measure above a base plane parallel to the occlusal plane.

    ``fine`` is a coarser copy, see ``best_direction``.

    The base lies 15 mm below the highest biting surface, where an ideal model is cut,
    or at the lowest point of a shorter scan.
    """
    heights = (mesh.vertices - frame.origin) @ frame.occlusal
    base = max(float(heights.max()) - MODEL_HEIGHT_MM, float(heights.min()))
    offset = base + float(frame.origin @ frame.occlusal)
    along = measure(mesh, frame.occlusal, offset)
    best = best_direction(mesh, frame.occlusal, offset, on_axis_mm3=along.volume_mm3, fine=fine)
    return ArchUndercut(along, best, -base)


def undercut_record(found: ArchUndercut, mesh: Mesh, placer: Placer) -> dict[str, Any]:
    """Return the undercut as the report shows it."""
    along, best = found.along, found.best
    places, volumes = along.void_places()
    sextants, facial = placer.many(places) if len(places) else (np.empty(0, int), np.empty(0, bool))
    deep = along.depth_mm > 0.0
    vertex_sextant, vertex_facial = placer.many(mesh.vertices[deep])
    label = np.full(len(mesh.vertices), 12, dtype=np.int64)
    label[deep] = np.where(
        vertex_sextant < 0, 12, 2 * vertex_sextant + np.where(vertex_facial, 0, 1)
    )
    areas = along.areas_by_gauge(mesh, label, 13)
    by_sextant: dict[str, Any] = {}
    for number, sextant in enumerate(SEXTANTS):
        here = sextants == number
        if not here.any() and not (label // 2 == number).any():
            continue
        by_sextant[sextant] = {}
        for side, name in enumerate(_SIDES):
            mine = here & (facial == (side == 0))
            depth = along.depth_mm[label == 2 * number + side]
            by_sextant[sextant][name] = {
                "volume_mm3": round(float(volumes[mine].sum()), 2),
                "max_depth_mm": round(float(depth.max(initial=0.0)), 3),
                "area_mm2": _by_gauge(areas[2 * number + side]),
            }
    return {
        "direction": [round(float(v), 6) for v in along.direction],
        "base_below_occlusal_mm": round(found.base_below_mm, 2),
        "volume_mm3": round(along.volume_mm3, 2),
        "max_depth_mm": round(along.max_depth_mm, 3),
        "area_mm2": _by_gauge(areas.sum(axis=0)),
        "by_sextant": by_sextant,
        "best_direction": [round(float(v), 6) for v in best.direction],
        "best_angle_deg": round(best.angle_deg, 2),
        "best_volume_mm3": round(best.volume_mm3, 2),
    }


def _by_gauge(areas: Any) -> dict[str, float]:
    return {
        f"{gauge:.2f}": round(float(area), 2) for gauge, area in zip(GAUGES_MM, areas, strict=True)
    }


def undercut_findings(
    found: ArchUndercut, mesh: Mesh, placer: Placer, limits: Limits
) -> list[Finding]:
    """Note once where the undercut is deeper than the deepest gauge, the deepest place first."""
    depth = found.along.depth_mm
    deep = np.flatnonzero(depth > limits.undercut_note_mm)
    if len(deep) == 0:
        return []
    sextants, facial = placer.many(mesh.vertices[deep])
    worst: dict[tuple[str | None, str], int] = {}
    for at, sextant, outside in zip(deep, sextants, facial, strict=True):
        place = SEXTANTS[sextant] if sextant >= 0 else None, _SIDES[0] if outside else _SIDES[1]
        if place not in worst or depth[at] > depth[worst[place]]:
            worst[place] = int(at)
    (place, first), *others = sorted(worst.items(), key=lambda each: -depth[each[1]])
    also = ""
    if place[0] is not None and others:
        named = others[: _NAMED if len(others) > _NAMED + 1 else len(others)]
        parts = [f"{_words(*other)} ({depth[at]:.1f} mm)" for other, at in named]
        more = f"; and {len(others) - len(named)} more parts" if len(others) > len(named) else ""
        also = f"; also {'; '.join(parts)}{more}"
    return [
        Finding(
            "undercut",
            NOTE,
            f"Undercut up to {depth[first]:.1f} mm deep, {_words(*place)}{also}. Plan block-out "
            "there; nothing to do at the chair.",
            float(depth[first]),
            limits.undercut_note_mm,
            "mm",
            *place,
            spot(mesh.vertices[first]),
        )
    ]


def _words(sextant: str | None, side: str) -> str:
    if sextant is None:
        return "where the picture shows it"
    return f"{sextant_words(sextant)}, {side_words(sextant, side)}"
