"""First guesses for a registration: the pattern of incisal edges and cusp tips.

Both scans are known up to a turn in the occlusal plane and a shift, from their
frames. For every turn the differences between tips of one and tips of the other
vote for a shift; a shift with many votes brings many tips together, however
little of the two scans overlaps.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

TURN_STEP_DEG = 3.0
VOTE_CELL_MM = 1.2
HEIGHT_MM = 2.0


@njit(cache=True, nogil=True)
def _votes(a, b, turns, cell, height):  # type: ignore[no-untyped-def]
    """Best shift of ``b`` (after each turn) onto ``a``: (votes, dx, dy) per turn."""
    out = np.zeros((turns.shape[0], 3), dtype=np.float64)
    reach = 80.0
    side = int(2 * reach / cell) + 1
    grid = np.zeros((side, side), dtype=np.float64)
    for t in range(turns.shape[0]):
        grid[:] = 0.0
        cos, sin = np.cos(turns[t]), np.sin(turns[t])
        for j in range(b.shape[0]):
            x = cos * b[j, 0] - sin * b[j, 1]
            y = sin * b[j, 0] + cos * b[j, 1]
            for i in range(a.shape[0]):
                if abs(a[i, 2] - b[j, 2]) > height:
                    continue
                u = (a[i, 0] - x + reach) / cell
                v = (a[i, 1] - y + reach) / cell
                r, c = int(u), int(v)
                if r < 1 or c < 1 or r >= side - 1 or c >= side - 1:
                    continue
                # Spread over the four nearest cells, so that no vote falls between two.
                fu, fv = u - r - 0.5, v - c - 0.5
                r2 = r + 1 if fu > 0 else r - 1
                c2 = c + 1 if fv > 0 else c - 1
                fu, fv = abs(fu), abs(fv)
                grid[r, c] += (1 - fu) * (1 - fv)
                grid[r2, c] += fu * (1 - fv)
                grid[r, c2] += (1 - fu) * fv
                grid[r2, c2] += fu * fv
        best = -1.0
        for r in range(side):
            for c in range(side):
                if grid[r, c] > best:
                    best = grid[r, c]
                    out[t, 1] = (r + 0.5) * cell - reach
                    out[t, 2] = (c + 0.5) * cell - reach
        out[t, 0] = best
    return out


def first_guesses(
    tips_a: NDArray[np.float64], tips_b: NDArray[np.float64], count: int
) -> list[NDArray[np.float64]]:
    """Return the likeliest 4 × 4 motions of ``tips_b`` onto ``tips_a``.

    Parameters
    ----------
    tips_a, tips_b : (n, 3) float64
        In right-handed coordinates whose third axis is each scan's occlusal axis,
        heights from the occlusal plane, mm.
    count : int
        How many motions, best first.
    """
    turns = np.radians(np.arange(0.0, 360.0, TURN_STEP_DEG))
    votes = _votes(tips_a, tips_b, turns, VOTE_CELL_MM, HEIGHT_MM)
    guesses: list[NDArray[np.float64]] = []
    taken: list[tuple[float, float, float]] = []
    for k in np.argsort(-votes[:, 0], kind="stable"):
        turn, dx, dy = float(turns[k]), float(votes[k, 1]), float(votes[k, 2])
        if any(
            abs(np.angle(np.exp(1j * (turn - other[0])))) < np.radians(7.0)
            and np.hypot(dx - other[1], dy - other[2]) < 6.0
            for other in taken
        ):
            continue
        taken.append((turn, dx, dy))
        motion = np.eye(4)
        motion[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
        motion[:2, 3] = dx, dy
        guesses.append(motion)
        if len(guesses) == count:
            break
    return guesses
