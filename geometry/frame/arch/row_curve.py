"""Which way the front teeth are: a dental arch form fitted to the crowns.

The arch form is the beta function of Braun, Hnat, Fender and Legan, "The form
of the human dental arch", Angle Orthodontist 1998;68(1):29-36 (coefficients from
memory): ``y = D (4 (1/2 + x/W)(1/2 - x/W))^e`` with e = 0.8; here e is free, so
that ellipses (0.5) and parabolas (1) belong to the family. It is symmetric, so
its axis is the midline. Its pose, width W, depth D and e are fitted with a
robust loss from many starts. So that half an arch or a few teeth are placed too,
the fit also knows that front teeth bite with an edge and back teeth with a broad
surface: each crown point brings how broad the biting surface is around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

USUAL_WIDTH_MM = 54.0
USUAL_DEPTH_MM = 42.0
WIDTH_SD_MM = 6.0
DEPTH_SD_MM = 6.0
USUAL_EXPONENT = 0.65
EXPONENT_SD = 0.12
CURVE_POINTS = 61
OUTLINE_POINTS = 241
COARSE_DATA = 80
FINE_DATA = 800
CAUCHY_MM = 1.5
BREADTH_RADIUS_MM = 4.0
EDGE_BREADTH_MM = 3.2
TABLE_BREADTH_MM = 6.4
EDGE_UNTIL_MM = 14.0
TABLE_FROM_MM = 30.0
BREADTH_WEIGHT = 0.5
"""Millimetres of distance that a millimetre of unexpected breadth is worth."""


@dataclass(frozen=True, slots=True)
class RowCurve:
    """A fitted arch form in the plane.

    Attributes
    ----------
    front : (2,) float64
        Unit vector from the back teeth to the front ones.
    apex : (2,) float64
        The most anterior point of the curve, on the midline, mm.
    width_mm, depth_mm, exponent : float
    misfit_mm : float
        Robust mean distance of the crowns from the curve.
    certainty : float
        How much worse the best other direction fits, 0 (as well) to 1.
    """

    front: NDArray[np.float64]
    apex: NDArray[np.float64]
    width_mm: float
    depth_mm: float
    exponent: float
    misfit_mm: float
    certainty: float

    def to_arch(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn plane points into (across, anterior) with the apex as origin."""
        across = np.array([self.front[1], -self.front[0]])
        moved = points - self.apex
        return np.stack([moved @ across, moved @ self.front], axis=1)

    def from_arch(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn (across, anterior) back into plane points."""
        across = np.array([self.front[1], -self.front[0]])
        return self.apex + points[:, :1] * across + points[:, 1:] * self.front

    def outline(self) -> NDArray[np.float64]:
        """Return points along the curve from end to end, (across, anterior) from the apex, mm."""
        # Cosine spacing carries the steep ends of the curve.
        x = -0.5 * self.width_mm * np.cos(np.linspace(0.0, np.pi, OUTLINE_POINTS))
        inner = np.maximum(0.0, (0.5 + x / self.width_mm) * (0.5 - x / self.width_mm))
        return np.stack([x, self.depth_mm * ((4.0 * inner) ** self.exponent - 1.0)], axis=1)

    def places(self, reach_mm: float, step_mm: float) -> NDArray[np.float64]:
        """Return places every ``step_mm`` to ``reach_mm`` either side of the midline at most."""
        curve = self.outline()
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
        s = length - length[OUTLINE_POINTS // 2]
        steps = int(min(reach_mm, -s[0], s[-1]) / step_mm)
        at = np.arange(-steps, steps + 1) * step_mm
        return np.stack([np.interp(at, s, curve[:, k]) for k in range(2)], axis=1)


@njit(cache=True, nogil=True)
def _residuals(pose, data, out, count):  # type: ignore[no-untyped-def]
    """Signed distances of ``data`` from the curve, then the two size terms."""
    cos, sin = np.cos(pose[0]), np.sin(pose[0])
    width, depth = pose[3], pose[4]
    curve = np.empty((count, 2), dtype=np.float64)
    along = np.zeros(count, dtype=np.float64)
    for k in range(count):
        # Points crowd towards the ends, where the curve is steep.
        x = -0.5 * width * np.cos(np.pi * k / (count - 1))
        inner = max(0.0, (0.5 + x / width) * (0.5 - x / width))
        curve[k, 0] = x
        curve[k, 1] = depth * ((4.0 * inner) ** pose[5] - 1.0)
        if k > 0:
            along[k] = along[k - 1] + np.hypot(
                curve[k, 0] - curve[k - 1, 0], curve[k, 1] - curve[k - 1, 1]
            )
    apex = 0.5 * along[count - 1]
    n = data.shape[0]
    for i in range(n):
        px = data[i, 0] - pose[1]
        py = data[i, 1] - pose[2]
        # The front lies along (cos, sin); x runs along (sin, -cos).
        x = px * sin - py * cos
        y = px * cos + py * sin
        best = 1e18
        sign = 1.0
        place = 0.0
        for k in range(count - 1):
            ax, ay = curve[k, 0], curve[k, 1]
            ex, ey = curve[k + 1, 0] - ax, curve[k + 1, 1] - ay
            t = ((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey)
            t = min(1.0, max(0.0, t))
            dx, dy = x - ax - t * ex, y - ay - t * ey
            d = dx * dx + dy * dy
            if d < best:
                best = d
                sign = 1.0 if ex * dy - ey * dx > 0 else -1.0
                place = along[k] + t * (along[k + 1] - along[k])
        out[i] = sign * np.sqrt(best)
        back = (abs(place - apex) - EDGE_UNTIL_MM) / (TABLE_FROM_MM - EDGE_UNTIL_MM)
        back = min(1.0, max(0.0, back))
        expected = EDGE_BREADTH_MM + (TABLE_BREADTH_MM - EDGE_BREADTH_MM) * back
        out[n + i] = BREADTH_WEIGHT * (data[i, 2] - expected)
    out[2 * n] = (width - USUAL_WIDTH_MM) / WIDTH_SD_MM
    out[2 * n + 1] = (depth - USUAL_DEPTH_MM) / DEPTH_SD_MM
    out[2 * n + 2] = (pose[5] - USUAL_EXPONENT) / EXPONENT_SD


@njit(cache=True, nogil=True)
def _cost(residual, n, scale, hold):  # type: ignore[no-untyped-def]
    total = 0.0
    for i in range(2 * n):
        total += np.log1p((residual[i] / scale) ** 2)
    sizes = residual[2 * n] ** 2 + residual[2 * n + 1] ** 2 + residual[2 * n + 2] ** 2
    return total / n + hold * sizes


@njit(cache=True, nogil=True)
def _follow(start, data, rounds, scale, hold, count, least_gain):  # type: ignore[no-untyped-def]
    """Levenberg-Marquardt with Cauchy weights from one start."""
    n = data.shape[0]
    pose = start.copy()
    here = np.empty(2 * n + 3, dtype=np.float64)
    there = np.empty(2 * n + 3, dtype=np.float64)
    jacobian = np.empty((2 * n + 3, 6), dtype=np.float64)
    step = np.array([1e-4, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3])
    _residuals(pose, data, here, count)
    cost = _cost(here, n, scale, hold)
    damping = 1e-2
    for _ in range(rounds):
        for p in range(6):
            moved = pose.copy()
            moved[p] += step[p]
            _residuals(moved, data, there, count)
            for i in range(2 * n + 3):
                jacobian[i, p] = (there[i] - here[i]) / step[p]
        normal = np.zeros((6, 6))
        gradient = np.zeros(6)
        for i in range(2 * n + 3):
            if i < 2 * n:
                w = 1.0 / ((scale * scale + here[i] * here[i]) * n)
            else:
                w = hold
            for p in range(6):
                gradient[p] += w * jacobian[i, p] * here[i]
                for q in range(6):
                    normal[p, q] += w * jacobian[i, p] * jacobian[i, q]
        better = False
        for _attempt in range(4):
            system = normal.copy()
            for p in range(6):
                system[p, p] += damping * normal[p, p] + 1e-12
            change = np.linalg.solve(system, gradient)
            trial = pose - change
            trial[3] = min(80.0, max(25.0, trial[3]))
            trial[4] = min(75.0, max(15.0, trial[4]))
            trial[5] = min(1.1, max(0.35, trial[5]))
            _residuals(trial, data, there, count)
            now = _cost(there, n, scale, hold)
            if now < cost:
                gain = cost - now
                pose = trial
                cost = now
                here, there = there, here
                damping = max(1e-5, damping * 0.3)
                better = gain > least_gain
                break
            damping *= 6.0
        if not better:
            break
    return pose, cost


@njit(cache=True, nogil=True)
def _from_many(data, directions, rounds, scale, hold, count):  # type: ignore[no-untyped-def]
    """Best pose for each of a ring of directions (three placements each)."""
    poses = np.empty((directions, 6), dtype=np.float64)
    costs = np.full(directions, 1e18, dtype=np.float64)
    for k in range(directions):
        turn = 2.0 * np.pi * k / directions
        cos, sin = np.cos(turn), np.sin(turn)
        x = data[:, 0] * sin - data[:, 1] * cos
        y = data[:, 0] * cos + data[:, 1] * sin
        front = y.max()
        for place in range(3):
            if place == 0:
                middle = 0.5 * (x.min() + x.max())
            elif place == 1:
                middle = x.min() + 0.5 * USUAL_WIDTH_MM
            else:
                middle = x.max() - 0.5 * USUAL_WIDTH_MM
            start = np.array(
                [
                    turn,
                    middle * sin + front * cos,
                    -middle * cos + front * sin,
                    USUAL_WIDTH_MM,
                    USUAL_DEPTH_MM,
                    USUAL_EXPONENT,
                ]
            )
            pose, cost = _follow(start, data, rounds, scale, hold, count, 1e-4)
            if cost < costs[k]:
                costs[k] = cost
                poses[k] = pose
    return poses, costs


def _breadths(crowns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how broad the band of crowns is around each point, mm."""
    pairs = cKDTree(crowns).query_pairs(BREADTH_RADIUS_MM, output_type="ndarray")
    n = crowns.shape[0]
    a, b = np.concatenate([pairs, pairs[:, ::-1]]).T
    count = np.bincount(a, minlength=n) + 1.0
    x, y = crowns.T
    mean_x = (np.bincount(a, x[b], n) + x) / count
    mean_y = (np.bincount(a, y[b], n) + y) / count
    xx = (np.bincount(a, x[b] ** 2, n) + x**2) / count - mean_x**2
    yy = (np.bincount(a, y[b] ** 2, n) + y**2) / count - mean_y**2
    xy = (np.bincount(a, x[b] * y[b], n) + x * y) / count - mean_x * mean_y
    half = 0.5 * (xx + yy)
    small = half - np.sqrt(np.maximum(0.0, (0.5 * (xx - yy)) ** 2 + xy**2))
    # A uniform band of breadth b has the variance b²/12 across.
    return np.sqrt(12.0 * np.maximum(small, 0.0))


def fit_row_curve(crowns: NDArray[np.float64]) -> RowCurve:
    """Fit the arch form to plane points spread over the crowns.

    Parameters
    ----------
    crowns : (n, 2) float64, mm
    """
    rng = np.random.default_rng(3)
    crowns = np.concatenate([crowns, _breadths(crowns)[:, None]], axis=1)
    few = crowns
    if few.shape[0] > COARSE_DATA:
        few = crowns[rng.permutation(crowns.shape[0])[:COARSE_DATA]]
    more = crowns
    if more.shape[0] > FINE_DATA:
        more = crowns[rng.permutation(crowns.shape[0])[:FINE_DATA]]
    few = np.ascontiguousarray(few)
    poses, costs = _from_many(few, 12, 6, CAUCHY_MM, 0.01, 31)
    best = int(np.argmin(costs))
    pose, _ = _follow(
        poses[best], np.ascontiguousarray(more), 30, CAUCHY_MM, 0.01, CURVE_POINTS, 1e-6
    )
    turned = np.cos(poses[:, 0] - pose[0]) < np.cos(np.radians(35.0))
    other = float(costs[turned].min()) if turned.any() else float("inf")
    certainty = float(np.clip((other - costs[best]) / max(other, 1e-9), 0.0, 1.0))
    front = np.array([np.cos(pose[0]), np.sin(pose[0])])
    residual = np.empty(2 * more.shape[0] + 3)
    _residuals(pose, np.ascontiguousarray(more), residual, CURVE_POINTS)
    misfit = float(np.median(np.abs(residual[: more.shape[0]])))
    return RowCurve(
        front, pose[1:3].copy(), float(pose[3]), float(pose[4]), float(pose[5]), misfit, certainty
    )
