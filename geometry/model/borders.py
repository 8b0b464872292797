"""Cut a scan's border back where straight walls under it would cross the surface."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.model.cutting import cut_surface
from geometry.model.mending import Spot, joined_spots
from geometry.model.skin import Skin, loops_of, tails, without
from geometry.topology import analyse

Array = NDArray[np.float64]

SPACING = 0.2
STRAIGHT_ON = 3.0
WHOLE = 12.0
SNAP = 0.002
BORDER = "border"


def step_back(skin: Skin, places: Array, reach: Array) -> tuple[Skin, list[Spot]]:
    """Take away the faces within a reach (k,) of each of some places; also return where."""
    middles = skin.vertices[skin.faces].mean(axis=1)
    low, high = (places - reach[:, None]).min(axis=0), (places + reach[:, None]).max(axis=0)
    near = np.flatnonzero(((middles > low) & (middles < high)).all(axis=1))
    gone = np.zeros(len(skin.faces), dtype=bool)
    for size in np.unique(reach):
        away = cKDTree(places[reach == size]).query(middles[near], distance_upper_bound=size)[0]
        gone[near] |= np.isfinite(away)
    rest, _, lost = without(skin, gone)
    taken = np.concatenate((skin.vertices[skin.faces[gone]], lost))
    return rest, taken_spots(taken.mean(axis=1))


def taken_spots(points: Array) -> list[Spot]:
    """Join points (k, 3) of what was taken away at the border to places."""
    return joined_spots([Spot(BORDER, point, 0.3) for point in points])


def cut_back(skin: Skin, places: Array, trim: float, attempt: int) -> tuple[Skin, list[Spot]]:
    """Cut the border along smooth upright surfaces just inside it, near some places.

    A wall under such a border stands free of the surface, which lies on one side
    of it only.

    Parameters
    ----------
    skin : Skin
        Open surface in model axes.
    places : (k, 3) float64
        Where something was wrong.
    trim : float
        Border at this height or below needs no wall of its own shape.
    attempt : int
        Grows the stretch that is cut, and how deep.

    Returns
    -------
    The surface, and where it was cut.
    """
    field = np.full(len(skin.vertices), np.inf)
    tree = cKDTree(places)
    for half in loops_of(skin):
        line = tails(skin, half)
        points = skin.vertices[line]
        for chain, core, ends in _stretches(points, tree, trim, attempt):
            curve = _inside_curve(points[chain, :2], core, ends, attempt)
            _press(field, skin.mesh, line[chain], curve, 1.2 + 0.6 * attempt)
    field[np.isinf(field)] = 1.0
    field[np.abs(field) < SNAP] = 0.0
    if not (field < 0.0).any():
        return skin, []
    v, f, _, parent = cut_surface(skin.vertices, skin.faces, field)
    topology = analyse(Mesh(v, f), self_intersections=False)
    left = np.ones(len(f), dtype=bool)
    left[topology.face_map] = False
    taken = np.concatenate((skin.vertices[field < 0.0], v[f[left]].mean(axis=1)))
    main = topology.main
    kind = skin.kind[parent][topology.face_map]
    return Skin(main.vertices, main.faces, kind, topology.opposite), taken_spots(taken)


def _stretches(
    points: Array, tree: cKDTree, trim: float, attempt: int
) -> list[tuple[NDArray[np.int64], NDArray[np.bool_], list[bool]]]:
    """Find runs of a border loop around places, and which of their points are close."""
    above = points[:, 2] > trim
    far = tree.query(points)[0]
    close = above & (far < 0.8 + 0.4 * attempt)
    if not close.any():
        return []
    n = len(points)
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    window = WHOLE + 5.0 * attempt
    wide = close.copy()
    for start in np.flatnonzero(close):
        for way in (1, -1):
            gone, at = 0.0, int(start)
            while gone < window:
                gone += float(step[at if way > 0 else at - 1])
                at = (at + way) % n
                if not above[at] or (wide[at] and not close[at]):
                    break
                wide[at] = True
    if wide.all():
        wide[int(np.argmax(far))] = False
    first = int(np.flatnonzero(~wide)[0])
    order = (np.arange(n) + first) % n
    runs = []
    run: list[int] = []
    for i in [*order.tolist(), first]:
        if wide[i]:
            run.append(i)
        elif run:
            chain = np.asarray(run, dtype=np.int64)
            if len(chain) > 3:
                # A run that ends at the trim plane is cut whole, others run out.
                ends = [not above[(chain[0] - 1) % n], not above[(chain[-1] + 1) % n]]
                runs.append((chain, close[chain], ends))
            run = []
    return runs


def _inside_curve(plan: Array, core: NDArray[np.bool_], ends: list[bool], attempt: int) -> Array:
    """Return a smooth line in plan that has the core of a stretch on its right."""
    length = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(plan, axis=0), axis=1))))
    count = max(5, int(length[-1] / SPACING) + 1)
    t = np.linspace(0.0, length[-1], count)
    curve = np.column_stack([np.interp(t, length, plan[:, k]) for k in range(2)])
    reach = 0.8 + 0.7 * attempt
    for _ in range(round(4.0 * (reach / SPACING) ** 2)):
        curve[1:-1] += 0.5 * (0.5 * (curve[:-2] + curve[2:]) - curve[1:-1])
    tangent = np.gradient(curve, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    left = np.column_stack((-tangent[:, 1], tangent[:, 0]))
    near = cKDTree(curve).query(plan)[1]
    aside = ((plan - curve[near]) * left[near]).sum(axis=1)
    inward = max(float(aside[core | (np.array(ends).all())].max()), 0.0) + 0.05 + 0.1 * attempt
    weight = np.zeros(count)
    weight[np.unique(near[core])] = 1.0
    lo, hi = np.flatnonzero(weight)[[0, -1]]
    lo, hi = 0 if ends[0] else lo, count - 1 if ends[1] else hi
    place = np.arange(count)
    run = max(4.0, 2.0 / SPACING)
    weight = np.clip(1.0 - np.maximum(lo - place, place - hi) / run, 0.0, 1.0)
    offset = inward * weight - 0.6 * (1.0 - weight)
    curve = curve + offset[:, None] * left
    head = curve[0] - STRAIGHT_ON * tangent[0]
    tail = curve[-1] + STRAIGHT_ON * tangent[-1]
    return np.vstack((head, curve, tail))


def _press(field: Array, mesh: Mesh, chain: NDArray[np.int64], curve: Array, reach: float) -> None:
    """Lower the field to the signed distance from a line, on what hangs on a stretch."""
    vertices = mesh.vertices
    low = vertices[chain].min(axis=0) - (reach + 2.0)
    high = vertices[chain].max(axis=0) + (reach + 2.0)
    local = np.flatnonzero(((vertices >= low) & (vertices <= high)).all(axis=1))
    near = np.full(len(vertices), np.inf)
    near[local] = cKDTree(vertices[chain]).query(vertices[local], distance_upper_bound=reach + 2.0)[
        0
    ]
    local = np.flatnonzero(np.isfinite(near))
    signed = _signed(vertices[local, :2], curve)
    outside = np.zeros(len(vertices), dtype=bool)
    outside[local] = signed < 0.0
    # Only what hangs together with the border may go, and not far from it.
    rank = np.full(len(vertices), -1, dtype=np.int64)
    rows = np.flatnonzero(outside)
    if not len(rows):
        return
    rank[rows] = np.arange(len(rows))
    f = mesh.faces[outside[mesh.faces].any(axis=1)]
    edges = np.concatenate((f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]))
    pairs = rank[edges[outside[edges].all(axis=1)]]
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows),) * 2)
    label = connected_components(graph, directed=False)[1]
    hanging = np.zeros(int(label.max()) + 1, dtype=bool)
    on_chain = chain[outside[chain]]
    hanging[label[rank[on_chain]]] = True
    for piece in np.flatnonzero(hanging).tolist():
        if near[rows[label == piece]].max() > reach + 1.5:
            hanging[piece] = False  # an overhang above the border, not its fringe
    gone = np.zeros(len(vertices), dtype=bool)
    gone[rows[hanging[label]]] = True
    take = gone[local]
    field[local[take]] = np.minimum(field[local[take]], signed[take])
    # Neighbours that stay get their true distance, so that the cut lies on the line.
    beside = np.zeros(len(vertices), dtype=bool)
    beside[f[gone[f].any(axis=1)].ravel()] = True
    stay = beside[local] & ~take & (signed > 0.0)
    field[local[stay]] = np.minimum(field[local[stay]], signed[stay])


@njit(cache=True, nogil=True)
def _signed(points: Array, curve: Array) -> Array:
    """Signed distance in plan from a polyline, positive on its left."""
    out = np.zeros(len(points))
    for n in range(len(points)):
        best = np.inf
        for k in range(len(curve) - 1):
            dx, dy = curve[k + 1, 0] - curve[k, 0], curve[k + 1, 1] - curve[k, 1]
            length = dx * dx + dy * dy
            if length < 1e-12:
                continue
            x, y = points[n, 0] - curve[k, 0], points[n, 1] - curve[k, 1]
            t = min(max((x * dx + y * dy) / length, 0.0), 1.0)
            distance = np.hypot(x - t * dx, y - t * dy)
            if distance < best:
                best = distance
                out[n] = distance if dx * y - dy * x >= 0.0 else -distance
    return out
