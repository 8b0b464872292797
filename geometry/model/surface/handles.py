"""Find handles of a surface: what keeps it from being a topological ball or disc.

A scan carries tiny tunnels and bridges where two surfaces nearly touch. Each
handle is found by a tree–cotree decomposition (Eppstein 2003, "Dynamic
generators of topologically embedded graphs"; shortest loops first after Erickson and
Whittlesey 2005, "Greedy optimal homotopy and homology generators").
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.model.surface.halfedges import Faces, corners_at
from geometry.model.surface.patches import median_edge, rings_around
from geometry.model.surface.skin import Links, Skin, genus_of, loops_of, region, tails

Array = NDArray[np.float64]

SHORT_TUNNEL = 14.0
REACHES = (3.0, 8.0)
"""How far around a loop its handle is looked for, mm; further away in the whole surface."""
STOUT = 6.0
"""A bridge of more than this around, mm, is no thread or burr but a contact or part of a crown."""
SHUNNED = 10.0
"""What a step on a vertex that may not be cut adds to a way, mm."""
ROOTS = 12
"""So many points of a loop are looked from for another that crosses it."""


@njit(cache=True, nogil=True)
def _gap(vertices: Array, a: int, b: int) -> float:
    x = vertices[a, 0] - vertices[b, 0]
    y = vertices[a, 1] - vertices[b, 1]
    z = vertices[a, 2] - vertices[b, 2]
    return np.sqrt(x * x + y * y + z * z) + 1e-9


@njit(cache=True, nogil=True)
def _shortest_tree(
    vertices: Array,
    faces: Faces,
    opposite: Links,
    start: NDArray[np.int64],
    member: Links,
    root: int,
    width: float,
    toll: Array,
) -> tuple[Array, NDArray[np.int64]]:
    """Distance along edges from a vertex, and the vertex before each on the way.

    To step on a vertex costs its ``toll``, mm, beside the way.

    Vertices wait in buckets of ``width`` mm (Dial 1969; each bucket is gone through until
    nothing in it changes), which is quicker than a heap on so even a net.
    """
    distance = np.full(len(vertices), np.inf)
    before = np.full(len(vertices), -1, dtype=np.int64)
    head = np.full(4096, -1, dtype=np.int64)
    item = np.empty(4096, dtype=np.int64)
    after = np.empty(4096, dtype=np.int64)
    distance[root] = 0.0
    head[0], item[0], after[0] = 0, root, -1
    count, top = 1, 0
    bucket = 0
    while bucket <= top:
        entry = head[bucket]
        if entry < 0:
            bucket += 1
            continue
        head[bucket] = after[entry]
        v = item[entry]
        d = distance[v]
        if int(d / width) != bucket:
            continue  # it was reached on a shorter way meanwhile
        for c in range(start[v], start[v + 1]):
            t, k = member[c] // 3, member[c] % 3
            for step in (1, 2):
                # The vertex before is another corner's next one, but at the border.
                if step == 2 and opposite[3 * t + (k + 2) % 3] >= 0:
                    continue
                w = faces[t, (k + step) % 3]
                reach = d + _gap(vertices, v, w) + toll[w]
                if reach >= distance[w]:
                    continue
                distance[w], before[w] = reach, v
                place = int(reach / width)
                if place >= len(head):
                    more = np.full(2 * place, -1, dtype=np.int64)
                    more[: len(head)] = head
                    head = more
                if count == len(item):
                    grown = np.empty(2 * count, dtype=np.int64)
                    grown[:count] = item
                    item = grown
                    grown = np.empty(2 * count, dtype=np.int64)
                    grown[:count] = after
                    after = grown
                item[count], after[count] = w, head[place]
                head[place] = count
                count += 1
                top = max(top, place)
    return distance, before


@njit(cache=True, nogil=True)
def _edges(
    vertices: Array, faces: Faces, opposite: Links, distance: Array, before: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Array]:
    """Return one half-edge of each edge outside the tree, and the length of its way around."""
    half = np.empty(len(opposite), dtype=np.int64)
    through = np.empty(len(opposite), dtype=np.float64)
    count = 0
    for h in range(len(opposite)):
        if 0 <= opposite[h] < h:
            continue
        a, b = faces[h // 3, h % 3], faces[h // 3, (h % 3 + 1) % 3]
        if before[a] == b or before[b] == a:
            continue
        half[count] = h
        through[count] = distance[a] + distance[b] + _gap(vertices, a, b)
        count += 1
    return half[:count], through[:count]


@njit(cache=True, nogil=True)
def _left_over(
    half: NDArray[np.int64], order: NDArray[np.int64], opposite: Links, beyond: Links, count: int
) -> NDArray[np.bool_]:
    """Join faces over edges, in an order; mark the edges whose faces were joined already."""
    parent = np.arange(count)
    spare = np.zeros(len(half), dtype=np.bool_)
    for e in order:
        h = half[e]
        a = h // 3
        b = opposite[h] // 3 if opposite[h] >= 0 else beyond[h]
        while parent[a] != a:
            parent[a] = parent[parent[a]]
            a = parent[a]
        while parent[b] != b:
            parent[b] = parent[parent[b]]
            b = parent[b]
        if a == b:
            spare[e] = True
        else:
            parent[a] = b
    return spare


def handle_loops(
    skin: Skin, root: int, shunned: NDArray[np.bool_] | None = None
) -> list[NDArray[np.int64]]:
    """Return a loop of vertices for each generator of a surface, shortest first.

    Parameters
    ----------
    skin : Skin
        Border loops are taken as closed by a face each.
    root : int
        Vertex from which the shortest-path tree grows.
    shunned : (n,) bool, optional
        Vertices that loops keep off where there is another way.

    Returns
    -------
    2 · genus loops.
    """
    toll = np.zeros(len(skin.vertices))
    if shunned is not None:
        toll[shunned] = SHUNNED
    faces, opposite = skin.faces, skin.opposite
    borders = loops_of(skin)
    beyond = np.empty(len(opposite) if borders else 0, dtype=np.int32)
    for number, half in enumerate(borders):
        beyond[half] = len(faces) + number
    start, member = corners_at(faces, len(skin.vertices))
    width = max(0.25 * median_edge(skin.vertices, faces), 1e-3)
    distance, before = _shortest_tree(
        skin.vertices, faces, opposite, start, member, root, width, toll
    )
    edge, through = _edges(skin.vertices, faces, opposite, distance, before)
    # Edges whose loop is long join first, so that short loops are left over. Whole numbers
    # of 16 bits are sorted in one pass.
    rank = (through * (65535.0 / max(float(through.max()), 1e-9))).astype(np.uint16)
    order = np.argsort(np.uint16(65535) - rank, kind="stable")
    spare = edge[_left_over(edge, order, opposite, beyond, len(faces) + len(borders))]
    ends = np.column_stack((faces[spare // 3, spare % 3], faces[spare // 3, (spare % 3 + 1) % 3]))
    chain, start, size = _loops(before, ends.astype(np.int64), skin.vertices)
    shortest = np.argsort(size, kind="stable").tolist()
    return [chain[start[k] : start[k + 1]] for k in shortest]


@njit(cache=True, nogil=True)
def _loops(
    before: NDArray[np.int64], ends: NDArray[np.int64], vertices: Array
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Close each edge to a loop through the tree, up to where its two ends meet in it.

    Returns
    -------
    chain : all loops one after another
    start : (k + 1,) where each begins
    size : (k,) lengths
    """
    mark = np.full(len(before), -1, dtype=np.int64)
    chain = np.empty(4096, dtype=np.int64)
    start = np.zeros(len(ends) + 1, dtype=np.int64)
    size = np.zeros(len(ends))
    count = 0
    for e in range(len(ends)):
        at = ends[e, 0]
        while at >= 0:
            mark[at] = e
            at = before[at]
        meet = ends[e, 1]
        long = 1
        while mark[meet] != e:
            meet = before[meet]
            long += 1
        at = ends[e, 0]
        while at != meet:
            at = before[at]
            long += 1
        if count + long > len(chain):
            grown = np.empty(2 * (count + long), dtype=np.int64)
            grown[:count] = chain[:count]
            chain = grown
        first = count
        at = ends[e, 0]
        while at != meet:
            chain[count] = at
            count += 1
            at = before[at]
        chain[count] = meet
        count += 1
        fill = first + long - 1
        at = ends[e, 1]
        while at != meet:
            chain[fill] = at
            fill -= 1
            at = before[at]
        count = first + long
        start[e + 1] = count
        for k in range(first, count):
            a = chain[k]
            b = chain[k + 1] if k + 1 < count else chain[first]
            d = vertices[a] - vertices[b]
            size[e] += np.sqrt((d * d).sum())
    return chain[:count], start, size


