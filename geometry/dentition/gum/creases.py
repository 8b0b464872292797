"""Creases and steps that tell the margin whatever the usual length of a crown.

Where gum has receded the margin lies millimetres below where crowns usually end, often below
a neck that looks like one; on half-erupted teeth and under swollen gum it lies as far above. But
the crease in which gum and root meet is then sharper than anything that a smooth wall or the
gum's own relief shows, and the free edge of gum stands more proud of the enamel than folds do.

Creases tell that on the cheek's and lips' side only; inside, cingula and the floor of the mouth
fold as sharply. A cingulum also ends in a step, but above the gum's: of two the lower counts.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Array = NDArray[np.float64]

CORE = 0.2
"""Part of a crown looked at, as a share of its width to either side of its middle."""
LOOSE_MM = 0.4
"""The crease may leave the expected scallop by this."""
SHARP_RAD = (0.25, 0.35)
"""Mean concavity from which a crease is sharp, front and back teeth: buccal gum rolls out
towards the vestibule."""
SHARPER_RAD = 0.1
"""It tells all it can from this much more."""
LOG_ODDS = 8.0
ROLL_MM, ROLL_STEP_MM, ROLL_MORE_MM = (1.0, 3.0), 0.05, 0.06
"""So far below the edge of gum that stands out by the second, or by as much more as the third, a
sharp crease tells less, or nothing: it is the lower end of rolled gum. On front teeth steps as high
are more often the crown's own."""
STEP_MM, HIGHER_MM = 0.06, 0.12
"""Mean step from which it tells something, and from how much more it tells all it can."""
HIGHEST_MM, FLANKS_MM = 0.6, 0.8
"""A higher one is no gum's edge but a part of a crown, or of what is bonded to it, and so is what
looks like a lower one within this of it."""
STEP_LOG_ODDS = {"facial": 5.0, "lingual": 2.4}
APART_MM, LOWER_MM = 1.0, 1.0
"""Inside of front teeth a lower step counts in place of one by so much above it, down to so far
below where the margin is expected."""
BARE_MM = 2.0
"""To trust that there is no lower one so much of the wall below has to be seen."""
PLAIN_MM, RIPPLED_MM = 0.05, 0.07
"""Steps mean gum where crowns are plain: where the highest on the lips' side of most crowns, well
above the gum, is less than the first of these, and not where it is more than the second."""
TURNS_MM, TURN_RAD = 0.8, (-0.04, 0.04)
"""Where the wall does not turn outwards within so far above a step, it is no edge of gum but the
lower end of a bulge, such as a cingulum: such a step tells nothing up to the first turn, and all
it can from the second."""
RIPPLES = (2.0, 0.45)
"""That is looked for from so far below the tip to this share of the crown's length."""


def sharp_creases(
    crease: Array,
    step: Array,
    start: Array,
    stop: Array,
    front: NDArray[np.bool_],
    middle: Array,
    plain: float,
) -> Array:
    """Evidence for a margin at each column and height, (n, m), in log odds of a whole tooth.

    Parameters
    ----------
    crease : (n, m) float64
        Concavity, radians, from :func:`geometry.dentition.gum.margin.crease_angle`.
    step : (n, m) float64
        From :func:`geometry.dentition.gum.margin.edge_step`, mm.
    start, stop : (k,) float64
        Ends of the teeth along the arch, mm.
    front : (k,) bool
        Whether it is an incisor or canine.
    middle : (n,) float64
        Expected scallop, mm; NaN away from teeth.
    plain : float
        How far steps are to be trusted, from :func:`plainness`.
    """
    out = np.zeros(crease.shape)
    turn = np.nan_to_num(crease, nan=-1.0)
    least = np.where(front, *SHARP_RAD)
    edge = np.nan_to_num(step, nan=-1.0)
    edge[edge > HIGHEST_MM] = 0.0
    edges = _teeth(edge, start, stop, middle)
    for tooth, ledge in zip(_teeth(turn, start, stop, middle), edges, strict=True):
        gain = LOG_ODDS * np.clip((tooth.mean - least[tooth.k]) / SHARPER_RAD, 0.0, 1.0)
        if not front[tooth.k]:
            rolled = np.clip((_over(ledge.mean) - ROLL_STEP_MM) / ROLL_MORE_MM, 0.0, 1.0)
            gain *= 1.0 - plain * rolled
        tooth.put(gain, out)
    return out


def without_bulges(crease: Array, step: Array, start: Array, stop: Array) -> Array:
    """The steps of these teeth as far as the wall turns outwards above them, (n, m) mm.

    Parameters
    ----------
    crease, step, start, stop
        As :func:`sharp_creases` takes them.
    """
    turn = np.nan_to_num(crease, nan=TURN_RAD[1])
    most = turn.copy()
    for rows in range(1, round(TURNS_MM / STEP_Z_MM) + 1):
        most[:, rows:] = np.maximum(most[:, rows:], turn[:, :-rows])
    at = np.arange(len(step)) * STEP_S_MM
    own = np.zeros(len(at), dtype=np.bool_)
    for first, last in zip(start, stop, strict=True):
        own |= (at >= first) & (at <= last)
    share = np.clip((most - TURN_RAD[0]) / (TURN_RAD[1] - TURN_RAD[0]), 0.0, 1.0)
    return np.where(own[:, None] & (step > 0.0), share * step, step)


