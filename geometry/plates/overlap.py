"""How much shapes on a plate come too near each other, and how to move one apart.

A pose is (x, y, turn in radians) of a shape's centre. A point of its outline that lies
nearer to another outline than the gap adds the square of what is missing, and so does a
point beyond the plate's edge. ``packed`` is :attr:`geometry.plates.shapes.Shapes.packed`.
"""

from __future__ import annotations

import math

from numba import njit

from geometry.plates.shapes import CELL_MM

CLEAR_MM = 3.0
"""Fields reach so far beyond the gap; a point outside a field is at least so far clear."""

_LONGEST_STEP_MM = 4.0
_LARGEST_TURN = 0.15


@njit(cache=True, nogil=True)
def distance_at(packed, shape, x, y):  # type: ignore[no-untyped-def]
    """Signed distance and its slope at a point about the shape's own centre."""
    _, _, fields, start, columns, rows, corners, _ = packed
    u = (x - corners[shape, 0]) / CELL_MM
    v = (y - corners[shape, 1]) / CELL_MM
    c, r = math.floor(u), math.floor(v)
    if c < 0 or r < 0 or c >= columns[shape] - 1 or r >= rows[shape] - 1:
        return 1e9, 0.0, 0.0
    fu, fv = u - c, v - r
    at = start[shape] + r * columns[shape] + c
    s00, s10 = fields[at], fields[at + 1]
    s01, s11 = fields[at + columns[shape]], fields[at + columns[shape] + 1]
    low, high = s00 + fu * (s10 - s00), s01 + fu * (s11 - s01)
    slope_x = ((s10 - s00) * (1.0 - fv) + (s11 - s01) * fv) / CELL_MM
    slope_y = (high - low) / CELL_MM
    return low + fv * (high - low), slope_x, slope_y


@njit(cache=True, nogil=True)
def points_in(packed, a, xa, ya, ta, b, xb, yb, tb, gap, limit):  # type: ignore[no-untyped-def]
    """Sum of squares over the points of ``b`` too near to ``a``; stops above ``limit``."""
    points, first, radii = packed[0], packed[1], packed[7]
    reach = radii[a] + gap
    ca, sa, cb, sb = math.cos(ta), math.sin(ta), math.cos(tb), math.sin(tb)
    # b's frame straight to a's: turn by tb - ta, then shift.
    c, s = cb * ca + sb * sa, sb * ca - cb * sa
    dx, dy = xb - xa, yb - ya
    ox, oy = ca * dx + sa * dy, -sa * dx + ca * dy
    total = 0.0
    for k in range(first[b], first[b + 1]):
        px, py = points[k, 0], points[k, 1]
        x, y = ox + c * px - s * py, oy + s * px + c * py
        if x * x + y * y > reach * reach:
            continue
        d = gap - distance_at(packed, a, x, y)[0]
        if d > 0.0:
            total += d * d
            if total > limit:
                return total
    return total


@njit(cache=True, nogil=True)
def wall_energy(packed, a, x, y, t, width, depth):  # type: ignore[no-untyped-def]
    """Sum of squares over the points beyond the plate's edge."""
    points, first, radii = packed[0], packed[1], packed[7]
    r = radii[a]
    if x >= r and y >= r and x <= width - r and y <= depth - r:
        return 0.0
    c, s = math.cos(t), math.sin(t)
    total = 0.0
    for k in range(first[a], first[a + 1]):
        px = x + c * points[k, 0] - s * points[k, 1]
        py = y + s * points[k, 0] + c * points[k, 1]
        over = max(0.0, -px, px - width)
        total += over * over
        over = max(0.0, -py, py - depth)
        total += over * over
    return total


@njit(cache=True, nogil=True)
def energy_of(packed, kinds, poses, k, x, y, t, width, depth, gap, limit):  # type: ignore[no-untyped-def]
    """Energy of shape ``k`` at a pose, the edge with it; stops above ``limit``."""
    total = wall_energy(packed, kinds[k], x, y, t, width, depth)
    for j in range(poses.shape[0]):
        if total > limit:
            return total
        if j != k:
            reach = packed[7][kinds[k]] + packed[7][kinds[j]] + gap
            if (x - poses[j, 0]) ** 2 + (y - poses[j, 1]) ** 2 > reach * reach:
                continue
            total += points_in(
                packed, kinds[j], poses[j, 0], poses[j, 1], poses[j, 2],
                kinds[k], x, y, t, gap, limit - total,
            )  # fmt: skip
    return total