def _length(vertices: Array, loop: NDArray[np.int64]) -> float:
    p = vertices[loop]
    return float(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1).sum())


def _touching(faces: Faces, loop: NDArray[np.int64], count: int) -> Faces:
    on = np.zeros(count, dtype=bool)
    on[loop] = True
    return faces[rings_around(faces, on, 0)]


def goes_around_air(vertices: Array, touching: Faces, loop: NDArray[np.int64]) -> bool:
    """Tell whether a loop runs around a tunnel (True) or around a bridge of material.

    Parameters
    ----------
    vertices : (n, 3) float64
    touching : (k, 3) int32
        The faces with a corner in the loop.
    loop : (m,) int64
    """
    p = vertices[touching]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    inward = vertices[loop].mean(axis=0) - p.mean(axis=1)
    return bool((normal * inward).sum() > 0)


def handle_cuts(
    skin: Skin, allowed: NDArray[np.bool_], longest: float
) -> list[tuple[NDArray[np.int64], bool]]:
    """Return loops, well apart, along which to cut handles of a surface, all at once.

    Short tunnels are cut as they are found. Elsewhere a loop around a tunnel is preferred to
    one around a bridge, unless the bridge is much thinner.

    Parameters
    ----------
    skin : Skin
    allowed : (n,) bool
        Vertices that a loop may run through.
    longest : float
        Longest loop that may be cut, mm.

    Returns
    -------
    list of (loop, whether it runs around a tunnel)
    """
    vertices, faces, count = skin.vertices, skin.faces, len(skin.vertices)
    inside = np.flatnonzero(_all_on(faces, allowed))
    if not len(inside):
        return []
    found = handle_loops(skin, int(faces[inside[0], 0]))
    chosen: list[tuple[NDArray[np.int64], bool]] = []
    near = np.zeros(count, dtype=bool)
    for loop in found:
        if _length(vertices, loop) >= SHORT_TUNNEL:
            break
        if not allowed[loop].all() or near[loop].any():
            continue
        touching = _touching(faces, loop, count)
        if goes_around_air(vertices, touching, loop):
            chosen.append((loop, True))
            near[touching.ravel()] = True
    for loop in found:
        if near[loop].any():
            continue
        narrow = _best_nearby(skin, loop, allowed & ~near, longest)
        if narrow is not None:
            cut, air, around = narrow
            chosen.append((cut, air))
            near[around] = True
    if chosen or not found:
        return chosen
    # Grown from a point of a loop, the tree gives a tighter one.
    tighter = handle_loops(skin, int(found[0][len(found[0]) // 2]))
    best = _best(skin, [*found, *tighter], allowed, longest)
    if best is not None and _stout(skin, best):
        beside = _tunnel_beside(skin, best[0], allowed, longest)
        best = beside[:2] if beside is not None else best
    return [best] if best is not None else []


def _best(
    skin: Skin, loops: list[NDArray[np.int64]], allowed: NDArray[np.bool_], longest: float
) -> tuple[NDArray[np.int64], bool] | None:
    """Return the loop best cut, and whether it runs around a tunnel."""
    scored = []
    for rank, loop in enumerate(loops):
        length = _length(skin.vertices, loop)
        if allowed[loop].all() and length < longest:
            touching = _touching(skin.faces, loop, len(skin.vertices))
            air = goes_around_air(skin.vertices, touching, loop)
            scored.append(((1.0 if air else 2.0) * length, rank, loop, air))
    return min(scored)[2:] if scored else None


@njit(cache=True, nogil=True)
def _in_box(vertices: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    out = np.zeros(len(vertices), dtype=np.bool_)
    for v in range(len(vertices)):
        x, y, z = vertices[v, 0], vertices[v, 1], vertices[v, 2]
        out[v] = low[0] <= x <= high[0] and low[1] <= y <= high[1] and low[2] <= z <= high[2]
    return out


@njit(cache=True, nogil=True)
def _all_on(faces: Faces, on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    out = np.zeros(len(faces), dtype=np.bool_)
    for f in range(len(faces)):
        out[f] = on[faces[f, 0]] and on[faces[f, 1]] and on[faces[f, 2]]
    return out


def _around(
    skin: Skin, loop: NDArray[np.int64], tree: cKDTree, reach: float, allowed: NDArray[np.bool_]
) -> tuple[Skin, NDArray[np.int64]] | None:
    """Return the surface within a reach of a loop's points (a tree), and where it comes from."""
    low, high = tree.mins - reach, tree.maxes + reach
    close = np.flatnonzero(_in_box(skin.vertices, low, high))
    close = close[tree.query(skin.vertices[close], distance_upper_bound=reach)[0] < reach]
    around = np.zeros(len(skin.vertices), dtype=bool)
    around[close] = allowed[close]
    keep = _all_on(skin.faces, around)
    kept = np.flatnonzero(keep)
    on = kept[(skin.faces[kept] == loop[0]).any(axis=1)]
    return region(skin, keep, int(on[0])) if len(on) else None


def _best_nearby(
    skin: Skin, loop: NDArray[np.int64], allowed: NDArray[np.bool_], longest: float
) -> tuple[NDArray[np.int64], bool, NDArray[np.int64]] | None:
    """Look for the best cut through the handle of a loop in the surface around it only.

    A loop that does not part the surface around it does not part the whole, and loops in
    places that do not overlap can be cut at once: in each place another loop crosses the cut.

    Returns
    -------
    loop, whether it runs around a tunnel, and the vertices of the surface looked at;
    None where the surface around the loop has no handle that may be cut.
    """
    tree = cKDTree(skin.vertices[loop])
    for reach in REACHES:
        around = _around(skin, loop, tree, reach, allowed)
        if around is None:
            return None
        part, origin = around
        if genus_of(part) == 0:
            continue
        root = int(np.flatnonzero(origin == loop[0])[0])
        free = np.ones(len(origin), dtype=bool)
        free[tails(part, np.flatnonzero(part.opposite < 0))] = False
        best = _best(part, handle_loops(part, root), free, longest)
        if best is not None:
            cut = origin[best[0]], best[1]
            beside = _tunnel_beside(skin, cut[0], allowed, longest) if _stout(skin, cut) else None
            return beside or (*cut, origin)
    return None


def _stout(skin: Skin, cut: tuple[NDArray[np.int64], bool]) -> bool:
    """Tell whether a cut would go through more than a thin bridge."""
    loop, air = cut
    return not air and _length(skin.vertices, loop) > STOUT


def _tunnel_beside(
    skin: Skin, loop: NDArray[np.int64], allowed: NDArray[np.bool_], longest: float
) -> tuple[NDArray[np.int64], bool, NDArray[np.int64]] | None:
    """Look for the tunnel that a loop around a bridge runs through: a window under a contact.

    The shortest loops through one point need not show it. But what runs around the tunnel
    crosses the loop, so it is looked for from points all along it.

    Returns
    -------
    As ``_best_nearby``.
    """
    anywhere = np.ones(len(skin.vertices), dtype=bool)
    around = _around(skin, loop, cKDTree(skin.vertices[loop]), REACHES[-1], anywhere)
    if around is None:
        return None
    part, origin = around
    free = allowed[origin]
    free[tails(part, np.flatnonzero(part.opposite < 0))] = False
    place = np.full(len(skin.vertices), -1, dtype=np.int64)
    place[origin] = np.arange(len(origin))
    tunnels: list[NDArray[np.int64]] = []
    for root in place[loop[:: -(-len(loop) // ROOTS)]]:
        for other in handle_loops(part, int(root), ~free):
            touching = _touching(part.faces, other, len(origin))
            if goes_around_air(part.vertices, touching, other):
                tunnels.append(other)
    best = _best(part, tunnels, free, longest)
    return (origin[best[0]], True, origin) if best is not None else None