def plainness(step: Array, z: Array, start: Array, stop: Array, tip: Array, length: Array) -> float:
    """How far steps can be trusted in this mouth, 0 to 1.

    Parameters
    ----------
    step : (n, m) float64
        Of the facial side, from :func:`geometry.dentition.gum.margin.edge_step`, mm.
    z : (m,) float64
        Falling heights, mm.
    start, stop, tip, length : (k,) float64
        Ends of the teeth along the arch, heights of their tips and expected height of their
        crowns, mm.
    """
    at = np.arange(len(step)) * STEP_S_MM
    ripples = []
    for k in range(len(start)):
        core = np.abs(at - 0.5 * (start[k] + stop[k])) <= CORE * (stop[k] - start[k])
        below = tip[k] - z
        part = step[np.ix_(core, (below > RIPPLES[0]) & (below < RIPPLES[1] * length[k]))]
        known = np.isfinite(part)
        if part.size and known.mean() > 0.5:
            mean = np.where(known, part, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
            ripples.append(float(np.abs(mean).max()))
    if not ripples:
        return 0.0
    over = (float(np.median(ripples)) - PLAIN_MM) / (RIPPLED_MM - PLAIN_MM)
    return float(np.clip(1.0 - over, 0.0, 1.0))


def high_steps(
    step: Array,
    z: Array,
    start: Array,
    stop: Array,
    front: NDArray[np.bool_],
    middle: Array,
    side: str,
) -> Array:
    """The same from steps.

    Parameters
    ----------
    step : (n, m) float64
        From :func:`geometry.dentition.gum.margin.edge_step`, mm.
    z : (m,) float64
        Falling heights, mm.
    start, stop, front, middle
        As :func:`sharp_creases` takes them.
    side : str
        ``facial`` or ``lingual``.
    """
    out = np.zeros(step.shape)
    known = np.nan_to_num(step, nan=-1.0)
    around = 2 * round(FLANKS_MM / STEP_Z_MM) + 1
    known[maximum_filter1d(known, around, axis=1) > HIGHEST_MM] = 0.0
    for tooth in _teeth(known, start, stop, middle):
        gain = STEP_LOG_ODDS[side] * np.clip((tooth.mean - STEP_MM) / HIGHER_MM, 0.0, 1.0)
        if side == "lingual" and front[tooth.k]:
            seen = np.flatnonzero(np.isfinite(step[tooth.core]).mean(axis=0) > 0.5)
            last = z[seen[-1]] if len(seen) else np.inf
            gain *= np.clip((z - last) / BARE_MM, 0.0, 1.0)
            gain -= _lower(np.where(z > tooth.lowest - LOWER_MM, gain, 0.0))
        tooth.put(gain, out)
    return out


def _over(mean: Array) -> Array:
    """The highest step as far above each row as rolled gum is wide, (m,) mm."""
    near, far = (round(reach / STEP_Z_MM) for reach in ROLL_MM)
    padded = np.concatenate([np.full(far, -np.inf), mean])
    return np.lib.stride_tricks.sliding_window_view(padded, far - near + 1)[: len(mean)].max(axis=1)


def _lower(gain: Array) -> Array:
    """The most that is told by any row so far below each, (m,)."""
    most = np.maximum.accumulate(gain[::-1])[::-1]
    apart = round(APART_MM / STEP_Z_MM)
    return np.concatenate([most[apart:], np.zeros(apart)])


class _Tooth:
    """Rows of one tooth's columns, counted along its scallop from the scallop's lowest place."""

    def __init__(
        self, k: int, values: Array, own: NDArray[np.int64], core: NDArray[np.bool_], middle: Array
    ) -> None:
        self.k = k
        self.core = own[core]
        self.lowest = float(middle[own].min())
        self._own = own
        self._lower = np.round((middle[own] - self.lowest) / STEP_Z_MM).astype(np.int64)[:, None]
        self._rows = np.arange(values.shape[1])
        there = np.clip(self._rows - self._lower[core], 0, values.shape[1] - 1)
        self.mean = values[self.core[:, None], there].mean(axis=0)

    def put(self, gain: Array, out: Array) -> None:
        out[self._own] = gain[np.clip(self._rows + self._lower, 0, len(gain) - 1)]


def _teeth(values: Array, start: Array, stop: Array, middle: Array) -> Iterator[_Tooth]:
    at = np.arange(len(values)) * STEP_S_MM
    highest = maximum_filter1d(values, 2 * round(LOOSE_MM / STEP_Z_MM) + 1, axis=1)
    for k in range(len(start)):
        off = np.abs(at - 0.5 * (start[k] + stop[k])) / (stop[k] - start[k])
        own = np.flatnonzero((off <= 0.5) & ~np.isnan(middle))
        core = off[own] <= CORE
        if core.any():
            yield _Tooth(k, highest, own, core, middle)
