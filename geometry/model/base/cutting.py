"""Cut a triangle surface along the zero line of a field on its vertices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.model.surface.halfedges import Faces, compact, edge_keys


def cut_surface(
    vertices: NDArray[np.float64], faces: Faces, field: NDArray[np.float64]
) -> tuple[NDArray[np.float64], Faces, NDArray[np.int64], NDArray[np.int64]]:
    """Keep the part of a surface where a field is not negative.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int32
    field : (n,) float64
        Linear on each triangle. A vertex with exactly 0 lies on the cut.

    Returns
    -------
    vertices, faces
        The kept part. Kept vertices have exactly their old coordinates.
    origin : (k,) int64
        The old index of each vertex, or -1 for a vertex made on the cut.
    parent : (p,) int64
        The old face that each face is, or is a part of.
    """
    side = np.sign(field).astype(np.int8)
    corner = side[faces]
    low, high = corner.min(axis=1), corner.max(axis=1)
    whole = (low >= 0) & (high > 0)
    crossed = np.flatnonzero((low < 0) & (high > 0))
    if not len(crossed):
        kept_v, kept_f, old = compact(vertices, faces[whole])
        return kept_v, kept_f, old, np.flatnonzero(whole)

    tri = faces[crossed]
    # Turn each triangle so that its first corner is alone on its side of the cut.
    s = side[tri]
    positive = (s > 0).sum(axis=1)
    negative = (s < 0).sum(axis=1)
    lone_sign = np.where(positive == 1, 1, -1)
    lone_sign = np.where((positive == 1) & (negative == 1), 0, lone_sign)
    lone = np.argmax(s == lone_sign[:, None], axis=1)
    rows = np.arange(len(tri))
    a = tri[rows, lone]
    b = tri[rows, (lone + 1) % 3]
    c = tri[rows, (lone + 2) % 3]

    keys = edge_keys(tri)
    base = np.int64(tri.max()) + 1
    p, q = keys // base, keys % base
    crossing = side[p] * side[q] < 0
    unique = np.unique(keys[crossing])
    p, q = unique // base, unique % base
    t = field[p] / (field[p] - field[q])
    made = vertices[p] + t[:, None] * (vertices[q] - vertices[p])
    first = len(vertices)

    def on(u: NDArray[np.int32], w: NDArray[np.int32]) -> NDArray[np.int64]:
        key = np.minimum(u, w).astype(np.int64) * base + np.maximum(u, w)
        return first + np.searchsorted(unique, key)

    parts = [faces[whole].astype(np.int64)]
    parents = [np.flatnonzero(whole)]
    one_up = lone_sign == 1
    ab, ac = on(a[one_up], b[one_up]), on(a[one_up], c[one_up])
    parts.append(np.column_stack((a[one_up], ab, ac)))
    parents.append(crossed[one_up])
    one_down = lone_sign == -1
    sa, sb, sc = a[one_down], b[one_down], c[one_down]
    ab, ac = on(sa, sb), on(sa, sc)
    parts.append(np.column_stack((ab, sb, sc)))
    parts.append(np.column_stack((ab, sc, ac)))
    parents += [crossed[one_down]] * 2
    # One corner exactly on the cut, one above, one below.
    split = lone_sign == 0
    za, zb, zc = a[split], b[split], c[split]
    bc = on(zb, zc)
    b_up = side[zb] > 0
    parts.append(np.column_stack((za[b_up], zb[b_up], bc[b_up])))
    parts.append(np.column_stack((za[~b_up], bc[~b_up], zc[~b_up])))
    parents += [crossed[split][b_up], crossed[split][~b_up]]

    all_v = np.vstack((vertices, made))
    all_f = np.concatenate(parts).astype(np.int32)
    kept_v, kept_f, old = compact(all_v, all_f)
    return kept_v, kept_f, np.where(old < first, old, -1), np.concatenate(parents)
