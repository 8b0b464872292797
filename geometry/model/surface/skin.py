"""A surface that can lose faces and gain patches without being looked through as a whole.

The pairing of half-edges is kept up to date, so that a small change costs one plain pass
over the arrays instead of sorting all edges again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.model.surface.halfedges import Faces
from geometry.model.surface.kinds import STAND_IN
from geometry.model.surface.patches import median_edge, patch_loops
from geometry.topology import analyse
from geometry.topology.pieces import label_pieces, split_fans

Array = NDArray[np.float64]
Tags = NDArray[np.int8]
Links = NDArray[np.int32]


@dataclass(slots=True)
class Skin:
    """One piece of surface, each edge of one or two faces, each vertex of one fan.

    Attributes
    ----------
    vertices : (n, 3) float64, mm
        May hold some that no face uses.
    faces : (m, 3) int32
    kind : (m,) int8
        Tag of each face.
    opposite : (3 m,) int32
        For half-edge ``3 t + k`` the one on the other side, or -1 at the border.
    """

    vertices: Array
    faces: Faces
    kind: Tags
    opposite: Links

    @property
    def mesh(self) -> Mesh:
        """The surface without its pairing."""
        return Mesh(self.vertices, self.faces)


def skin_of(mesh: Mesh, kind: Tags) -> Skin:
    """Return the main piece of a mesh as a skin."""
    topology = analyse(mesh, self_intersections=False)
    return Skin(
        topology.main.vertices, topology.main.faces, kind[topology.face_map], topology.opposite
    )


def turned_over(skin: Skin) -> Skin:
    """Return the same surface wound the other way."""
    # Half-edge k of a face runs between corners 0–1, 1–2, 2–0; reversed, 2–1, 1–0, 0–2.
    place = np.array([1, 0, 2], dtype=np.int32)
    half = skin.opposite.reshape(-1, 3)[:, place]
    other = np.where(half < 0, half, 3 * (half // 3) + place[half % 3])
    return Skin(
        skin.vertices,
        np.ascontiguousarray(skin.faces[:, ::-1]),
        skin.kind,
        np.ascontiguousarray(other.ravel().astype(np.int32)),
    )


@njit(cache=True, nogil=True)
def _restrict(
    faces: Faces,
    opposite: Links,
    keep: NDArray[np.bool_],
    number: Links,
    out_faces: Faces,
    out_opposite: Links,
    fresh: NDArray[np.bool_],
) -> None:
    """Renumber what stays; ``fresh`` marks half-edges that lost their other side."""
    for t in range(len(faces)):
        if not keep[t]:
            continue
        n = number[t]
        for k in range(3):
            out_faces[n, k] = faces[t, k]
            g = opposite[3 * t + k]
            if g < 0:
                out_opposite[3 * n + k] = -1
            elif keep[g // 3]:
                out_opposite[3 * n + k] = 3 * number[g // 3] + g % 3
            else:
                out_opposite[3 * n + k] = -1
                fresh[3 * n + k] = True


@njit(cache=True, nogil=True)
def _border_vertices(faces: Faces, opposite: Links, count: int) -> NDArray[np.bool_]:
    out = np.zeros(count, dtype=np.bool_)
    for h in range(len(opposite)):
        if opposite[h] < 0:
            out[faces[h // 3, h % 3]] = True
            out[faces[h // 3, (h % 3 + 1) % 3]] = True
    return out


@njit(cache=True, nogil=True)
def _part_fans(
    faces: Faces, opposite: Links, touched: NDArray[np.bool_], count: int
) -> NDArray[np.int64]:
    """Give further fans of a touched vertex a vertex of their own; return what each copies."""
    seen = np.zeros(count, dtype=np.bool_)
    done = np.zeros(len(opposite), dtype=np.bool_)
    copies = np.empty(64, dtype=np.int64)
    made = 0
    for first in range(len(opposite)):
        v = faces[first // 3, first % 3]
        if v >= count or not touched[v] or done[first]:
            continue
        new = v
        if seen[v]:
            if made == len(copies):
                grown = np.empty(2 * made, dtype=np.int64)
                grown[:made] = copies
                copies = grown
            copies[made] = v
            new = count + made
            made += 1
        seen[v] = True
        h = first
        while True:
            done[h] = True
            faces[h // 3, h % 3] = new
            g = opposite[h]
            if g < 0:
                break
            h = 3 * (g // 3) + (g % 3 + 1) % 3
            if h == first:
                break
        if opposite[h] < 0:
            h = first
            while True:
                g = opposite[3 * (h // 3) + (h % 3 + 2) % 3]
                if g < 0:
                    break
                h = g
                done[h] = True
                faces[h // 3, h % 3] = new
    return copies[:made]


@njit(cache=True, nogil=True)
def _trace(
    faces: Faces, opposite: Links, starts: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Follow the border from some half-edges; return all loops' half-edges and their starts."""
    total = 0
    for h in range(len(opposite)):
        total += opposite[h] < 0
    chain = np.empty(total, dtype=np.int64)
    begin = np.zeros(len(starts) + 1, dtype=np.int64)
    seen = np.zeros(len(opposite), dtype=np.bool_)
    count, loops = 0, 0
    for first in starts:
        if seen[first]:
            continue
        h = first
        while not seen[h]:
            seen[h] = True
            chain[count] = h
            count += 1
            h = 3 * (h // 3) + (h % 3 + 1) % 3
            while opposite[h] >= 0:
                g = opposite[h]
                h = 3 * (g // 3) + (g % 3 + 1) % 3
        loops += 1
        begin[loops] = count
    return chain[:count], begin[: loops + 1]


@njit(cache=True, nogil=True)
def _count(faces: Faces, opposite: Links, vertex_count: int) -> tuple[int, int]:
    """Return how many vertices are used, and how many half-edges lie on the border."""
    used = np.zeros(vertex_count, dtype=np.bool_)
    for t in range(len(faces)):
        for k in range(3):
            used[faces[t, k]] = True
    border = 0
    for h in range(len(opposite)):
        border += opposite[h] < 0
    return int(used.sum()), border


@njit(cache=True, nogil=True)
def _zip(
    vertices: Array,
    faces: Faces,
    opposite: Links,
    chain: NDArray[np.int64],
    begin: NDArray[np.int64],
) -> int:
    """Pair half-edges of border loops that run there and back over the same two places."""
    waiting = np.empty(len(chain), dtype=np.int64)
    pairs = 0
    for loop in range(len(begin) - 1):
        top = 0
        for n in range(begin[loop], begin[loop + 1]):
            h = chain[n]
            if top:
                g = waiting[top - 1]
                a = vertices[faces[g // 3, g % 3]]
                b = vertices[faces[h // 3, (h % 3 + 1) % 3]]
                if a[0] == b[0] and a[1] == b[1] and a[2] == b[2]:
                    opposite[g], opposite[h] = h, g
                    pairs += 1
                    top -= 1
                    continue
            waiting[top] = h
            top += 1
    return pairs


def zipped(skin: Skin) -> Skin:
    """Close slits: border that runs there and back over the same places.

    Where a file joins more than two triangles at an edge, the surface was cut open along it.
    """
    chain, begin = _trace(skin.faces, skin.opposite, np.flatnonzero(skin.opposite < 0))
    opposite = skin.opposite.copy()
    if not _zip(skin.vertices, skin.faces, opposite, chain, begin):
        return skin
    corner = np.empty(skin.faces.size, dtype=np.int32)
    origin = np.empty(skin.faces.size, dtype=np.int32)
    count = int(split_fans(skin.faces, opposite, corner, origin, np.empty_like(corner)))
    return Skin(skin.vertices[origin[:count]], corner.reshape(-1, 3), skin.kind, opposite)


def loops_of(skin: Skin, starts: NDArray[np.int64] | None = None) -> list[NDArray[np.int64]]:
    """Return the border loops through some border half-edges (all), as half-edges in order."""
    if starts is None:
        starts = np.flatnonzero(skin.opposite < 0)
    chain, begin = _trace(skin.faces, skin.opposite, starts.astype(np.int64))
    return [chain[begin[k] : begin[k + 1]] for k in range(len(begin) - 1)]


def tails(skin: Skin, half: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the vertices that half-edges leave."""
    return skin.faces[half // 3, half % 3].astype(np.int64)


def genus_of(skin: Skin) -> int:
    """Genus: how many handles the surface has, its border loops taken as closed."""
    used, border = _count(skin.faces, skin.opposite, len(skin.vertices))
    edges = (3 * len(skin.faces) + border) // 2
    loops = len(loops_of(skin)) if border else 0
    return (2 - (used - edges + len(skin.faces)) - loops) // 2


def without(skin: Skin, gone: NDArray[np.bool_]) -> tuple[Skin, list[NDArray[np.int64]], Array]:
    """Take faces away.

    Parameters
    ----------
    skin : Skin
    gone : (m,) bool

    Returns
    -------
    skin : Skin
        What hangs together with the most faces, or with what stands for others.
    openings : list of (k,) int64
        Half-edges of each new border loop that does not run into the old border.
    lost : (k, 3, 3) float64
        Corners of further faces that came loose.
    """
    count = len(skin.vertices)
    rim = _border_vertices(skin.faces, skin.opposite, count)
    touched = np.zeros(count, dtype=bool)
    touched[skin.faces[gone].ravel()] = True
    out, fresh = _kept(skin, ~gone)
    label = np.empty(len(out.faces), dtype=np.int32)
    lost = np.empty((0, 3, 3))
    pieces = label_pieces(out.opposite, np.zeros(len(out.faces), dtype=np.uint8), label)
    if pieces > 1:
        main = np.bincount(label[out.kind == STAND_IN], minlength=pieces) > 0
        main[np.argmax(np.bincount(label, minlength=pieces))] |= not main.any()
        mine = main[label]
        lost = out.vertices[out.faces[~mine]]
        fresh = fresh.reshape(-1, 3)[mine].ravel()
        out, _ = _kept(out, mine)
    copies = _part_fans(out.faces, out.opposite, touched, count)
    if len(copies):
        out.vertices = np.vstack((out.vertices, out.vertices[copies]))
        rim = np.concatenate((rim, rim[copies]))
    openings = [
        half for half in loops_of(out, np.flatnonzero(fresh)) if not rim[tails(out, half)].any()
    ]
    return out, openings, lost


def region(skin: Skin, keep: NDArray[np.bool_], at: int) -> tuple[Skin, NDArray[np.int64]]:
    """Return what of the kept faces hangs together with one of them, for a look at it alone.

    Parameters
    ----------
    skin : Skin
    keep : (m,) bool
    at : int
        A face that is kept.

    Returns
    -------
    part : Skin
    origin : (n,) int64
        Which vertex of the whole each of its vertices is; one in which two parts touch
        comes more than once.
    """
    number = int(keep[:at].sum())
    part, _ = _kept(skin, keep)
    label = np.empty(len(part.faces), dtype=np.int32)
    if label_pieces(part.opposite, np.zeros(len(part.faces), dtype=np.uint8), label) > 1:
        part, _ = _kept(part, label == label[number])
    corner = np.empty(part.faces.size, dtype=np.int32)
    origin = np.empty(part.faces.size, dtype=np.int32)
    count = int(split_fans(part.faces, part.opposite, corner, origin, np.empty_like(corner)))
    old = origin[:count].astype(np.int64)
    return Skin(part.vertices[old], corner.reshape(-1, 3), part.kind, part.opposite), old


def with_stand_in(skin: Skin, keep: NDArray[np.bool_]) -> Skin | None:
    """Return some faces of a surface, and fans of faces in place of the others.

    Each new border loop is closed by faces around one point, tagged ``STAND_IN``.

    Parameters
    ----------
    skin : Skin
    keep : (m,) bool

    Returns
    -------
    Skin, or None where a new border runs into the old one.
    """
    part, fresh = _kept(skin, keep)
    loops = loops_of(part, np.flatnonzero(fresh))
    if not all(fresh[half].all() for half in loops):
        return None
    corner = np.empty(part.faces.size, dtype=np.int32)
    origin = np.empty(part.faces.size, dtype=np.int32)
    count = int(split_fans(part.faces, part.opposite, corner, origin, np.empty_like(corner)))
    vertices, faces = part.vertices[origin[:count]], corner.reshape(-1, 3)
    opposite = [part.opposite]
    middles: list[Array] = []
    fans: list[Faces] = []
    made = len(faces)
    for half in loops:
        line = faces[half // 3, half % 3]
        size = len(line)
        middle = np.full(size, count + len(middles), dtype=np.int32)
        middles.append(vertices[line].mean(axis=0))
        fans.append(np.column_stack((np.roll(line, -1), line, middle)))
        fan = 3 * (made + np.arange(size, dtype=np.int32))
        part.opposite[half] = fan
        beside = np.column_stack((half, np.roll(fan, 1) + 2, np.roll(fan, -1) + 1))
        opposite.append(beside.ravel().astype(np.int32))
        made += size
    kind = np.concatenate((part.kind, np.full(made - len(faces), STAND_IN, dtype=np.int8)))
    return Skin(
        np.vstack((vertices, *middles)),
        np.concatenate((faces, *fans)),
        kind,
        np.concatenate(opposite),
    )


def _kept(skin: Skin, keep: NDArray[np.bool_]) -> tuple[Skin, NDArray[np.bool_]]:
    number = (np.cumsum(keep) - 1).astype(np.int32)
    count = int(number[-1]) + 1
    faces = np.empty((count, 3), dtype=np.int32)
    opposite = np.empty(3 * count, dtype=np.int32)
    fresh = np.zeros(3 * count, dtype=bool)
    _restrict(skin.faces, skin.opposite, keep, number, faces, opposite, fresh)
    return Skin(skin.vertices, faces, skin.kind[keep], opposite), fresh


def patched(skin: Skin, openings: list[NDArray[np.int64]], tag: int, smooth: bool = True) -> Skin:
    """Close openings with patches.

    Parameters
    ----------
    skin : Skin
    openings : list of (k,) int64
        Half-edges of border loops.
    tag : int
        For the faces of the patches.
    smooth : bool
        Bend patches to continue their surroundings; else span them straight.
    """
    if not openings:
        return skin
    lines = [tails(skin, half) for half in openings]
    edge = median_edge(skin.vertices, skin.faces)
    points, patches = patch_loops(skin.vertices, skin.faces, lines, edge, smooth)
    made = np.concatenate(patches).astype(np.int32)
    vertices = np.vstack((skin.vertices, points))
    faces = np.concatenate((skin.faces, made))
    kind = np.concatenate((skin.kind, np.full(len(made), tag, dtype=np.int8)))
    border = np.concatenate(openings)
    half = np.concatenate((border, 3 * len(skin.faces) + np.arange(3 * len(made))))
    tail = faces[half // 3, half % 3].astype(np.int64)
    head = faces[half // 3, (half % 3 + 1) % 3].astype(np.int64)
    key, back = tail * len(vertices) + head, head * len(vertices) + tail
    order = np.argsort(key)
    at = np.minimum(np.searchsorted(key, back, sorter=order), len(key) - 1)
    other = order[at]
    if (key[other] != back).any() or (np.diff(key[order]) == 0).any():
        # A patch laid an edge over one that was there already.
        return skin_of(Mesh(vertices, faces), kind)
    opposite = np.concatenate((skin.opposite, np.full(3 * len(made), -1, dtype=np.int32)))
    opposite[half] = half[other]
    return Skin(vertices, faces, kind, opposite)
