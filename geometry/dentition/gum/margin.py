"""The gingival margin on the rolled-out arch, as one scalloped path per side.

The path is the most likely one between two kinds of evidence: the crease and the step
where gum meets crown, and how long crowns of that position usually are below their edges. It may
run below the scan's border: then the margin was not scanned. Nothing is assumed about
what lies at the border. How much likelier the best path is than paths that leave
less tissue tells how sure the measurement is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, smoothed

Array = NDArray[np.float64]

LOWEST_MM = -17.0
CREASE_REACH_MM = 1.0
CREASE_LEAST_MM = 0.4
CREASE_NEUTRAL = 0.13
CREASE_FULL = 0.40
CREASE_NONE = -0.05
CREASE_WEIGHT = 0.5
STEP_NEAR, STEP_FAR, STEP_FEWEST = 1, 5, 3
"""The lines that make a step are laid through these rows; near the border through fewer."""
STEP_NONE_MM, STEP_FULL_MM = -0.1, 0.1
STEP_WEIGHT = 1.5
CREASE_ABOVE, STEP_ABOVE = 0.35, 2.0
CREASE_CLEAR, STEP_CLEAR_MM = 0.05, 0.01
ABOVE_GAP_MM = 1.0
ALONG_MM = 0.8
SHOULDER_MM = 3.0
"""Nearer to the tips the biting surface rounds off, which looks like a step."""
MOST_OFF, MOST_SHORTER = 25.0, 7.0
"""What a length's square in standard deviations counts at most; and for crowns shorter than
expected where signs are to be trusted: half-erupted and primary ones are far shorter than the tooth
that is looked for there."""
EDGE_MM = 2.0
"""The margin is never so near to the biting edges."""
STIFFNESS = 0.5
SEEN_RAD, SEEN_MM = 0.16, 0.04
"""A crease, or a step, that is worth the name."""
MIDDLE = 0.55
PAPILLA_FRONT_MM = 3.6
PAPILLA_BACK_MM = 2.7
"""Height of a papilla over the margin's middle: 4.0 ± 0.6 mm between upper front teeth
(Yang et al. 2020), less between back teeth (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """Where the margin is expected along one side, before looking at it.

    Attributes
    ----------
    middle : (n,) float64
        Expected height at each column, mm; NaN away from teeth.
    weight : (n,) float64
        Share of its tooth's prior that the column carries (sums to 1 per tooth).
    spread : (n,) float64
        Standard deviation of the expectation, mm.
    length : (n,) float64
        Height of the tooth's tip over ``middle``, mm.
    smooth : (n,) float64
        How far the crown above is known to be without steps of its own, 0 to 1.
    """

    middle: Array
    weight: Array
    spread: Array
    length: Array
    smooth: Array


@dataclass(frozen=True, slots=True)
class Path:
    """The margin found on one side.

    Attributes
    ----------
    z : (m,) float64
        Heights of the candidate rows, falling, mm.
    height : (n,) float64
        Height of the margin at each column, mm.
    cost : (n, m) float64
        Cost of the best path through each column and row (differences are log odds).
    crease : (n, m) float64
        Concavity, radians; NaN where it cannot be seen.
    step : (n, m) float64
        Step outwards, mm; NaN where it cannot be seen.
    """

    z: Array
    height: Array
    cost: Array
    crease: Array
    step: Array


def middle_column(start: float, stop: float) -> int:
    """Column of a tooth's middle between its ends along the arch, mm."""
    return round(0.5 * (start + stop) / STEP_S_MM)


def is_seen(path: Path, column: int) -> bool:
    """Whether a crease or a step worth the name is at the path near a column."""
    j = round((path.z[0] - path.height[column]) / STEP_Z_MM)
    for signs, least in ((path.crease, SEEN_RAD), (path.step, SEEN_MM)):
        window = signs[max(column - 4, 0) : column + 5, max(j - 3, 0) : j + 4]
        if window.size and np.isfinite(window).mean() >= 0.5:
            rows = np.where(np.isfinite(window), window, 0.0).mean(axis=0)
            if rows.max() > least:
                return True
    return False


def crease_angle(sheet: Array, sign: float) -> Array:
    """How much the surface turns outwards below each pixel, radians.

    The angle between the profile one millimetre above and one millimetre below; less is
    used near the border, NaN where under 0.4 mm are left on either side.
    """
    value, _ = smoothed(sheet, 0.35, 0.25)
    value = value * sign
    out = np.full(value.shape, np.nan)
    for reach in (CREASE_REACH_MM, 0.7, CREASE_LEAST_MM):
        d = round(reach / STEP_Z_MM)
        slope_up = np.full(value.shape, np.nan)
        slope_down = np.full(value.shape, np.nan)
        slope_up[:, d:] = (value[:, :-d] - value[:, d:]) / reach
        slope_down[:, :-d] = (value[:, d:] - value[:, :-d]) / reach
        angle = np.arctan(slope_up) + np.arctan(slope_down)
        out = np.where(np.isnan(out), angle, out)
    return out


def edge_step(sheet: Array, sign: float) -> Array:
    """How far the surface steps outwards at each pixel going down, mm.

    The free edge of the gum stands a little proud of the crown, whichever way both lean:
    the distance, at the pixel, between the lines through the profile just above and just
    below. A mere crease has none. NaN where too little is seen on either side.
    """
    value, _ = smoothed(sheet, 0.5, 0.1)
    value = value * sign
    out = np.full(value.shape, np.nan)
    rows = value.shape[1]
    for far in (STEP_FAR, STEP_FEWEST):
        offset = np.arange(STEP_NEAR, far + 1)
        line = np.linalg.pinv(np.stack([np.ones(len(offset)), offset], axis=1))[0]
        above = np.full(value.shape, np.nan)
        below = np.full(value.shape, np.nan)
        above[:, far:] = sum(w * value[:, far - k : rows - k]
                             for w, k in zip(line, offset, strict=True))
        below[:, : rows - far] = sum(w * value[:, k : rows - far + k]
                                     for w, k in zip(line, offset, strict=True))
        step = below - above
        out = np.where(np.isnan(out), step, out)
    return out


@njit(cache=True, nogil=True)
def _trace(unary, slope, stiff, window):  # type: ignore[no-untyped-def]
    """Min-sum forward and backward pass; cost through every state and the best path."""
    n, m = unary.shape
    fore = np.empty((n, m))
    back = np.empty((n, m))
    fore[0] = unary[0]
    for i in range(1, n):
        lean = slope[i]
        for j in range(m):
            best = 1e18
            # Came from row j - shift: the path moved by `shift` rows towards the root.
            mid = int(np.round(lean))
            for shift in range(mid - window, mid + window + 1):
                p = j - shift
                if p < 0 or p >= m:
                    continue
                off = abs(shift - lean)
                cost = fore[i - 1, p] + stiff[i] * off + 0.15 * stiff[i] * off * off
                if cost < best:
                    best = cost
            fore[i, j] = best + unary[i, j]
    back[n - 1] = 0.0
    for i in range(n - 2, -1, -1):
        lean = slope[i + 1]
        for j in range(m):
            best = 1e18
            mid = int(np.round(lean))
            for shift in range(mid - window, mid + window + 1):
                q = j + shift
                if q < 0 or q >= m:
                    continue
                off = abs(shift - lean)
                cost = back[i + 1, q] + unary[i + 1, q] + stiff[i + 1] * off
                cost += 0.15 * stiff[i + 1] * off * off
                if cost < best:
                    best = cost
            back[i, j] = best
    through = fore + back
    path = np.empty(n, np.int64)
    path[n - 1] = int(np.argmin(fore[n - 1]))
    for i in range(n - 1, 0, -1):
        j = path[i]
        lean = slope[i]
        mid = int(np.round(lean))
        best = 1e18
        at = j
        for shift in range(mid - window, mid + window + 1):
            p = j - shift
            if p < 0 or p >= m:
                continue
            off = abs(shift - lean)
            cost = fore[i - 1, p] + stiff[i] * off + 0.15 * stiff[i] * off * off
            if cost < best:
                best, at = cost, p
        path[i - 1] = at
    return through, path


def expect(columns: int, start: Array, stop: Array, tip: Array, length: Array,
           spread: Array, front: NDArray[np.bool_], smooth: Array) -> Expectation:
    """Expected scalloped margin of a row of teeth.

    Parameters
    ----------
    columns : int
    start, stop : (k,) arc length of the teeth's ends, mm
    tip : (k,) height of the highest edge or cusp tip, mm
    length : (k,) expected crown length at the tooth's middle, mm
    spread : (k,) its standard deviation, mm
    front : (k,) whether it is an incisor or canine
    smooth : (k,) how far its wall is known to be without steps, 1 for most
    """
    middle = np.full(columns, np.nan)
    weight = np.zeros(columns)
    sd = np.ones(columns)
    high = np.zeros(columns)
    plain = np.ones(columns)
    at = np.arange(columns) * STEP_S_MM
    for k in range(len(start)):
        half = 0.5 * (stop[k] - start[k])
        q = np.abs(at - 0.5 * (start[k] + stop[k])) / half
        inside = q <= 1.0
        rise = min(PAPILLA_FRONT_MM if front[k] else PAPILLA_BACK_MM, 0.42 * length[k])
        middle[inside] = tip[k] - length[k] + rise * q[inside] ** 2.5
        core = q <= MIDDLE
        weight[core] = 1.0 / max(int(core.sum()), 1)
        sd[inside] = spread[k]
        high[inside] = tip[k] - middle[inside]
        plain[inside] = smooth[k]
    return Expectation(middle, weight, sd, high, plain)


def trace_margin(crease: Array, step: Array, signs: Array, z_sheet: Array, border: Array,
                 hope: Expectation, plain: float = 0.0) -> Path:
    """Find the most likely margin of one side.

    Parameters
    ----------
    crease : (n, m) float64
        From :func:`crease_angle`.
    step : (n, m) float64
        From :func:`edge_step`.
    signs : (n, m) float64
        Log odds told by whole teeth: :func:`geometry.dentition.gum.roundness.ends_of_crowns`,
        :func:`geometry.dentition.gum.creases.sharp_creases` and ``high_steps``.
    z_sheet : (m,) float64
        Heights of its rows.
    border : (n,) float64
        Lowest scanned height of each column, NaN where nothing was scanned.
    hope : Expectation
    plain : float
        How far the signs are to be trusted, 0 to 1: see
        :func:`geometry.dentition.gum.creases.plainness`.
    """
    n = crease.shape[0]
    rows = int(np.ceil((z_sheet[0] - LOWEST_MM) / STEP_Z_MM)) + 1
    z = z_sheet[0] - np.arange(rows) * STEP_Z_MM
    angle = np.full((n, rows), np.nan)
    m = min(rows, crease.shape[1])
    angle[:, :m] = crease[:, :m]
    ledge = np.full((n, rows), np.nan)
    ledge[:, :m] = step[:, :m]
    tooth = ~np.isnan(hope.middle)
    evidence = CREASE_WEIGHT * _known(np.clip(angle, CREASE_NONE, CREASE_FULL) - CREASE_NEUTRAL)
    wall = _wall(z, hope)
    ledge[~wall] = np.nan
    evidence += STEP_WEIGHT * _known(np.clip(ledge, STEP_NONE_MM, STEP_FULL_MM))
    # A crown is smooth: of two creases or steps the upper is the margin, the lower a fold of
    # the gum such as the free gingival groove.
    evidence -= CREASE_ABOVE * _most_above(angle - CREASE_CLEAR, CREASE_FULL, wall, hope)
    evidence -= STEP_ABOVE * _most_above(ledge - STEP_CLEAR_MM, STEP_FULL_MM, wall, hope)
    # Off the scan nothing is seen, and nothing can be said.
    evidence[z[None, :] < np.nan_to_num(border, nan=99.0)[:, None] + CREASE_LEAST_MM] = 0.0
    evidence[~tooth] *= 0.3
    off = (z[None, :] - np.nan_to_num(hope.middle)[:, None]) / hope.spread[:, None]
    unary = -evidence + (hope.weight[:, None] * 0.5) * np.minimum(
        off**2, np.where(off > 0, MOST_OFF + plain * (MOST_SHORTER - MOST_OFF), MOST_OFF)
    )
    wall_signs = np.where(wall, signs[:, np.minimum(np.arange(rows), signs.shape[1] - 1)], 0.0)
    unary -= hope.weight[:, None] * wall_signs
    edge = np.nan_to_num(hope.middle + hope.length)[:, None] - EDGE_MM
    unary += np.where(tooth[:, None] & (z[None, :] > edge), 3.0, 0.0)
    lean = np.zeros(n)
    both = tooth[1:] & tooth[:-1]
    lean[1:][both] = -np.diff(hope.middle)[both] / STEP_Z_MM
    stiff = np.where(tooth, STIFFNESS, 0.25 * STIFFNESS) * STEP_Z_MM
    through, path = _trace(unary, np.clip(lean, -6.0, 6.0), stiff, 6)
    return Path(z, _subrow(through, path, z), through, angle, ledge)


def _along(values: Array, hope: Expectation, spread_mm: float) -> Array:
    """Mean over neighbouring columns, followed along the scallop; NaN counts as 0."""
    base = np.where(np.isnan(hope.middle), 0.0, hope.middle)
    shift = np.round(-base / STEP_Z_MM).astype(np.int64)
    shift = shift - shift.min()
    n, rows = values.shape
    wide = np.zeros((n, rows + int(shift.max())))
    column = np.arange(n)[:, None]
    at = np.arange(rows)[None, :] + (shift.max() - shift)[:, None]
    wide[column, at] = _known(values)
    wide = gaussian_filter1d(wide, spread_mm / STEP_S_MM, axis=0, truncate=2.5)
    return np.asarray(wide[column, at])


def _known(values: Array) -> Array:
    return np.where(np.isnan(values), 0.0, values)


def _wall(z: Array, hope: Expectation) -> NDArray[np.bool_]:
    """Which pixels lie on a crown's walls or lower, clear of its biting surface."""
    tip = np.nan_to_num(hope.middle + hope.length)
    return np.asarray(z[None, :] < (tip - np.maximum(0.33 * hope.length, SHOULDER_MM))[:, None])


def _most_above(values: Array, full: float, allowed: NDArray[np.bool_],
                hope: Expectation) -> Array:
    """Largest value on the crown's wall more than a millimetre above each pixel."""
    known = np.where(allowed, np.clip(_along(values, hope, ALONG_MM), 0.0, full), 0.0)
    gap = round(ABOVE_GAP_MM / STEP_Z_MM)
    most = np.maximum.accumulate(known, axis=1)
    out = np.zeros_like(most)
    out[:, gap:] = most[:, :-gap]
    return np.asarray(out * (hope.smooth * (hope.weight > 0))[:, None])


def _subrow(through: Array, path: NDArray[np.int64], z: Array) -> Array:
    """Refine the path between rows by a parabola through the costs."""
    rows = np.arange(len(path))
    j = np.clip(path, 1, through.shape[1] - 2)
    a, b, c = through[rows, j - 1], through[rows, j], through[rows, j + 1]
    curve = a - 2 * b + c
    shift = np.where(curve > 1e-9, 0.5 * (a - c) / np.maximum(curve, 1e-9), 0.0)
    return np.asarray(z[j] - np.clip(shift, -0.5, 0.5) * STEP_Z_MM)