@njit(cache=True, nogil=True)
def _solve(a, b, c, d, e, f, r0, r1, r2):  # type: ignore[no-untyped-def]
    """Solve the symmetric system [[a, b, c], [b, d, e], [c, e, f]] x = r (Cramer)."""
    m0, m1, m2 = d * f - e * e, c * e - b * f, b * e - c * d
    det = a * m0 + b * m1 + c * m2
    if det <= 0.0:
        return 0.0, 0.0, 0.0
    n1, n2 = a * f - c * c, b * c - a * e
    x = (m0 * r0 + m1 * r1 + m2 * r2) / det
    y = (m1 * r0 + n1 * r1 + n2 * r2) / det
    z = (m2 * r0 + n2 * r1 + (a * d - b * b) * r2) / det
    return x, y, z


@njit(cache=True, nogil=True)
def step_apart(packed, kinds, poses, k, x, y, t, width, depth, gap, drift, free):  # type: ignore[no-untyped-def]
    """Energy of shape ``k`` at a pose, and one damped least-squares step from it.

    Every point too near asks to be moved along the field's slope by what is missing.

    Parameters
    ----------
    drift : (n,) float64
        How far each shape has moved so far, mm.
    free : (n, n) float64
        The points of a row's shape are known to be clear of a column's while the two drifts
        add up to less than this (after Verlet 1967); kept up to date.

    Returns
    -------
    energy, x, y, turn
        The energy before the step; the pose after it.
    """
    points, first, radii = packed[0], packed[1], packed[7]
    n = poses.shape[0]
    a = kinds[k]
    size = radii[a]
    energy = 0.0
    # Normal equations of the step (x, y, turn · size).
    xx = xy = xt = yy = yt = tt = rx_ = ry_ = rt_ = 0.0
    ca, sa = math.cos(t), math.sin(t)
    if x < size or y < size or x > width - size or y > depth - size:
        for p in range(first[a], first[a + 1]):
            px = ca * points[p, 0] - sa * points[p, 1]
            py = sa * points[p, 0] + ca * points[p, 1]
            d = max(0.0, -(x + px)) - max(0.0, x + px - width)
            if d != 0.0:
                lever = -py / size
                energy += d * d
                xx += 1.0
                xt += lever
                tt += lever * lever
                rx_ += d
                rt_ += d * lever
            d = max(0.0, -(y + py)) - max(0.0, y + py - depth)
            if d != 0.0:
                lever = px / size
                energy += d * d
                yy += 1.0
                yt += lever
                tt += lever * lever
                ry_ += d
                rt_ += d * lever
    for j in range(n):
        if j == k:
            continue
        b = kinds[j]
        xb, yb, tb = poses[j, 0], poses[j, 1], poses[j, 2]
        reach = size + radii[b] + gap
        if (x - xb) ** 2 + (y - yb) ** 2 > reach * reach:
            continue
        if drift[k] + drift[j] < free[k, j]:
            continue
        clear = CLEAR_MM
        cb, sb = math.cos(tb), math.sin(tb)
        ox, oy = x - xb, y - yb
        far = (radii[b] + gap + CLEAR_MM) ** 2
        for p in range(first[a], first[a + 1]):
            px = ca * points[p, 0] - sa * points[p, 1]
            py = sa * points[p, 0] + ca * points[p, 1]
            qx, qy = ox + px, oy + py
            if qx * qx + qy * qy > far:
                continue
            s, gx, gy = distance_at(packed, b, cb * qx + sb * qy, -sb * qx + cb * qy)
            d = gap - s
            if d <= 0.0:
                clear = min(clear, -d)
                continue
            clear = 0.0
            nx, ny = cb * gx - sb * gy, sb * gx + cb * gy
            lever = (px * ny - py * nx) / size
            energy += d * d
            xx += nx * nx
            xy += nx * ny
            xt += nx * lever
            yy += ny * ny
            yt += ny * lever
            tt += lever * lever
            rx_ += d * nx
            ry_ += d * ny
            rt_ += d * lever
        free[k, j] = drift[k] + drift[j] + clear
    if energy <= 0.0:
        return energy, x, y, t
    damp = 0.02 * (xx + yy + tt) + 1e-9
    dx, dy, dt = _solve(xx + damp, xy, xt, yy + damp, yt, tt + damp, rx_, ry_, rt_)
    turn = dt / size
    length = math.hypot(dx, dy)
    shrink = min(1.0, _LONGEST_STEP_MM / max(length, 1e-9), _LARGEST_TURN / max(abs(turn), 1e-9))
    return energy, x + shrink * dx, y + shrink * dy, t + shrink * turn
