"""Where lines along one direction cross a surface, and the void under its overhangs."""

from __future__ import annotations

import numpy as np
from numba import njit

from geometry.axes import along_basis
from geometry.topology.triangles import cross_of

# A triangle whose box holds more lattice points is cast column by column.
_WIDE = 30
# A line that crosses more layers than an arch has is sorted in steps.
_FEW_LAYERS = 16
_GAPS = (701, 301, 132, 57, 23, 10, 4)


@njit(cache=True, nogil=True)
def _edge(points, p, q):  # type: ignore[no-untyped-def]
    """Terms of an edge's side test, the same numbers from both its triangles.

    Returns (dx, dy, x, y, turned): the edge from its vertex of lower number, that
    vertex, and whether it runs the other way in this triangle.
    """
    turned = p > q
    if turned:
        p, q = q, p
    x, y = points[p, 0], points[p, 1]
    return points[q, 0] - x, points[q, 1] - y, x, y, turned


@njit(cache=True, nogil=True)
def _box(points, ia, ib, ic, inverse):  # type: ignore[no-untyped-def]
    """Lattice points within a triangle's box: first and last along u, then along v."""
    ax, ay = points[ia, 0] * inverse, points[ia, 1] * inverse
    bx, by = points[ib, 0] * inverse, points[ib, 1] * inverse
    cx, cy = points[ic, 0] * inverse, points[ic, 1] * inverse
    return (
        np.int64(np.ceil(min(ax, bx, cx))),
        np.int64(np.floor(max(ax, bx, cx))),
        np.int64(np.ceil(min(ay, by, cy))),
        np.int64(np.floor(max(ay, by, cy))),
    )


@njit(cache=True, nogil=True)
def _double(points, ia, ib, ic):  # type: ignore[no-untyped-def]
    """Twice a triangle's signed area seen along the direction."""
    return (points[ib, 0] - points[ia, 0]) * (points[ic, 1] - points[ia, 1]) - (
        points[ib, 1] - points[ia, 1]
    ) * (points[ic, 0] - points[ia, 0])


@njit(cache=True, nogil=True)
def _terms(points, ia, ib, ic, double):  # type: ignore[no-untyped-def]
    """What ``_height`` needs of a triangle."""
    sign = 1.0 if double > 0.0 else -1.0
    weight = 1.0 / abs(double)
    return (
        _edge(points, ia, ib),
        _edge(points, ib, ic),
        _edge(points, ic, ia),
        sign,
        (points[ia, 2] * weight, points[ib, 2] * weight, points[ic, 2] * weight),
    )


@njit(cache=True, nogil=True)
def _height(terms, x, y):  # type: ignore[no-untyped-def]
    """Height at which the line over (x, y) crosses the triangle; NaN when it does not."""
    ab, bc, ca, sign, z = terms
    # A line exactly on an edge goes to the triangle on one fixed side of it.
    s = -sign if ab[4] else sign
    a = (ab[0] * (y - ab[3]) - ab[1] * (x - ab[2])) * s
    out = (a < 0.0) | ((a == 0.0) & (s < 0.0))
    s = -sign if bc[4] else sign
    b = (bc[0] * (y - bc[3]) - bc[1] * (x - bc[2])) * s
    out |= (b < 0.0) | ((b == 0.0) & (s < 0.0))
    s = -sign if ca[4] else sign
    c = (ca[0] * (y - ca[3]) - ca[1] * (x - ca[2])) * s
    out |= (c < 0.0) | ((c == 0.0) & (s < 0.0))
    return np.nan if out else b * z[0] + c * z[1] + a * z[2]


@njit(cache=True, nogil=True)
def _span(points, ia, ib, ic, x, pitch, low, high):  # type: ignore[no-untyped-def]
    """First and last of the rows ``low`` to ``high`` that a triangle may cover at ``x``.

    Half of a wide triangle's box and nearly all of a long thin one's is not covered.
    """
    least, most = np.inf, -np.inf
    for p, q in ((ia, ib), (ib, ic), (ic, ia)):
        xp, xq = points[p, 0], points[q, 0]
        if min(xp, xq) > x or max(xp, xq) < x:
            continue
        yp, yq = points[p, 1], points[q, 1]
        if xp == xq:
            least, most = min(least, yp, yq), max(most, yp, yq)
        else:
            y = yp + (yq - yp) * ((x - xp) / (xq - xp))
            least, most = min(least, y), max(most, y)
    if least > most:
        return low, high
    # A row more on either side, for rounding.
    return (
        max(low, np.int64(np.ceil(least / pitch)) - 1),
        min(high, np.int64(np.floor(most / pitch)) + 1),
    )


