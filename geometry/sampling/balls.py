"""Drops that hang free: round caps that close all around, as nothing on a tooth does.

A drop in the gap between two teeth, or caught in the niche beside a contact, often has no ground
around it to stand out over. But it is a piece of a ball: lines through its surface, at right
angles to it, meet in one point, and it curves away from its top in every direction. Crowns are
much larger rounds, collars of gum and edges curve one way only; what else is as round, cusps and
the corners of incisal edges, lies at the biting surface and faces up. Radii and limits were chosen
on generated mouths: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

_TRIED_MM = (0.8, 1.05, 1.35, 1.7)
_RADIUS_MM = (0.75, 2.0)
_LOST_MM = (0.45, 2.2)
# What meets within so much counts as one point; so many vertices have to, for a radius of 1 mm.
_MEET_MM, _MEET_LEAST = 0.22, 8.0
# The same ball is fitted once; so many are fitted at most, in so many rounds, to what lies so near
# and faces away from the middle.
_SAME_MM, _MOST_FITTED, _ROUNDS, _NEAR_MM, _FACING, _FEWEST = 0.4, 80, 6, 0.15, 0.88, 12
_SECTORS = 12
# Kinds of caps told: root mean square off the ball, mm; how far it reaches down from its top in all
# but one direction, and in half of all, degrees. The further a cap reaches, the less like a ball it
# needs to be.
_CAPS = ((0.060, 45.0, 65.0), (0.045, 32.0, 48.0), (0.035, 25.0, 40.0))
# Nearer to the biting surfaces its corners are as round; cusps and the tips of papillae lie down to
# the second, and face up by more than the cosine.
_BITING_MM, _PAPILLAE_MM, _UP_BESIDE_PAPILLAE, _UP = -2.2, -9.0, 0.3, 0.5
# What hangs like this is the edge of the scan, seen from below.
_DOWN = -0.8


@dataclass(frozen=True, slots=True)
class Ball:
    """A round cap.

    Attributes
    ----------
    middle : (3,) float64
        Of the ball.
    top : (3,) float64
        Unit vector to the middle of the cap.
    radius_mm, off_mm : float
        Of the ball, and root mean square of the cap's vertices off it.
    reach_deg : (12,) float64
        How far the cap reaches from its top in so many directions, rising.
    """

    middle: Array
    top: Array
    radius_mm: float
    off_mm: float
    reach_deg: Array

    @property
    def at(self) -> Array:
        """The top of the cap, (3,)."""
        return self.middle + self.radius_mm * self.top

    @property
    def height_mm(self) -> float:
        """How far the top stands out over the cap's rim."""
        reach = np.radians(float(np.median(self.reach_deg)))
        return float(self.radius_mm * (1.0 - np.cos(reach)))


def find_balls(points: Array, facing: Array, tops: NDArray[np.int64], origin: Array,
               up: Array) -> list[Ball]:
    """Find drops on a surface, the roundest first.

    Parameters
    ----------
    points, facing : (n, 3) float64
        Evenly spaced vertices that stand out of the surface around, and unit normals.
    tops : (k,) int64
        Those of them that stand out most, from which balls are looked for.
    origin, up : (3,) float64
        A point of the occlusal plane, and the unit vector from the gums to the biting surfaces.
    """
    tree = cKDTree(points)
    seeds = []
    for radius in _TRIED_MM:
        middles = points - radius * facing
        met = cKDTree(middles).query_ball_point(middles[tops], _MEET_MM, return_length=True)
        some = np.flatnonzero(met >= _MEET_LEAST * radius**2)
        seeds += [(-met[k] / radius**2, radius, k) for k in some.tolist()]
    fitted: list[Array] = []
    found: list[Ball] = []
    for _, radius, k in sorted(seeds):
        middle = points[tops[k]] - radius * facing[tops[k]]
        if _known(middle, fitted):
            continue
        if len(fitted) >= _MOST_FITTED:
            break
        fitted.append(middle)
        ball = _fit(points, facing, tree, middle, radius, up)
        if ball is None or _known(ball.middle, [other.middle for other in found]):
            continue
        fitted.append(ball.middle)
        if _is_drop(ball, float((ball.middle - origin) @ up), float(ball.top @ up)):
            found.append(ball)
    return found


def _known(middle: Array, others: list[Array]) -> bool:
    return any(((middle - other) ** 2).sum() < _SAME_MM**2 for other in others)


def _is_drop(ball: Ball, height: float, up: float) -> bool:
    """Whether a cap so far over the occlusal plane, facing up by so much, is no anatomy."""
    most_up = _UP_BESIDE_PAPILLAE if height > _PAPILLAE_MM else _UP
    if height > _BITING_MM or not _DOWN < up < most_up:
        return False
    if not _RADIUS_MM[0] <= ball.radius_mm <= _RADIUS_MM[1]:
        return False
    most, half = float(ball.reach_deg[1]), float(ball.reach_deg[_SECTORS // 2])
    return any(ball.off_mm <= off and most >= all_but_one and half >= in_half
               for off, all_but_one, in_half in _CAPS)


def _fit(points: Array, facing: Array, tree: cKDTree, middle: Array, radius: float,
         up: Array) -> Ball | None:
    """The ball that fits best to the surface near one, None where nothing holds together."""
    cap = np.empty((0, 3))
    for _ in range(_ROUNDS):
        near = np.sort(np.array(tree.query_ball_point(middle, radius + _NEAR_MM), dtype=np.int64))
        arm = points[near] - middle
        away = np.linalg.norm(arm, axis=1)
        own = (arm * facing[near]).sum(axis=1) > _FACING * away
        own &= np.abs(away - radius) < _NEAR_MM
        if own.sum() < _FEWEST:
            return None
        cap = points[near[own]]
        centre = cap.mean(axis=0)
        flat = cap - centre
        solved, *_ = np.linalg.lstsq(
            np.column_stack([2.0 * flat, np.ones(len(flat))]), (flat**2).sum(axis=1), rcond=None
        )
        middle = centre + solved[:3]
        radius = float(np.sqrt(max(solved[3] + solved[:3] @ solved[:3], 0.0)))
        if not _LOST_MM[0] < radius < _LOST_MM[1]:
            return None
    arm = cap - middle
    away = np.linalg.norm(arm, axis=1)
    arm /= away[:, None]
    top = arm.mean(axis=0)
    top /= np.linalg.norm(top)
    # Directions from the top belong to the mouth: the first goes as far up as there is up.
    first = np.cross(top, up)
    if np.linalg.norm(first) < 1e-6:
        return None
    first /= np.linalg.norm(first)
    second = np.cross(first, top)
    angle = np.degrees(np.arccos(np.clip(arm @ top, -1.0, 1.0)))
    turn = np.arctan2(arm @ second, arm @ first) / (2.0 * np.pi)
    sector = np.floor((turn % 1.0) * _SECTORS).astype(np.int64) % _SECTORS
    reach = np.zeros(_SECTORS)
    np.maximum.at(reach, sector, angle)
    off = float(np.sqrt(((away - radius) ** 2).mean()))
    return Ball(middle, top, radius, off, np.sort(reach))
