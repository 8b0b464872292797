"""Compile everything a preparation needs, before somebody waits for it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from geometry.mesh import Mesh
from geometry.model.base.borders import step_back
from geometry.model.base.ends import cut_end
from geometry.model.base.healing import heal
from geometry.model.base.losses import cost, gone
from geometry.model.bodies.cubes import zero_surface
from geometry.model.making import Known, build
from geometry.model.settings import ModelSettings
from geometry.model.surface.distances import distance_to_surface
from geometry.model.surface.kinds import SCAN
from geometry.model.surface.mending import mend_crossings, mend_handles
from geometry.model.surface.skin import loops_of, skin_of, tails
from geometry.model.undercuts.ledges import faces_across
from geometry.topology import analyse


def warm() -> None:
    """Prepare a small made-up body with everything switched on."""
    body = _ledge()
    frame = SimpleNamespace(
        origin=np.zeros(3),
        right=np.array([1.0, 0.0, 0.0]),
        anterior=np.array([0.0, -1.0, 0.0]),
        occlusal=np.array([0.0, 0.0, 1.0]),
    )
    topology = analyse(body, self_intersections=False)
    known = Known(topology, frame, None, heal(topology))
    build(known, ModelSettings(height=9.0, text="AB12", hollow=1.5), 0.3)
    distance_to_surface(body.vertices[:5], body)
    faces_across(body.vertices, body.faces, np.zeros(3), np.array([1.0, 0.0]), 1.0, 0.0)
    block = skin_of(body, np.full(len(body.faces), SCAN, dtype=np.int8))
    rim = tails(block, loops_of(block)[0])[:1]
    cut_end(block, block.vertices[rim], 0)
    rest, _ = step_back(block, block.vertices[rim], np.full(1, 2.0))
    cost(rest, gone(block, rest, SCAN))
    ring = _ring()
    kind = np.full(len(ring.faces), SCAN, dtype=np.int8)
    mend_handles(skin_of(ring, kind), patch=3, own=SCAN)
    folded = ring.vertices.copy()
    folded[int(np.argmax(folded[:, 0]))] -= (40.0, 0.0, 0.0)
    mend_crossings(skin_of(Mesh(folded, ring.faces), kind), patch=3)


def _ledge() -> Mesh:
    """An open block with a ledge over an undercut and a bar's worth of base."""
    g = np.mgrid[0:70, 0:60, 0:26].astype(np.float32)
    x, y, z = np.abs(g[0] - 35.2), np.abs(g[1] - 30.2), g[2] - 2.3
    half = np.where(z > 14.0, 30.0, 24.0)
    field = np.minimum(np.minimum(half - x, half - 6.0 - y), 20.0 - z)
    field[:, :, 0] = -1.0
    for axis in (0, 1):
        np.moveaxis(field, axis, 0)[[0, -1]] = -1.0
    field[:, :, -1] = -1.0
    vertices, faces = zero_surface(np.clip(field, -1.0, 1.0).astype(np.float32))
    vertices *= 0.5
    open_faces = faces[vertices[faces, 2].min(axis=1) > 2.0]
    return Mesh(vertices, np.ascontiguousarray(open_faces))


def _ring() -> Mesh:
    g = np.mgrid[0:30, 0:30, 0:12].astype(np.float32)
    tube = np.hypot(np.hypot(g[0] - 14.6, g[1] - 14.6) - 8.0, g[2] - 5.6)
    return Mesh(*zero_surface((3.0 - tube).astype(np.float32)))