@njit(cache=True, nogil=True)
def _room(below, side, link, used, more):  # type: ignore[no-untyped-def]
    """Return the crossings' heights, facing and next ones with room for some more."""
    room = max(2 * below.size, used + more)
    taller = np.empty(room, dtype=np.float64)
    sides = np.empty(room, dtype=np.int8)
    links = np.empty(room, dtype=np.int32)
    taller[:used] = below[:used]
    sides[:used] = side[:used]
    links[:used] = link[:used]
    return taller, sides, links


@njit(cache=True, nogil=True)
def cross_lattice(points, faces, pitch, i0, j0, rows, top):  # type: ignore[no-untyped-def]
    """Find the highest surface over each lattice point of the columns from ``i0`` on.

    ``top`` (cells,) becomes -inf where nothing is crossed. A line through a shared edge
    crosses exactly one of two triangles that face alike.

    Returns
    -------
    facing : (cells,) int8
        +1 where the winding's normal of the highest surface points along the direction,
        -1 where against it, 0 where nothing is crossed.
    head : (cells,) int32
        First of the crossings below the highest, -1 without any.
    used : int
        So many crossings lie below the highest, of all lines.
    below, side, link : arrays
        Their heights, facing, and the next one over the same line.
    """
    cells = top.size
    i1 = i0 + cells // rows - 1
    top[:] = -np.inf
    facing = np.zeros(cells, dtype=np.int8)
    head = np.full(cells, -1, dtype=np.int32)
    # Only what lies below the topmost crossing is kept apart; most lines have nothing.
    below = np.empty(1 << 14, dtype=np.float64)
    side = np.empty(1 << 14, dtype=np.int8)
    link = np.empty(1 << 14, dtype=np.int32)
    used = 0
    inverse = 1.0 / pitch
    for t in range(faces.shape[0]):
        ia, ib, ic = faces[t, 0], faces[t, 1], faces[t, 2]
        ua, ub, uc = points[ia, 0] * inverse, points[ib, 0] * inverse, points[ic, 0] * inverse
        if (ua < i0) & (ub < i0) & (uc < i0) or (ua > i1) & (ub > i1) & (uc > i1):
            continue
        left, right, low, high = _box(points, ia, ib, ic, inverse)
        left, right = max(left, i0), min(right, i1)
        if right < left or high < low:
            continue
        double = _double(points, ia, ib, ic)
        if double == 0.0:
            continue
        terms = _terms(points, ia, ib, ic, double)
        wide = (right - left) * (high - low) > _WIDE
        first, last = low, high
        for i in range(left, right + 1):
            if wide:
                first, last = _span(points, ia, ib, ic, i * pitch, pitch, low, high)
            if used + last - first >= below.size:
                below, side, link = _room(below, side, link, used, last - first + 1)
            for j in range(first, last + 1):
                z = _height(terms, i * pitch, j * pitch)
                if np.isnan(z):
                    continue
                c = (i - i0) * rows + (j - j0)
                f = np.int8(terms[3])
                if top[c] == -np.inf:
                    top[c] = z
                    facing[c] = f
                    continue
                if z > top[c]:
                    z, top[c] = top[c], z
                    f, facing[c] = facing[c], f
                below[used] = z
                side[used] = f
                link[used] = head[c]
                head[c] = used
                used += 1
    return facing, head, used, below, side, link


