"""Blisters and webs: moisture that the scanner took for surface.

A drop on a wall, or a film across the gap between two teeth, stands out as a bump of
about a millimetre. Cusps, edges and papillae stand out as much; but they face the
biting side, they run on in some direction instead of standing on a foot all around, and
they have their like across the mouth and along the row. On the biting surfaces
themselves a blister cannot be told from a cusp, unless the place is steep. A large drop on a
wall stands out no more than a crown's bulge, but it ends in a foot. All signs together tell
(:mod:`geometry.sampling.drops`), and what the place stands out by over its like across the mouth
(:mod:`geometry.sampling.across`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.axes import along_basis
from geometry.mesh import Mesh
from geometry.sampling.across import LEAST_ODDS, MOST_ODDS, over_the_other_side, unlike_odds
from geometry.sampling.balls import find_balls
from geometry.sampling.bonded import APART_MM as BONDED_APART_MM
from geometry.sampling.bonded import bonded
from geometry.sampling.drops import Tops, drop_odds
from geometry.sampling.fields import mark_near_border, smooth
from geometry.sampling.ridges import runs_on
from geometry.sampling.rises import feet, profiles, rises
from geometry.topology.adjacency import vertex_normals

Array = NDArray[np.float64]

# Even spacing at which bumps are looked for, whatever the density of the scan.
CELL_MM = 0.3
# Noise stands up as drops do (false ones on 3 to 7 of 18 generated scans with .06 to .12 mm of it);
# averaged with their neighbours once, vertices keep less than half of it.
_NOISY_MM = 0.05
# Averaging with the neighbours r times at spacing e reaches about e √r.
_REACH_MM = 0.93
# Places as high as this over the averaged surface, less what they may stand out by facing
# up or down, are looked at; steep is what faces less up than the cosine.
_LOOKED_AT_MM, _STEEP, _ALLOWED_UP_MM, _ALLOWED_DOWN_MM = -0.2, 0.2, 0.5, 0.3
_LOOKED_AT_PLAIN_MM, _NEAR_MM, _MOST_LOOKED_AT = 0.15, 0.9, 600
# A vertex alone so far out is a spike.
_SPIKE_MM = 0.9
_APART_MM = 2.0
# Rise over the foot beyond these tells no more.
_RISE_MM = (-0.5, 0.8)
# Anatomy has its like: what other places of about that height that face as much up stand out
# by (the fifth of them), and what the place across the mouth stands out by. Where the mouth's
# relief is sharp at that height all round (the fourth place of any facing), being unlike the
# places that face alike counts the more.
_ALIKE, _ALIKE_RANK, _ALIKE_LEVEL_MM, _ALIKE_FACING = 0.62, 5, 2.0, 0.3
_SHARP, _SHARP_RANK, _SHARP_LEVEL_MM = 0.45, 4, 3.0
_ACROSS, _ACROSS_MM, _ACROSS_FACING = 0.19, 3.5, 0.7
_SAME_PLACE_MM, _LIKE_LEAST_MM = 3.0, 0.1
# What has no like: the incisive papilla and the frena in the middle, and the rolled edge of
# the scan, which is trimmed off a model anyway.
_MIDDLE_MM, _MIDDLE_ALLOWED_MM = 2.5, 0.12
_EDGE_MM, _EDGE_ALLOWED_MM = 3.0, 0.04
# A frenum runs down from the gum in the middle as a ridge, so far below the biting surfaces.
_FRENUM_MM, _FRENUM_BELOW_MM = 2.0, -12.0
# Beside a crack, or where crowns overlap, no ground is seen around: nothing is told there.
_GROUND_LEAST_MM = -8.0
# The other side of the mouth is asked about so many places at most: where brackets are bonded
# very many stand out, and each costs some 10 ms.
_MOST_ASKED = 16
# Vertices that stand out of the averaged surface by so much may lie on a ball.
_BALL_MM = 0.05
# The tip of a tooth: facing up, near the biting surfaces, and nothing around it is higher by more.
_TIP_UP, _TIP_HIGHEST_MM, _TIP_AROUND_MM, _TIP_LOWER_MM = 0.4, -2.5, 2.5, 0.4
# So many places around that stand out as much to the same side are a texture, as steps of a coarse
# surface or folds of the palate are.
_FOLDS, _FOLDS_MM, _FOLDS_FACING = 3, 4.5, 0.85
_FOLDS_ALIKE, _FOLDS_LEAST_MM = 0.6, 0.4
# What lies on a surface ends in a foot, in two thirds of all directions at least: a turn of so
# much, and more where it faces up, as corners of crowns and ridges do.
_FOOT_OF, _FOOT_LEAST_RAD, _FOOT_UP_RAD = 4, 0.15, 1.0
# Nor does a drop stand over a hollow, or, facing up, on a slope: papillae and corners do.
_HOLLOW_DEPTH_MM, _HOLLOW_RISE_MM, _HOLLOW_EXCESS_MM = 0.2, 0.4, -0.05
_SLOPE_UP, _SLOPE_RISE_MM = 0.6, -0.5
# What hardly stands out over the surface around has a foot in every direction, or it is an edge:
# the overhanging back of the last crown, a crown's corner over the gum. What faces up and stands
# out by so much less than anatomy may is the broad tip of a papilla in the niche between crowns.
_LOW_PLAIN_MM, _LOW_FOOT_RAD, _NICHE_EXCESS_MM = 0.23, 0.15, -0.25
# Tips of papillae and corners of ridges face up and are only just taken for drops (log odds of .31
# to .54 on three generated mouths); of planted drops none that was so doubtful faced up.
_FACES_UP, _LEAST_ODDS_UP = 0.5, 0.6
# A ridge that runs on, as a rolled margin of the gum or the corner of a crown's flank, is only just
# taken for drops too (log odds up to 1.6 on generated mouths; drops planted on one mostly have
# more). Nearer to the biting surfaces a drop may lie on the edge of its crown.
_LEAST_ODDS_RIDGE, _EDGE_OF_CROWN_MM = 2.0, -2.2
# A drop's height is that over its foot where the surface turns outward there by as much.
_FOOT_RAD = 0.4


@dataclass(frozen=True, slots=True)
class _Zone:
    """How a blister is told at one height under the biting surfaces.

    ``rise`` is the weight of the rise over the foot, ``up_mm`` what a place may stand out
    more per unit of cosine when it faces up, ``least_mm`` what must be left.
    """

    above_mm: float
    rise: float
    up_mm: float
    least_mm: float


# From the biting surfaces down: on crowns and papillae facing counts most; lower down drops
# stand on even gum. Weights were fitted to half of the generated mouths, planted and clean.
_ZONES = (
    _Zone(-3.0, 0.04, 0.35, 0.32),
    _Zone(-7.0, 0.0, 0.38, 0.31),
    _Zone(-11.0, 0.08, 0.12, 0.365),
    _Zone(-np.inf, 0.25, 0.0, 0.373),
)
_DOWN_MM = 0.37


@dataclass(frozen=True, slots=True)
class Bump:
    """A place that stands out of its surroundings.

    Attributes
    ----------
    at : (3,) float64
    height_mm : float
        Over the ground around carried on to below it, the median of all directions; or
        over the surface averaged over about 0.9 mm, where that is more.
    bonded : bool
        It is bonded to the tooth, and no moisture.
    """

    at: NDArray[np.float64]
    height_mm: float
    bonded: bool = False


@njit(cache=True, nogil=True)
def _links(faces, count):  # type: ignore[no-untyped-def]
    """Return each vertex's neighbours as compressed rows, each once."""
    start = np.zeros(count + 1, dtype=np.int32)
    for t in range(faces.shape[0]):
        for k in range(3):
            start[faces[t, k] + 1] += 2
    for v in range(count):
        start[v + 1] += start[v]
    every = np.empty(start[count], dtype=np.int32)
    cursor = start[:-1].copy()
    for t in range(faces.shape[0]):
        for k in range(3):
            v = faces[t, k]
            every[cursor[v]] = faces[t, (k + 1) % 3]
            every[cursor[v] + 1] = faces[t, (k + 2) % 3]
            cursor[v] += 2
    filled = 0
    seen = np.full(count, -1, dtype=np.int32)
    first = np.zeros(count + 1, dtype=np.int32)
    for v in range(count):
        for e in range(start[v], start[v + 1]):
            w = every[e]
            if seen[w] != v:
                seen[w] = v
                every[filled] = w
                filled += 1
        first[v + 1] = filled
    return first, every[:filled].copy()


