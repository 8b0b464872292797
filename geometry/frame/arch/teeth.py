"""Which teeth make the row? Tooth widths of an upper and of a lower arch, tried on.

Where two crowns meet, the row is notched: from the lips' side, from the tongue's
side and from above. The boundaries of a whole row of teeth with the widths of a
handbook table are laid over these notches, for an upper and for a lower arch, by
dynamic programming over position and size; the better fit is evidence. Upper
central incisors are broad, lower incisors are all narrow; that is most of it.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.frame.arch.unroll import STEP_S_MM, Unrolled

MESIODISTAL_MM = {
    "upper": np.array([8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.0, 8.5]),
    "lower": np.array([5.0, 5.5, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0]),
}
"""Central incisor to third molar: Nelson, Wheeler's Dental Anatomy, Physiology and
Occlusion, Table 1-1 (from memory)."""

SCALES = np.array([0.88, 0.94, 1.0, 1.06, 1.12])
WIDTH_SD = 0.09
MIDLINE_SD_MM = 2.5
ABSENT_COST = 2.2
OUTSIDE_COST = 0.12
"""For each millimetre of the row that the teeth laid over it leave out."""

NOTCH_NEEDED = 0.35
NOTCH_FULL_MM = 0.9


def _notches(profile: NDArray[np.float64], reach_mm: float) -> NDArray[np.float64]:
    """Depth of a profile below the lower of its two shoulders, 0 to NOTCH_FULL_MM."""
    n = profile.shape[0]
    reach = round(reach_mm / STEP_S_MM)
    filled = np.where(np.isfinite(profile), profile, -1e3)
    padded = np.concatenate([np.full(reach, -1e3), filled, np.full(reach, -1e3)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach + 1).max(axis=1)
    left, right = windows[:n], windows[reach : reach + n]
    depth = np.minimum(left, right) - filled
    return np.where(np.isfinite(profile), np.clip(depth, 0.0, NOTCH_FULL_MM), 0.0)


def notch_signal(row: Unrolled) -> NDArray[np.float64]:
    """Return how notched the row is at each ``s``, 0 to 1."""
    height, t = row.height, row.t
    near = np.abs(t) < 8.0
    crown = np.where(near & np.isfinite(height), height, -1e3)
    top = crown.max(axis=1)
    top = np.where(row.covered, top, np.nan)
    half = round(4.0 / STEP_S_MM)
    padded = np.pad(np.nan_to_num(top, nan=-1e3), half, constant_values=-1e3)
    shoulder = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1).max(axis=1)
    signal = 0.7 * _notches(top, 3.0)
    for depth_mm in (2.2, 4.0):
        inside = crown > (shoulder - depth_mm)[:, None]
        outer = np.where(inside, t, -np.inf).max(axis=1)
        inner = np.where(inside, -t, -np.inf).max(axis=1)
        for edge in (outer, inner):
            edge = np.where(row.covered & np.isfinite(edge), edge, np.nan)
            signal = signal + 0.5 * _notches(edge, 3.0)
    signal = signal / (2.7 * NOTCH_FULL_MM)
    kernel = np.array([0.25, 0.5, 0.25])
    return np.convolve(np.convolve(signal, kernel, mode="same"), kernel, mode="same")


@njit(cache=True, nogil=True)
def _lay_row(
    signal,
    first,
    last,
    zero,
    widths,
    middle,
    scale,
    step,
    needed,
    width_sd,
    midline_sd,
    absent_cost,
    outside_cost,
):  # type: ignore[no-untyped-def]
    """Best total over the places of the boundaries of one row of teeth.

    ``widths`` runs from the last right tooth to the last left one; ``middle`` is the
    boundary between the central incisors. The row may begin and end at any tooth.
    """
    m = widths.shape[0]
    n = signal.shape[0]
    low = -1e18
    score = np.full((m + 1, n), low, dtype=np.float64)
    best = low
    for b in range(m + 1):
        for p in range(first, last + 1):
            here = 2.0 * (signal[p] - needed)
            if b == middle:
                off = (p - zero) * step / midline_sd
                here -= 0.5 * min(off * off, 9.0)
            # Begin the row here; what lies before it (gums, a tooth not in the row) costs.
            value = -outside_cost * (p - first) * step
            if b > 0:
                width = widths[b - 1] * scale
                nearest = max(first, p - int(1.3 * width / step))
                farthest = p - int(0.7 * width / step)
                for q in range(nearest, farthest + 1):
                    if score[b - 1, q] <= low:
                        continue
                    off = ((p - q) * step / width - 1.0) / width_sd
                    trial = score[b - 1, q] - 0.5 * off * off
                    if trial > value:
                        value = trial
                # The tooth is absent and its place partly or wholly closed.
                for part in range(5):
                    q = p - int(0.25 * part * width / step)
                    if q >= first and score[b - 1, q] > low:
                        trial = score[b - 1, q] - absent_cost
                        if trial > value:
                            value = trial
            score[b, p] = value + here
            total = score[b, p] - outside_cost * (last - p) * step
            if b > 0 and total > best:
                best = total
    return best


def row_evidence(row: Unrolled) -> tuple[float, float]:
    """Return the best fit of an upper and of a lower row (log-likelihood like)."""
    where = np.flatnonzero(row.covered)
    if where.shape[0] < 40:
        return 0.0, 0.0
    signal = notch_signal(row)
    zero = int(np.argmin(np.abs(row.s)))
    fits = []
    for arch in ("upper", "lower"):
        side = MESIODISTAL_MM[arch]
        widths = np.concatenate([side[::-1], side])
        fits.append(
            max(
                _lay_row(
                    signal,
                    int(where[0]),
                    int(where[-1]),
                    zero,
                    widths,
                    side.shape[0],
                    float(scale),
                    STEP_S_MM,
                    NOTCH_NEEDED,
                    WIDTH_SD,
                    MIDLINE_SD_MM,
                    ABSENT_COST,
                    OUTSIDE_COST,
                )
                - 0.5 * ((scale - 1.0) / 0.06) ** 2
                for scale in SCALES
            )
        )
    return fits[0], fits[1]