@njit(cache=True, nogil=True)
def void_below(  # type: ignore[no-untyped-def]
    top, facing, head, used, below, side, link, turned, rows, floor, slope_i, slope_j, void
):
    """Fill the void over each lattice point, given what ``cross_lattice`` found.

    ``void`` (cells,) becomes the length of line below an overhang, down to the next surface
    that faces along the direction or to the base plane, whose height over cell 0 is
    ``floor`` and changes from cell to cell by ``slope_i`` and ``slope_j``. ``turned`` tells
    that the winding's normals point inward.
    """
    void[:] = 0.0
    if used == below.size:
        below, side, link = _room(below, side, link, used, 1)
    for c in range(top.size):
        if facing[c] == 0 or (head[c] < 0 and (facing[c] > 0) != turned):
            continue
        base = floor + slope_i * (c // rows) + slope_j * (c % rows)
        # The topmost crossing joins the chain.
        below[used] = top[c]
        side[used] = facing[c]
        link[used] = head[c]
        void[c] = _void_of(used, below, side, link, turned, base)


@njit(cache=True, nogil=True)
def _settle(heights, facing, count, gap):  # type: ignore[no-untyped-def]
    """Sort every ``gap``-th of the first heights, highest first, with their facing."""
    for k in range(gap, count):
        z, f = heights[k], facing[k]
        place = k
        while place >= gap and heights[place - gap] < z:
            heights[place] = heights[place - gap]
            facing[place] = facing[place - gap]
            place -= gap
        heights[place] = z
        facing[place] = f


@njit(cache=True, nogil=True)
def _void_of(k, below, side, link, turned, base):  # type: ignore[no-untyped-def]
    """Void of one line, given where its chain of crossings begins, in any order."""
    heights = np.empty(_FEW_LAYERS, dtype=np.float64)
    facing = np.empty(_FEW_LAYERS, dtype=np.int8)
    count = 0
    while k >= 0:
        if count == heights.size:
            heights = np.concatenate((heights, np.empty(count, dtype=np.float64)))
            facing = np.concatenate((facing, np.empty(count, dtype=np.int8)))
        heights[count] = below[k]
        facing[count] = side[k]
        count += 1
        k = link[k]
    if count > _FEW_LAYERS:
        for gap in _GAPS:
            if gap < count:
                _settle(heights, facing, count, gap)
    _settle(heights, facing, count, 1)
    total = 0.0
    opened = -np.inf
    for k in range(count):
        z = max(heights[k], base)
        if (facing[k] > 0) != turned:
            if opened > z:
                total += opened - z
            opened = -np.inf
        else:
            opened = z
    if opened > base:
        total += opened - base
    return total


@njit(cache=True, nogil=True)
def shadow(points, faces, within_deg):  # type: ignore[no-untyped-def]
    """How much of a plane across the third axis the triangles cover, each by itself.

    Whatever direction within the cone about that axis the plane is across, each triangle
    covers no more.

    Returns
    -------
    area, width : float
        Sums of the triangles' areas as seen, and of their widths along the first axis.
    """
    turn = within_deg * np.pi / 180.0
    cosine, sine = np.cos(turn), np.sin(turn)
    area = width = 0.0
    for t in range(faces.shape[0]):
        ia, ib, ic = faces[t, 0], faces[t, 1], faces[t, 2]
        nx, ny, nz = cross_of(points, ia, ib, ic)
        across = np.sqrt(nx * nx + ny * ny)
        double = np.sqrt(nx * nx + ny * ny + nz * nz)
        if abs(nz) < cosine * double:
            double = abs(nz) * cosine + across * sine
        area += 0.5 * double
        xa, xb, xc = points[ia, 0], points[ib, 0], points[ic, 0]
        za, zb, zc = points[ia, 2], points[ib, 2], points[ic, 2]
        width += (max(xa, xb, xc) - min(xa, xb, xc)) * cosine
        width += (max(za, zb, zc) - min(za, zb, zc)) * sine
    return area, width


@njit(cache=True, nogil=True)
def steep_triangles(points, faces, outward, most):  # type: ignore[no-untyped-def]
    """Triangles whose outward normal has a cosine below ``most`` with the third axis.

    Returns their numbers (k,) int32 and the longest edge of all triangles.
    """
    steep = np.empty(faces.shape[0], dtype=np.int32)
    count = 0
    longest = 0.0
    for t in range(faces.shape[0]):
        ia, ib, ic = faces[t, 0], faces[t, 1], faces[t, 2]
        nx, ny, nz = cross_of(points, ia, ib, ic)
        for p, q in ((ia, ib), (ib, ic), (ic, ia)):
            square = 0.0
            for axis in range(3):
                square += (points[p, axis] - points[q, axis]) ** 2
            longest = max(longest, square)
        if nz * outward <= most * np.sqrt(nx * nx + ny * ny + nz * nz):
            steep[count] = t
            count += 1
    return steep[:count].copy(), np.sqrt(longest)


@njit(cache=True, nogil=True)
def void_along(vertices, faces, steep, longest, basis, normal, offset, outward, pitch):  # type: ignore[no-untyped-def]
    """Undercut volume along one direction, without the heights, and several times as fast.

    Void begins at a triangle that faces away from the direction, so those are cast
    first and the others only where one of those was met.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int32
    steep : (k,) int32
        Triangles that may face away; all others must not.
    longest : float
        Longest edge.
    basis : (3, 3) float64
        Rows u, v, direction.
    normal : (3,) float64
        Of the base plane, along the basis.
    offset : float
        Base plane: points p with p · normal = offset.
    outward : int
        +1 when the winding's normals point outward, else -1.
    pitch : float
    """
    points = along_basis(vertices, basis)
    inverse = 1.0 / pitch
    none = 1 << 60
    i0, i1, j0, j1 = none, -none, none, -none
    for k in range(steep.size):
        ia, ib, ic = faces[steep[k], 0], faces[steep[k], 1], faces[steep[k], 2]
        if _double(points, ia, ib, ic) * outward < 0.0:
            left, right, low, high = _box(points, ia, ib, ic, inverse)
            i0, i1, j0, j1 = min(i0, left), max(i1, right), min(j0, low), max(j1, high)
    if i1 < i0 or j1 < j0:
        return 0.0
    rows = j1 - j0 + 1
    head = np.full((i1 - i0 + 1) * rows, -1, dtype=np.int32)
    below = np.empty(1 << 12, dtype=np.float64)
    side = np.empty(1 << 12, dtype=np.int8)
    link = np.empty(1 << 12, dtype=np.int32)
    used = 0
    for k in range(steep.size):
        ia, ib, ic = faces[steep[k], 0], faces[steep[k], 1], faces[steep[k], 2]
        double = _double(points, ia, ib, ic)
        if double * outward >= 0.0:
            continue
        left, right, low, high = _box(points, ia, ib, ic, inverse)
        terms = _terms(points, ia, ib, ic, double)
        wide = (right - left) * (high - low) > _WIDE
        first, last = low, high
        for i in range(left, right + 1):
            if wide:
                first, last = _span(points, ia, ib, ic, i * pitch, pitch, low, high)
            if used + last - first >= below.size:
                below, side, link = _room(below, side, link, used, last - first + 1)
            for j in range(first, last + 1):
                z = _height(terms, i * pitch, j * pitch)
                if np.isnan(z):
                    continue
                c = (i - i0) * rows + (j - j0)
                below[used] = z
                side[used] = -outward
                link[used] = head[c]
                head[c] = used
                used += 1
    near = _near(points, head, rows, i0, j0, pitch, longest)
    for t in range(faces.shape[0]):
        ia, ib, ic = faces[t, 0], faces[t, 1], faces[t, 2]
        if not (near[ia] | near[ib] | near[ic]):
            continue
        left, right, low, high = _box(points, ia, ib, ic, inverse)
        left, right, low, high = max(left, i0), min(right, i1), max(low, j0), min(high, j1)
        wide = (right - left) * (high - low) > _WIDE
        met = wide
        if not wide:
            for i in range(left, right + 1):
                for j in range(low, high + 1):
                    met |= head[(i - i0) * rows + (j - j0)] >= 0
        if not met:
            continue
        double = _double(points, ia, ib, ic)
        if double * outward <= 0.0:
            continue
        terms = _terms(points, ia, ib, ic, double)
        first, last = low, high
        for i in range(left, right + 1):
            if wide:
                first, last = _span(points, ia, ib, ic, i * pitch, pitch, low, high)
            if used + last - first >= below.size:
                below, side, link = _room(below, side, link, used, last - first + 1)
            for j in range(first, last + 1):
                c = (i - i0) * rows + (j - j0)
                if head[c] < 0:
                    continue
                z = _height(terms, i * pitch, j * pitch)
                if np.isnan(z):
                    continue
                below[used] = z
                side[used] = outward
                link[used] = head[c]
                head[c] = used
                used += 1
    du, dv = -normal[0] / normal[2] * pitch, -normal[1] / normal[2] * pitch
    floor = offset / normal[2]
    total = 0.0
    for c in range(head.size):
        if head[c] >= 0:
            base = floor + du * (i0 + c // rows) + dv * (j0 + c % rows)
            total += _void_of(head[c], below, side, link, outward < 0, base)
    return total * pitch * pitch


@njit(cache=True, nogil=True)
def _near(points, head, rows, i0, j0, pitch, longest):  # type: ignore[no-untyped-def]
    """Mark the vertices of triangles that may lie over a line that was met already."""
    cells = np.int64(np.ceil(max(longest / pitch, 4.0)))
    columns = head.size // rows
    wide, tall = columns // cells + 3, rows // cells + 3
    met = np.zeros((wide, tall), dtype=np.bool_)
    for c in range(head.size):
        if head[c] >= 0:
            met[c // rows // cells + 1, c % rows // cells + 1] = True
    around = np.zeros((wide, tall), dtype=np.bool_)
    for p in range(1, wide - 1):
        for q in range(1, tall - 1):
            if met[p, q]:
                around[p - 1 : p + 2, q - 1 : q + 2] = True
    near = np.zeros(points.shape[0], dtype=np.bool_)
    scale = 1.0 / (pitch * cells)
    for v in range(points.shape[0]):
        p = points[v, 0] * scale - i0 / cells + 1.0
        q = points[v, 1] * scale - j0 / cells + 1.0
        if p >= 0.0 and q >= 0.0 and p < wide and q < tall:
            near[v] = around[np.int64(p), np.int64(q)]
    return near
