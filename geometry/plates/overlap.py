"""How much shapes on a plate come too near each other, and how to move one apart.

A pose is (x, y, turn in radians) of a shape's centre. A point of one outline that lies
nearer to another outline than the gap adds the square of what is missing, and so does a
point beyond the plate's edge. ``packed`` is :attr:`geometry.plates.shapes.Shapes.packed`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from geometry.plates.shapes import CELL_MM

_LONGEST_STEP_MM = 4.0
_LARGEST_TURN = 0.15


@njit(cache=True, nogil=True)
def distance_at(packed, shape, x, y):  # type: ignore[no-untyped-def]
    """Signed distance and its slope at a point about the shape's own centre."""
    _, _, fields, start, columns, rows, corners, _ = packed
    u = (x - corners[shape, 0]) / CELL_MM
    v = (y - corners[shape, 1]) / CELL_MM
    c, r = int(math.floor(u)), int(math.floor(v))
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
def points_in(packed, a, xa, ya, ta, b, xb, yb, tb, gap):  # type: ignore[no-untyped-def]
    """Sum of squares over the points of ``b`` too near to ``a``."""
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
    return total


@njit(cache=True, nogil=True)
def pair_energy(packed, a, xa, ya, ta, b, xb, yb, tb, gap):  # type: ignore[no-untyped-def]
    """Sum of squares over the points of both shapes too near to the other one."""
    reach = packed[7][a] + packed[7][b] + gap
    if (xa - xb) ** 2 + (ya - yb) ** 2 > reach * reach:
        return 0.0
    return points_in(packed, a, xa, ya, ta, b, xb, yb, tb, gap) + points_in(
        packed, b, xb, yb, tb, a, xa, ya, ta, gap
    )


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
def energy_of(packed, kinds, poses, weights, k, x, y, t, width, depth, gap, limit):  # type: ignore[no-untyped-def]
    """Weighted energy of shape ``k`` at a pose among the others; stops above ``limit``.

    ``weights`` is (n, n + 1): pairs, and the edge of the plate in the last column.
    """
    n = poses.shape[0]
    total = weights[k, n] * wall_energy(packed, kinds[k], x, y, t, width, depth)
    for j in range(n):
        if total > limit:
            return total
        if j != k:
            total += weights[k, j] * pair_energy(
                packed, kinds[k], x, y, t, kinds[j], poses[j, 0], poses[j, 1], poses[j, 2], gap
            )
    return total


@njit(cache=True, nogil=True)
def _add(system, right, nx, ny, lever, size, missing, weight):  # type: ignore[no-untyped-def]
    """Add to the normal equations that moving along (nx, ny) by ``missing`` is wanted."""
    lever = lever / size
    row = (nx, ny, lever)
    for i in range(3):
        right[i] += weight * row[i] * missing
        for j in range(3):
            system[i, j] += weight * row[i] * row[j]


@njit(cache=True, nogil=True)
def step_apart(packed, kinds, poses, weights, k, x, y, t, width, depth, gap):  # type: ignore[no-untyped-def]
    """One damped least-squares step of shape ``k``; returns its new pose."""
    points, first, radii = packed[0], packed[1], packed[7]
    n = poses.shape[0]
    a = kinds[k]
    size = radii[a]
    system = np.zeros((3, 3))
    right = np.zeros(3)
    ca, sa = math.cos(t), math.sin(t)
    for p in range(first[a], first[a + 1]):
        rx = ca * points[p, 0] - sa * points[p, 1]
        ry = sa * points[p, 0] + ca * points[p, 1]
        over = max(0.0, -(x + rx)) - max(0.0, x + rx - width)
        if over != 0.0:
            _add(system, right, 1.0, 0.0, -ry, size, over, weights[k, n])
        over = max(0.0, -(y + ry)) - max(0.0, y + ry - depth)
        if over != 0.0:
            _add(system, right, 0.0, 1.0, rx, size, over, weights[k, n])
    for j in range(n):
        if j == k:
            continue
        b = kinds[j]
        xb, yb, tb = poses[j, 0], poses[j, 1], poses[j, 2]
        reach = radii[a] + radii[b] + gap
        if (x - xb) ** 2 + (y - yb) ** 2 > reach * reach:
            continue
        cb, sb = math.cos(tb), math.sin(tb)
        for p in range(first[a], first[a + 1]):
            rx = ca * points[p, 0] - sa * points[p, 1]
            ry = sa * points[p, 0] + ca * points[p, 1]
            qx, qy = x + rx - xb, y + ry - yb
            d, gx, gy = distance_at(packed, b, cb * qx + sb * qy, -sb * qx + cb * qy)
            if d < gap:
                nx, ny = cb * gx - sb * gy, sb * gx + cb * gy
                _add(system, right, nx, ny, rx * ny - ry * nx, size, gap - d, weights[k, j])
        for p in range(first[b], first[b + 1]):
            rx = xb + cb * points[p, 0] - sb * points[p, 1] - x
            ry = yb + sb * points[p, 0] + cb * points[p, 1] - y
            d, gx, gy = distance_at(packed, a, ca * rx + sa * ry, -sa * rx + ca * ry)
            if d < gap:
                nx, ny = -(ca * gx - sa * gy), -(sa * gx + ca * gy)
                _add(system, right, nx, ny, rx * ny - ry * nx, size, gap - d, weights[k, j])
    trace = system[0, 0] + system[1, 1] + system[2, 2]
    if trace <= 0.0:
        return x, y, t
    for i in range(3):
        system[i, i] += 0.02 * trace + 1e-9
    step = np.linalg.solve(system, right)
    length = math.hypot(step[0], step[1])
    turn = step[2] / size
    shrink = min(1.0, _LONGEST_STEP_MM / max(length, 1e-9), _LARGEST_TURN / max(abs(turn), 1e-9))
    return x + shrink * step[0], y + shrink * step[1], t + shrink * turn
