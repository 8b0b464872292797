"""The occlusal plane: the robust plane of the incisal edges and cusp tips.

The search needs no first guess. It looks at the scan along directions spread
over the whole sphere; from each it takes the tips it sees, and asks which plane
many of them share while hardly anything stands above it and the border of the
scan lies below. The best few are followed on the full surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.frame.relief import Relief, basis_of, relief_of
from geometry.frame.surface import Surface
from geometry.frame.tips import Tips, plain_tips, thorough_tips

COARSE_POINTS = 16_000
COARSE_CELL_MM = 0.7
FINE_CELL_MM = 0.35
DIRECTIONS = 42
FOLLOWED = 3
SHARED_MM = 2.0
"""Tips this close to a trial plane count for it."""

REACH_MM = 3.2
"""Tips farther from the plane than this are not on it (pads, rugae, gums)."""

REACH_ABOVE_MM = 5.0
"""Nothing but teeth stands above the plane: where the curve of Spee is deep and the bite too,
front teeth are found this far up, seen from a plane of the back ones."""

SUNK_MM = 6.5
"""Half erupted teeth stand as far below the plane as this; they count as outliers do."""

FIRST_REACH_MM = 4.5
HUBER_MM = 0.8
SCALED = 2.0
"""Robust limit over the median distance: 1.345 standard deviations, Huber 1964."""
EDGE_FLOOR_MM = 2.5
"""A ridge farther below the plane than this is not an incisal edge."""

RIVAL = 0.4
"""Planes with at least this share of the best score are all followed to the end."""

EVEN_MM = 1.0
"""Tips spread this much about a plane are half the evidence of tips that lie on it."""

UNEVEN_TIP_MM = 2.0 * HUBER_MM
"""Tips farther than this from the plane stand at another level than it."""

UNCONFIRMED = 0.7
"""What the score of a plane counts that shows no tips when seen along its own axis."""

BORDER_DEPTH_MM = 4.0
LEAST_TIPS = 4
LEAST_SPREAD_MM = 0.5
"""Natural unevenness of a row of teeth; a few tips lie in one plane by chance."""

SETTLED = 5e-4
"""The plane is settled when its axis moves by less than this, rad."""


@dataclass(frozen=True, slots=True)
class OcclusalPlane:
    """A plane through the tips of the teeth.

    Attributes
    ----------
    axis : (3,) float64
        Unit normal, from the gums to the biting surfaces.
    level : float
        ``axis · x`` on the plane, in surface coordinates, mm.
    tips : Tips
        The tips that lie on it, surface coordinates.
    rest : Tips
        Other tips found when it was seen along its axis.
    score : float
        Summed evidence; compares candidates of one scan only.
    spread_mm : float
        Root mean square distance of the tips from the plane.
    uneven : float
        Share of what was fitted that stands at another level than the plane, 0 to 1; once
        :func:`refit`.
    """

    axis: NDArray[np.float64]
    level: float
    tips: Tips
    score: float
    spread_mm: float
    rest: Tips
    uneven: float = 0.0

    @property
    def tilt_sd_deg(self) -> float:
        """Standard deviation of the tilt, about the direction of least spread of the tips."""
        points = self.tips.points - self.tips.points.mean(axis=0)
        flat = points - np.outer(points @ self.axis, self.axis)
        # Of three directions one is the axis, without spread; the next is the least one.
        least = float(np.linalg.eigvalsh(flat.T @ flat / flat.shape[0])[1])
        # Neighbouring tips share the error of their tooth: two of them tell one thing.
        told = max(1.0, 0.5 * flat.shape[0])
        spread = max(self.spread_mm, LEAST_SPREAD_MM)
        return float(np.degrees(spread / np.sqrt(max(least, 0.01) * told)))


@njit(cache=True, nogil=True)
def _best_plane(points, weight, axis, least_cos, shared, tries, seed):  # type: ignore[no-untyped-def]
    """Plane through three tips that the most weight shares, little standing above it."""
    n = points.shape[0]
    np.random.seed(seed)
    best = -1e18
    best_axis = np.zeros(3)
    best_level = 0.0
    for _ in range(tries):
        i = np.random.randint(n)
        j = np.random.randint(n)
        k = np.random.randint(n)
        if i in (j, k) or j == k:
            continue
        ux = points[j, 0] - points[i, 0]
        uy = points[j, 1] - points[i, 1]
        uz = points[j, 2] - points[i, 2]
        wx = points[k, 0] - points[i, 0]
        wy = points[k, 1] - points[i, 1]
        wz = points[k, 2] - points[i, 2]
        nx = uy * wz - uz * wy
        ny = uz * wx - ux * wz
        nz = ux * wy - uy * wx
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        if length < 30.0:  # mm²: too thin a triangle says nothing about the tilt
            continue
        along = (nx * axis[0] + ny * axis[1] + nz * axis[2]) / length
        if abs(along) < least_cos:
            continue
        if along < 0:
            length = -length
        nx /= length
        ny /= length
        nz /= length
        level = nx * points[i, 0] + ny * points[i, 1] + nz * points[i, 2]
        score = 0.0
        for p in range(n):
            d = nx * points[p, 0] + ny * points[p, 1] + nz * points[p, 2] - level
            if abs(d) < shared:
                score += weight[p] * (1.0 - (d / shared) ** 2)
            elif d > 0:
                score -= 0.5 * weight[p]
        if score > best:
            best = score
            best_axis[0], best_axis[1], best_axis[2] = nx, ny, nz
            best_level = level
    return best, best_axis, best_level


@njit(cache=True, nogil=True)
def _fit(points, share, axis, level, reach, above, huber):  # type: ignore[no-untyped-def]
    """Huber fit of the plane to the tips near it, followed to rest.

    ``share`` is how much each tip counts; tips lower than ``reach`` or higher than ``above``
    do not. ``huber`` is the least distance from which they count less.
    """
    n = points.shape[0]
    inside = np.zeros(n, dtype=np.bool_)
    now = np.zeros(n, dtype=np.bool_)
    axis = axis.copy()
    limit = huber
    away = np.empty(n)
    for _ in range(12):
        total = 0.0
        count = 0
        middle = np.zeros(3)
        weight = np.zeros(n)
        same = True
        for i in range(n):
            d = points[i, 0] * axis[0] + points[i, 1] * axis[1] + points[i, 2] * axis[2] - level
            now[i] = -reach <= d <= above
            d = abs(d)
            same &= now[i] == inside[i]
            if now[i]:
                weight[i] = share[i] * (1.0 if d <= limit else limit / d)
                total += weight[i]
                away[count] = d
                count += 1
                for k in range(3):
                    middle[k] += weight[i] * points[i, k]
        if count < 3:
            break
        # Along a deep curve of Spee all tips lie far off; none of them is an outlier then.
        limit = max(huber, SCALED * np.median(away[:count]))
        middle /= total
        spread = np.zeros((3, 3))
        for i in range(n):
            if now[i]:
                for k in range(3):
                    for m in range(3):
                        spread[k, m] += (
                            weight[i] * (points[i, k] - middle[k]) * (points[i, m] - middle[m])
                        )
        values, vectors = np.linalg.eigh(spread)
        normal = vectors[:, 0].copy()
        # Tips in a row leave the tilt across the row open; keep what it was.
        if values[1] < 1.44 * total:
            row = vectors[:, 2]
            along = axis[0] * row[0] + axis[1] * row[1] + axis[2] * row[2]
            normal = axis - along * row
            normal /= np.sqrt((normal * normal).sum())
        if (normal * axis).sum() < 0:
            normal = -normal
        moved = np.sqrt(((normal - axis) ** 2).sum())
        axis = normal
        level = (normal * middle).sum()
        inside[:] = now
        if moved < 1e-5 and same:
            break
    return axis, level, inside


def _evidence(
    surface: Surface,
    relief: Relief,
    tips: Tips,
    axis: NDArray[np.float64],
    level: float,
    inside: NDArray[np.bool_],
) -> float:
    """Score a plane: tips on it, less what stands above it or has its border there."""
    weight = np.minimum(tips.fall[inside], 1.5)
    on_plane = float(weight.sum())
    heights = surface.points @ axis - level
    seen = relief.index[relief.index >= 0]
    above = float((heights[seen] > SHARED_MM).mean())
    score = on_plane * max(0.0, 1.0 - 4.0 * above)
    if surface.border.any():
        # A border as high as the tips is no border of a scan of teeth.
        score *= float(np.clip(-heights[surface.border] / BORDER_DEPTH_MM, 0.0, 1.0).mean())
    return score


def _look(
    surface: Surface, axis: NDArray[np.float64], cell: float, cone_deg: float, tries: int
) -> OcclusalPlane | None:
    relief, _ = relief_of(surface, basis_of(axis), cell)
    tips = plain_tips(surface, relief)
    if tips.points.shape[0] < LEAST_TIPS:
        return None
    weight = np.minimum(tips.fall, 1.5)
    even = np.ones_like(weight)
    found, normal, level = _best_plane(
        tips.points, weight, axis, np.cos(np.radians(cone_deg)), SHARED_MM, tries, 7
    )
    if found <= 0:
        return None
    for reach in (FIRST_REACH_MM, REACH_MM):
        normal, level, inside = _fit(tips.points, even, normal, level, reach, reach, HUBER_MM)
    if inside.sum() < LEAST_TIPS:
        return None
    score = _evidence(surface, relief, tips, normal, level, inside)
    chosen = tips.only(inside)
    spread = float(np.sqrt(np.mean((chosen.points @ normal - level) ** 2)))
    return OcclusalPlane(normal, level, chosen, score, spread, tips.only(~inside))


def _sphere(count: int) -> NDArray[np.float64]:
    """Directions spread evenly over the sphere (golden-angle spiral)."""
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def likely_planes(surface: Surface, count: int) -> list[OcclusalPlane]:
    """Look from all directions for planes that many tips share, the best ones first.

    At most ``count`` planes, no two of them alike.
    """
    coarse = surface.subset(COARSE_POINTS)
    _, main = np.linalg.eigh(np.cov(coarse.points.T))
    starts = np.concatenate([main.T, -main.T, _sphere(DIRECTIONS)])
    trials = []
    for start in starts:
        trial = _look(coarse, start, COARSE_CELL_MM, 32.0, 160)
        if trial is not None:
            trials.append(trial)
    trials.sort(key=lambda t: -t.score)
    kept: list[OcclusalPlane] = []
    for trial in trials:
        if all(trial.axis @ other.axis < 0.97 for other in kept):
            kept.append(trial)
        if len(kept) == count:
            break
    return kept


def find_plane(surface: Surface) -> OcclusalPlane:
    """Find the occlusal plane of a scan in any pose.

    Raises
    ------
    GeometryError
        When no plane is shared by at least four tips.
    """
    coarse = surface.subset(COARSE_POINTS)
    kept = likely_planes(coarse, FOLLOWED)
    rivals = [trial for trial in kept if trial.score >= RIVAL * kept[0].score > 0]
    if len(rivals) > 1:
        # Worn teeth hardly show from afar; looked at closely, only one plane has a row of them.
        return max((_settle(surface, rival) for rival in rivals), key=partial(_standing, surface))
    best: OcclusalPlane | None = None
    for trial in kept:
        if trial.score <= 0 or (best is not None and trial.score < 0.3 * best.score):
            continue
        again = _look(coarse, trial.axis, COARSE_CELL_MM, 15.0, 300)
        if again is None:  # along its own axis hardly a tip is seen: perhaps chance
            again = replace(trial, score=UNCONFIRMED * trial.score)
        else:
            again = _look(coarse, again.axis, COARSE_CELL_MM, 10.0, 300) or again
        if best is None or again.score > best.score:
            best = again
    if best is None or best.score <= 0:
        raise GeometryError(
            "no teeth recognised: nothing like a row of incisal edges and cusp tips; "
            "check that the file is the scan of an arch and its units are right"
        )
    return _settle(surface, best)


def _trend(
    points: NDArray[np.float64], rotation: NDArray[np.float64], relief: Relief, level: float
) -> NDArray[np.float64]:
    """Heights of a smooth bent surface through the tips, on the cells of a relief.

    Along a curve of Spee the last molars slope by ten degrees and more; a worn
    cusp there is not the highest place around until the slope is taken off.
    """
    local = points @ rotation.T
    middle = local[:, :2].mean(axis=0)
    scale = 25.0
    x, y = ((local[:, :2] - middle) / scale).T
    height = local[:, 2] - level
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    hold = np.diag([0.0, 0.05, 0.05, 0.5, 0.5, 0.5])
    weight = np.ones_like(height)
    for _ in range(4):
        weighted = terms * weight[:, None]
        bend = np.linalg.solve(weighted.T @ terms + hold, weighted.T @ height)
        weight = 1.0 / np.maximum(1.0, np.abs(height - terms @ bend) / 0.6)
    rows, columns = relief.z.shape
    gx = np.clip((relief.x0 + np.arange(columns) * relief.cell - middle[0]) / scale, -1.4, 1.4)
    gy = np.clip((relief.y0 + np.arange(rows) * relief.cell - middle[1]) / scale, -1.4, 1.4)
    gy = gy[:, None]
    return (
        bend[0]
        + bend[1] * gx
        + bend[2] * gy
        + bend[3] * gx * gx
        + bend[4] * gx * gy
        + bend[5] * gy * gy
    )


def _seen(
    surface: Surface, plane: OcclusalPlane, rotation: NDArray[np.float64]
) -> OcclusalPlane | None:
    """Fit the plane to the tips of the full surface in that relief; None with too few of them."""
    relief, _ = relief_of(surface, rotation, FINE_CELL_MM)
    flat = relief.z - _trend(plane.tips.points, rotation, relief, plane.level)
    levelled = Relief(flat, relief.index, relief.x0, relief.y0, relief.cell)
    tips = thorough_tips(surface, levelled, plane.level - EDGE_FLOOR_MM)
    axis, level, inside = _fit(
        tips.points,
        np.ones(tips.fall.shape[0]),
        plane.axis,
        plane.level,
        REACH_MM,
        REACH_ABOVE_MM,
        HUBER_MM,
    )
    if inside.sum() < LEAST_TIPS:
        return None
    chosen = tips.only(inside)
    return OcclusalPlane(
        axis,
        level,
        chosen,
        plane.score,
        float(np.sqrt(np.mean((chosen.points @ axis - level) ** 2))),
        tips.only(~inside),
    )


def _settle(surface: Surface, plane: OcclusalPlane) -> OcclusalPlane:
    """Fit the plane to the tips of the full surface, seen along the plane's own axis."""
    for _ in range(4):
        found = _seen(surface, plane, basis_of(plane.axis))
        if found is None:
            break
        moved = float(np.linalg.norm(found.axis - plane.axis))
        plane = found
        if moved < SETTLED:
            break
    return plane


