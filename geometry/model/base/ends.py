"""Cut a scan off along upright planes where its border cannot be closed otherwise.

A scan that ends in the middle of a crown has a border that runs up and down over it. What an
upright plane leaves of the surface is a line in that plane, under which a plane wall can stand
without touching anything.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.model.base.borders import taken_spots
from geometry.model.base.cutting import cut_surface
from geometry.model.surface.halfedges import Faces, corners_at, face_areas
from geometry.model.surface.mending import Spot
from geometry.model.surface.skin import Skin, tails
from geometry.topology import analyse

Array = NDArray[np.float64]

DIRECTIONS = 36
CLUSTER = 7.0
"""Places nearer to each other, mm, are cut off by one plane."""
BEHIND = 0.3
"""How far inside the worst place a plane stands, mm."""
FARTHEST = 11.0
"""Nothing farther from the middle of the places is cut off, mm."""
ON_PLANE = 1e-6


def cut_end(skin: Skin, places: Array, attempt: int) -> tuple[Skin, Array, list[Spot]] | None:
    """Cut the surface off inside places at one end of its border.

    Parameters
    ----------
    skin : Skin
        Open surface in model axes.
    places : (k, 3) float64
        Where its border could not be closed; see :func:`ends_of`.
    attempt : int
        Grows how far inside them is cut.

    Returns
    -------
    skin : Skin
    plane : (3,) float64
        Unit normal in plan, away from what is left, and offset of the plane used.
    spots : list of Spot
        Where it was cut.

    None where no plane cuts the places off.
    """
    found = _least(skin, places, BEHIND * (1 + attempt))
    if found is None:
        return None
    plane, gone = found
    beyond = skin.vertices[:, :2] @ plane[:2] - plane[2]
    field = np.where(gone, -beyond, np.abs(beyond))
    field[~gone & (beyond > 0.0)] = 1.0
    field[np.abs(field) < 1e-9] = 0.0
    v, f, _, parent = cut_surface(skin.vertices, skin.faces, field)
    if not len(f):
        return None
    topology = analyse(Mesh(v, f), self_intersections=False)
    loose = np.ones(len(f), dtype=bool)
    loose[topology.face_map] = False
    spots = taken_spots(np.concatenate((skin.vertices[gone], v[f[loose]].mean(axis=1))))
    kind = skin.kind[parent][topology.face_map]
    rest = Skin(topology.main.vertices, topology.main.faces, kind, topology.opposite)
    return rest, plane, spots


def ends_of(places: Array) -> list[Array]:
    """Part places (k, 3) by the ends of a surface that they lie at."""
    if len(places) < 2:
        return [places]
    label = fcluster(linkage(places[:, :2], "single"), CLUSTER, "distance")
    return [places[label == k] for k in np.unique(label)]


@njit(cache=True, nogil=True)
def _hanging(
    faces: Faces,
    corners: tuple[NDArray[np.int64], NDArray[np.int32]],
    ends: NDArray[np.int64],
    beyond: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Mark which vertices ``beyond`` hang together with one of the ``ends``."""
    start, member = corners
    out = np.zeros(len(beyond), dtype=np.bool_)
    waiting = np.empty(len(beyond), dtype=np.int64)
    count = 0
    for vertex in ends:
        if beyond[vertex] and not out[vertex]:
            out[vertex] = True
            waiting[count] = vertex
            count += 1
    while count:
        count -= 1
        vertex = waiting[count]
        for n in range(start[vertex], start[vertex + 1]):
            for k in range(3):
                other = faces[member[n] // 3, k]
                if beyond[other] and not out[other]:
                    out[other] = True
                    waiting[count] = other
                    count += 1
    return out


def _least(skin: Skin, places: Array, behind: float) -> tuple[Array, NDArray[np.bool_]] | None:
    """Find the plane that cuts least off, and the vertices beyond it."""
    middle = places[:, :2].mean(axis=0)
    plan = skin.vertices[:, :2]
    away = np.hypot(*(plan - middle).T)
    local = np.flatnonzero(away < FARTHEST + 2.0)
    rank = np.full(len(plan), -1, dtype=np.int64)
    rank[local] = np.arange(len(local))
    near = skin.faces[(rank[skin.faces] >= 0).all(axis=1)]
    area = face_areas(skin.vertices, near)
    faces = rank[near].astype(np.int32)
    edge = np.unique(tails(skin, np.flatnonzero(skin.opposite < 0)))
    edge = rank[edge[rank[edge] >= 0]]
    if not len(edge):
        return None
    tree = cKDTree(skin.vertices[local[edge]])
    ends = edge[np.unique(tree.query(places)[1])]
    corners = corners_at(faces, len(local))
    best = None
    for turn in np.arange(DIRECTIONS) * (2.0 * np.pi / DIRECTIONS):
        normal = np.array([np.cos(turn), np.sin(turn)])
        offset = float((places[:, :2] @ normal).min()) - behind
        offset = min(offset, float((plan[local[ends]] @ normal).min()) - 1e-3)
        beyond = plan[local] @ normal > offset
        mine = _hanging(faces, corners, ends, beyond)
        if away[local[mine]].max() > FARTHEST:
            continue
        lost = float(area[mine[faces].any(axis=1)].sum())
        if best is None or lost < best[0]:
            best = lost, np.append(normal, offset), local[mine]
    if best is None:
        return None
    gone = np.zeros(len(plan), dtype=bool)
    gone[best[2]] = True
    return best[1], gone


def on_planes(points: Array, planes: Array) -> NDArray[np.bool_]:
    """Tell for each plane (p, 3) which of the points (n, 2 or 3) lie in it."""
    return np.asarray(np.abs(planes[:, :2] @ points[:, :2].T - planes[:, 2:]) < ON_PLANE)