def _tops(
    points: Array, rank: Array, plain: Array, near_border: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Vertices that stand out most within a millimetre, highest first."""
    some = (rank > _LOOKED_AT_MM) & (plain >= _LOOKED_AT_PLAIN_MM) & ~near_border
    order = np.flatnonzero(some)
    order = order[np.argsort(-rank[order], kind="stable")]
    if not len(order):
        return order
    around = cKDTree(points[order]).query_ball_point(points[order], _NEAR_MM)
    taken = np.zeros(len(order), dtype=bool)
    tops = []
    for k, top in enumerate(order.tolist()):
        if not taken[k]:
            tops.append(top)
            taken[around[k]] = True
            if len(tops) == _MOST_LOOKED_AT:
                break
    return np.array(tops, dtype=np.int64)


def _rank(values: Array, rank: int) -> Array:
    """The ``rank``-th largest of each row."""
    at = max(values.shape[1] - rank, 0)
    return np.partition(values, at, axis=1)[:, at]


def _likes(local: Array, facing: Array, plain: Array) -> Array:
    """What anatomy may stand out by at each top, from what it does elsewhere, (k,) mm."""
    out = np.where(plain < _SPIKE_MM, np.maximum(plain, _LIKE_LEAST_MM), _LIKE_LEAST_MM)
    elsewhere = np.linalg.norm(local[:, None] - local[None], axis=2) > _SAME_PLACE_MM
    lower = np.abs(local[:, None, 2] - local[None, :, 2])
    turned = np.abs(facing[:, None, 2] - facing[None, :, 2])
    alike = elsewhere & (lower < _ALIKE_LEVEL_MM) & (turned < _ALIKE_FACING)
    around = elsewhere & (lower < _SHARP_LEVEL_MM)
    mirror = np.array([-1.0, 1.0, 1.0])
    over = np.linalg.norm((local * mirror)[:, None] - local[None], axis=2) < _ACROSS_MM
    over &= elsewhere & ((facing * mirror) @ facing.T > _ACROSS_FACING)
    found = [np.where(where, out, _LIKE_LEAST_MM) for where in (alike, around, over)]
    same, sharp, across = (
        _rank(values, rank)
        for values, rank in zip(found, (_ALIKE_RANK, _SHARP_RANK, 1), strict=True)
    )
    return np.asarray(_ALIKE * same - _SHARP * sharp + _ACROSS * across)


def _excess(
    local: Array,
    from_border: Array,
    facing: Array,
    plain: Array,
    likes: Array,
    rise: Array,
) -> Array:
    """How much more each top stands out than anatomy may there, mm; 0 is the limit."""
    rise, up = np.clip(rise, *_RISE_MM), facing[:, 2]
    facing_up, facing_down = np.clip(up - _STEEP, 0.0, None), np.clip(-up - _STEEP, 0.0, None)
    zone = np.searchsorted([-z.above_mm for z in _ZONES], -local[:, 2])
    weight, slope, least = (
        np.array([getattr(z, name) for z in _ZONES])[np.minimum(zone, len(_ZONES) - 1)]
        for name in ("rise", "up_mm", "least_mm")
    )
    excess = plain + weight * rise - slope * facing_up - _DOWN_MM * facing_down - likes - least
    excess[np.abs(local[:, 0]) < _MIDDLE_MM] -= _MIDDLE_ALLOWED_MM
    excess[from_border < _EDGE_MM] -= _EDGE_ALLOWED_MM
    return np.asarray(excess)


def _tips(local: Array, facing: Array, tops: NDArray[np.int64], tree: cKDTree,
          up: Array) -> NDArray[np.bool_]:
    """Which tops are the tips of teeth rather than something on them, (k,) bool."""
    out = np.zeros(len(tops), dtype=np.bool_)
    asked = (facing[:, 2] > _TIP_UP) & (local[:, 2] > _TIP_HIGHEST_MM)
    points = np.asarray(tree.data)
    for k in np.flatnonzero(asked).tolist():
        top = points[tops[k]]
        around = points[tree.query_ball_point(top, _TIP_AROUND_MM)]
        out[k] = float(((around - top) @ up).max()) < _TIP_LOWER_MM
    return out


def _stands(seen: Tops) -> NDArray[np.bool_]:
    """Which tops stand on a surface as a drop does, (k,) bool."""
    up = seen.facing[:, 2]
    foot = _FOOT_LEAST_RAD + _FOOT_UP_RAD * np.clip(up - _STEEP, 0.0, None)
    hollow = (seen.depth < _HOLLOW_DEPTH_MM) & (seen.middle < _HOLLOW_RISE_MM)
    hollow &= seen.excess < _HOLLOW_EXCESS_MM
    slope = (up > _SLOPE_UP) & (seen.rise < _SLOPE_RISE_MM)
    edge = (seen.plain < _LOW_PLAIN_MM) & (seen.turn[:, 0] < _LOW_FOOT_RAD)
    niche = (up > _FACES_UP) & (seen.excess < _NICHE_EXCESS_MM)
    lies = ~hollow & ~slope & ~edge & ~niche & (seen.middle >= _GROUND_LEAST_MM)
    return np.asarray((seen.turn[:, _FOOT_OF] >= foot) & lies)


def _folds(
    local: Array, facing: Array, plain: Array, asked: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which of the tops asked about have others like them close by, (len(asked),) bool."""
    out = np.zeros(len(asked), dtype=np.bool_)
    tree = cKDTree(local)
    for n, k in enumerate(asked.tolist()):
        near = tree.query_ball_point(local[k], _FOLDS_MM)
        alike = plain[near] >= max(_FOLDS_ALIKE * plain[k], _FOLDS_LEAST_MM)
        alike &= facing[near] @ facing[k] > _FOLDS_FACING
        out[n] = int(alike.sum()) - int(plain[k] >= _FOLDS_LEAST_MM) >= _FOLDS
    return out


def _sure(odds: Array, up: Array, on_ridge: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which places are likely enough to be told, for how much they face up, (k,) bool."""
    least = np.where(up > _FACES_UP, _LEAST_ODDS_UP, 0.0)
    return np.asarray(odds > np.where(on_ridge, _LEAST_ODDS_RIDGE, least))


def _is_frenum(local: Array) -> NDArray[np.bool_]:
    return (np.abs(local[..., 0]) < _FRENUM_MM) & (local[..., 2] < _FRENUM_BELOW_MM)


def _clear(at: Array, bumps: list[Bump]) -> bool:
    """Whether none of the bumps is told there already."""
    return all(
        float(np.linalg.norm(at - bump.at)) > (BONDED_APART_MM if bump.bonded else _APART_MM)
        for bump in bumps
    )


def find_bumps(
    coarse: Mesh,
    border: Array,
    origin: Array,
    axes: Array,
    outward: int,
    least_mm: float,
    noise_mm: float = 0.0,
) -> tuple[Bump, ...]:
    """Find what stands out on an arch: blisters and webs, and what is bonded to the teeth.

    Parameters
    ----------
    coarse : Mesh
        The surface with one vertex for each cell of ``CELL_MM``; wound alike.
    border : (k, 3) float64
        Border points; within about a millimetre of them nothing is judged.
    origin : (3,) float64
        A point of the occlusal plane in the middle of the arch.
    axes : (3, 3) float64
        Rows: unit vectors to the right, to the front, and from the gums to the biting
        surfaces.
    outward : int
        +1 when the winding's normals point outward, else -1.
    least_mm : float
        Bumps lower than this are left out.
    noise_mm : float
        Noise of the scan, as ``Sampling`` has it.

    Returns
    -------
    tuple of Bump
        Bonded parts, then moisture, the clearest first. Single vertices far out are left to
        ``measure``: they are spikes.
    """
    if len(coarse.faces) == 0:
        return ()
    points = coarse.vertices
    start, neighbour = _links(coarse.faces, len(points))
    if noise_mm > _NOISY_MM:
        points = smooth(points, start, neighbour, 1)
        coarse = Mesh(points, coarse.faces)
    normals = vertex_normals(coarse) * outward
    rows = np.repeat(np.arange(len(points)), np.diff(start))
    spacing = float(np.median(np.linalg.norm(points[rows] - points[neighbour], axis=1)))
    rounds = int(np.clip(np.round((_REACH_MM / max(spacing, 1e-6)) ** 2), 1, 12))
    facing = smooth(normals, start, neighbour, 3)
    facing /= np.linalg.norm(facing, axis=1, keepdims=True) + 1e-12
    plain = ((points - smooth(points, start, neighbour, rounds)) * facing).sum(axis=1)
    near = np.zeros(len(points), dtype=np.uint8)
    tree = cKDTree(points)
    if len(border):
        _, edge = tree.query(border)
        mark_near_border(start, neighbour, np.unique(edge).astype(np.int32), 2, near)
    up = facing @ axes[2]
    rank = plain - _ALLOWED_UP_MM * np.clip(up - _STEEP, 0.0, None)
    rank -= _ALLOWED_DOWN_MM * np.clip(-up - _STEEP, 0.0, None)
    tops = _tops(points, rank, plain, near > 0)
    if not len(tops):
        return ()
    # Directions around a place belong to the mouth, so that no pose tells more than another.
    heights = profiles(along_basis(points, axes), along_basis(facing, axes), start, neighbour, tops)
    rise, middle = rises(heights)
    turn, depth = feet(heights)
    from_border = np.full(len(tops), np.inf)
    if len(border):
        from_border, _ = cKDTree(border).query(points[tops])
    local = (points[tops] - origin) @ axes.T
    turned = facing[tops] @ axes.T
    likes = _likes(local, turned, plain[tops])
    excess = _excess(local, from_border, turned, plain[tops], likes, rise)
    seen = Tops(local, from_border, turned, likes, plain[tops], excess, rise, middle, turn, depth)
    odds = drop_odds(seen, heights)
    odds[plain[tops] >= _SPIKE_MM] = -np.inf
    odds[_is_frenum(local)] = -np.inf
    likely = np.flatnonzero(odds > -MOST_ODDS)
    odds[likely[_tips(local[likely], turned[likely], tops[likely], tree, axes[2])]] = -np.inf
    odds[~_stands(seen)] = -np.inf
    likely = np.flatnonzero(odds > -MOST_ODDS)
    odds[likely[_folds(local, turned, plain[tops], likely)]] = -np.inf
    asked = np.flatnonzero((odds > -MOST_ODDS) & (odds < -LEAST_ODDS))
    asked = asked[np.argsort(np.abs(odds[asked]), kind="stable")][:_MOST_ASKED]
    odds[asked] += unlike_odds(
        over_the_other_side(points, normals, tree, tops[asked], origin, axes)
    )
    height = np.maximum(middle, plain[tops])
    height = np.where(turn[:, 2] > _FOOT_RAD, np.maximum(height, depth), height)
    bumps = [
        Bump(points[tops[k]].copy(), float(max(height[k], depth[k])), bonded=True)
        for k in bonded(seen, points[tops])
    ]
    likely = np.flatnonzero((odds > 0.0) & (local[:, 2] < _EDGE_OF_CROWN_MM))
    ridge = np.zeros(len(tops), dtype=np.bool_)
    ridge[likely] = runs_on(points, plain, start, neighbour, tops[likely])
    order = np.flatnonzero(_sure(odds, turned[:, 2], ridge) & (height >= least_mm))
    for k in order[np.argsort(-odds[order], kind="stable")].tolist():
        if _clear(points[tops[k]], bumps):
            bumps.append(Bump(points[tops[k]].copy(), float(height[k])))
    # Drops that hang free have no ground to stand out over.
    out = np.flatnonzero((plain > _BALL_MM) & (near == 0))
    own = np.searchsorted(out, tops)
    even = smooth(normals, start, neighbour, 1)[out]
    even /= np.linalg.norm(even, axis=1, keepdims=True) + 1e-12
    for ball in find_balls(points[out], even, own, origin, axes[2]):
        if _is_frenum((ball.at - origin) @ axes.T) or ball.height_mm < least_mm:
            continue
        _, nearest = tree.query(ball.at[None])
        if _clear(ball.at, bumps) and not runs_on(points, plain, start, neighbour, nearest)[0]:
            bumps.append(Bump(ball.at, ball.height_mm))
    return tuple(bumps)