def turned_views(surface: Surface, plane: OcclusalPlane, count: int) -> list[OcclusalPlane]:
    """Return a settled plane as it is, and as fitted in reliefs turned about its axis.

    Which vertex is a tip, and whether a flat one is any, hangs on the grid; over several
    grids that is averaged out, so that the same arch in another pose gets the same plane.
    """
    straight = basis_of(plane.axis)
    views = [plane]
    for angle in 0.5 * np.pi * np.arange(1, count) / count:
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        found = _seen(surface, plane, turn @ straight)
        if found is not None:
            views.append(found)
    return views


def mean_plane(
    plane: OcclusalPlane,
    views: Sequence[OcclusalPlane],
    counts: Sequence[float] | None = None,
) -> OcclusalPlane:
    """Return ``plane`` with the mean axis, level and unevenness of ``views``.

    ``counts`` says how much each of them counts; without it all do the same.
    """
    middle = plane.tips.points.mean(axis=0)
    axis = np.average([view.axis for view in views], axis=0, weights=counts)
    axis /= np.linalg.norm(axis)
    above = np.average([view.level - view.axis @ middle for view in views], weights=counts)
    level = float(axis @ middle + above)
    spread = float(np.sqrt(np.mean((plane.tips.points @ axis - level) ** 2)))
    uneven = float(np.average([view.uneven for view in views], weights=counts))
    return replace(plane, axis=axis, level=level, spread_mm=spread, uneven=uneven)


def _standing(surface: Surface, plane: OcclusalPlane) -> float:
    """Evidence for a settled plane, from all the tips found near it."""
    relief, _ = relief_of(surface, basis_of(plane.axis), FINE_CELL_MM)
    every = np.ones(plane.tips.fall.shape[0], dtype=np.bool_)
    found = _evidence(surface, relief, plane.tips, plane.axis, plane.level, every)
    # Ripples of a long vestibule and front teeth seen from the side lie less evenly than edges
    # and cusps, and stand out less.
    return found * float(plane.tips.fall.mean()) / (1.0 + plane.spread_mm / EVEN_MM)


def refit(
    plane: OcclusalPlane, more: NDArray[np.float64], share: NDArray[np.float64]
) -> OcclusalPlane:
    """Fit the plane again to its own tips and to ``more`` places (k, 3), surface coordinates.

    ``share`` is how much each of the tips, then each of the places, counts.
    """
    points = np.concatenate([plane.tips.points, more])
    axis, level, _ = _fit(points, share, plane.axis, plane.level, SUNK_MM, REACH_ABOVE_MM, HUBER_MM)
    spread = float(np.sqrt(np.mean((plane.tips.points @ axis - level) ** 2)))
    height = points @ axis - level
    near = (height >= -SUNK_MM) & (height <= REACH_ABOVE_MM)
    off = near & (np.abs(height) > UNEVEN_TIP_MM)
    uneven = float(share[off].sum() / max(share[near].sum(), 1e-9))
    return replace(plane, axis=axis, level=level, spread_mm=spread, uneven=uneven)
