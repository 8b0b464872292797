"""Thin sheets between two crowns: films of moisture with air before and behind them.

Lines of sight from one side cross each body twice. Where a body between two crowns is thinner
than any papilla or contact over a square millimetre, faces the side it is seen from, and crowns
stand on either hand, it is a film. Edges of front teeth are as thin, but lie at the top; contacts
just blurred together are, but for a few tenths of a millimetre only; fins of a crown have no
second crown. Limits lie between the films planted in generated scans (.35 to .7 mm thick,
least 1.1 mm²) and what else is as thin between crowns and below their edges on 120 clean ones of
eight kinds (most .6 mm², .3 mm wide): no source. Natural papillae are thicker than a millimetre
but at their very tip.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]

LATTICE_MM = 0.15
"""Lines of sight run so far from each other."""
BEHIND_MM, BEFORE_MM = 4.0, 9.0
"""So far behind the middle of the crowns and before it surfaces are seen."""
# Thinner than the least both sides of one fold fall together.
_THIN_MM, _LEAST_MM, _FACES = 0.85, 0.05, 0.5
# No line crosses more bodies than so many; crossings nearer to each other are one.
_BODIES, _SAME_MM = 16, 1e-6
# Neighbouring lines cross the same sheet where its depths differ by no more.
_STEP_MM = 0.3
# How large a sheet is, how straight it faces, and of how many of its rows each crown is at its end.
_AREA_MM2, _HIGH_MM, _WIDE_MM, _SQUARE, _HELD = 1.0, 0.9, 0.4, 0.8, 0.3
_BESIDE_MM = 0.25


class Sight(NamedTuple):
    """What lines of sight from one side cross, line by line, the outermost first.

    Attributes
    ----------
    start : (rows * columns + 1,) int64
        Where the crossings of each line begin; lines run row by row, from below upward.
    out : (n,) float64
        How far out each crossing lies, mm.
    facing : (n,) float64
        Cosine of the surface's normal with the side it is seen from; above 0 a body is entered.
    """

    start: NDArray[np.int64]
    out: Array
    facing: Array


class Sheet(NamedTuple):
    """A thin sheet as it is seen: column and row of its middle, and mm."""

    column: float
    row: float
    out_mm: float
    width_mm: float
    height_mm: float
    area_mm2: float


@njit(cache=True, nogil=True)
def _crossed(points, faces, wound, basis, middle, low, rows, columns):  # type: ignore[no-untyped-def]
    """Return line, depth and facing of each crossing, as they come."""
    local = np.empty((points.shape[0], 3))
    inside = np.zeros(points.shape[0], dtype=np.bool_)
    half, margin = 0.5 * (columns - 1), 8.0
    aside = (half + margin) * LATTICE_MM
    over, under = low + (rows + margin) * LATTICE_MM, low - margin * LATTICE_MM
    reach = aside**2 + max(abs(over), abs(under)) ** 2 + max(BEHIND_MM, BEFORE_MM) ** 2
    for v in range(points.shape[0]):
        x, y, z = points[v, 0] - middle[0], points[v, 1] - middle[1], points[v, 2] - middle[2]
        if x * x + y * y + z * z > reach:
            continue
        for k in range(3):
            local[v, k] = x * basis[k, 0] + y * basis[k, 1] + z * basis[k, 2]
        local[v, 0] = local[v, 0] / LATTICE_MM + half
        local[v, 1] = (local[v, 1] - low) / LATTICE_MM
        inside[v] = (
            -margin < local[v, 0] < columns + margin
            and -margin < local[v, 1] < rows + margin
            and -BEHIND_MM < local[v, 2] < BEFORE_MM
        )
    room, count = 4 * rows * columns, 0
    line, depth, facing = np.empty(room, dtype=np.int64), np.empty(room), np.empty(room)
    for t in range(faces.shape[0]):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        if not (inside[i] and inside[j] and inside[k]):
            continue
        ax, ay, bx, by = local[i, 0], local[i, 1], local[j, 0], local[j, 1]
        cx, cy = local[k, 0], local[k, 1]
        double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double == 0.0:
            continue
        left, right = max(0, int(np.ceil(min(ax, bx, cx)))), min(columns - 1, int(max(ax, bx, cx)))
        first, last = max(0, int(np.ceil(min(ay, by, cy)))), min(rows - 1, int(max(ay, by, cy)))
        if left > right or first > last:
            continue
        rise_b, rise_c = local[j, 2] - local[i, 2], local[k, 2] - local[i, 2]
        nx = ((by - ay) * rise_c - (cy - ay) * rise_b) * LATTICE_MM
        ny = ((cx - ax) * rise_b - (bx - ax) * rise_c) * LATTICE_MM
        nz = double * LATTICE_MM**2
        cosine = wound * nz / np.sqrt(nx * nx + ny * ny + nz * nz)
        for y in range(first, last + 1):
            for x in range(left, right + 1):
                a = ((bx - x) * (cy - y) - (by - y) * (cx - x)) / double
                b = ((cx - x) * (ay - y) - (cy - y) * (ax - x)) / double
                c = 1.0 - a - b
                if a < -1e-9 or b < -1e-9 or c < -1e-9:
                    continue
                if count == room:
                    line, depth = np.append(line, line), np.append(depth, depth)
                    facing, room = np.append(facing, facing), 2 * room
                line[count], facing[count] = y * columns + x, cosine
                depth[count] = a * local[i, 2] + b * local[j, 2] + c * local[k, 2]
                count += 1
    return line[:count], depth[:count], facing[:count]


@njit(cache=True, nogil=True)
def _in_order(line, depth, facing, lines):  # type: ignore[no-untyped-def]
    """Return crossings line by line, the outermost first."""
    start = np.zeros(lines + 1, dtype=np.int64)
    for n in range(line.size):
        start[line[n] + 1] += 1
    for k in range(lines):
        start[k + 1] += start[k]
    filled = start[:-1].copy()
    out, faces = np.empty(line.size), np.empty(line.size)
    for n in range(line.size):
        k = line[n]
        at = filled[k]
        filled[k] += 1
        while at > start[k] and out[at - 1] < depth[n]:
            out[at], faces[at] = out[at - 1], faces[at - 1]
            at -= 1
        out[at], faces[at] = depth[n], facing[n]
    return start, out, faces


def look(
    points: Array,
    faces: NDArray[np.int32],
    wound: float,
    basis: Array,
    middle: Array,
    low: float,
    shape: tuple[int, int],
) -> Sight:
    """Look at a surface along lines on a lattice.

    Parameters
    ----------
    points, faces : (n, 3) float64, (m, 3) int32
    wound : float
        +1 when the winding's normals point outward, else -1.
    basis : (3, 3) float64
        Rows: unit vectors along the row, up, and to the side it is seen from.
    middle : (3,) float64
        In the middle of the columns, and in depth.
    low : float
        Height of the lowest row over ``middle``, mm.
    shape : tuple of int
        Rows and columns.
    """
    rows, columns = shape
    sign = wound * float(np.sign(np.linalg.det(basis)))
    line, depth, facing = _crossed(points, faces, sign, basis, middle, low, rows, columns)
    return Sight(*_in_order(line, depth, facing, rows * columns))


def outermost(sight: Sight, shape: tuple[int, int]) -> Array:
    """How far out the outermost surface lies, (rows, columns) mm; -inf for none."""
    some = sight.start[:-1] < sight.start[1:]
    seen = np.full(len(some), -np.inf)
    seen[some] = sight.out[sight.start[:-1][some]]
    return seen.reshape(shape)


@njit(cache=True, nogil=True)
def _bodies(start, out, facing, line, enters, leaves, square):  # type: ignore[no-untyped-def]
    """Fill where a line enters and leaves each body, and how straight it does; return how many.

    What overlaps is one body; one that is not left is left at -inf.
    """
    count, within = 0, 0
    before, side = np.inf, 0.0
    for n in range(start[line], start[line + 1]):
        # On an edge both its triangles are crossed.
        if before - out[n] < _SAME_MM and side * facing[n] > 0.0:
            continue
        before, side = out[n], facing[n]
        if facing[n] > 0.0:
            if within == 0:
                if count == enters.size:
                    break
                enters[count], leaves[count], square[count] = out[n], -np.inf, facing[n]
                count += 1
            within += 1
        elif within > 0:
            within -= 1
            if within == 0:
                leaves[count - 1] = out[n]
                square[count - 1] = min(square[count - 1], -facing[n])
    return count


@njit(cache=True, nogil=True)
def _thin(start, out, facing, middle, square):  # type: ignore[no-untyped-def]
    """Fill where the middle of each line's outermost thin body lies, and how straight it faces."""
    enters, leaves, straight = np.empty(_BODIES), np.empty(_BODIES), np.empty(_BODIES)
    found = 0
    for line in range(middle.size):
        middle[line] = np.nan
        for k in range(_bodies(start, out, facing, line, enters, leaves, straight)):
            thick = enters[k] - leaves[k]
            depth = enters[k] - 0.5 * thick
            if straight[k] > _FACES and _LEAST_MM < thick < _THIN_MM and depth > 0.0:
                middle[line], square[line] = depth, straight[k]
                found += 1
                break
    return found


@njit(cache=True, nogil=True)
def _pieces(middle, rows, columns, of):  # type: ignore[no-untyped-def]
    """Number the sheets that thin bodies of neighbouring lines make, from 0; return how many."""
    of[:] = -1
    stack = np.empty(of.size, dtype=np.int64)
    count = 0
    for first in range(of.size):
        if np.isnan(middle[first]) or of[first] >= 0:
            continue
        of[first], stack[0], size = count, first, 1
        while size:
            size -= 1
            k = stack[size]
            y, x = k // columns, k % columns
            for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
                if not (0 <= y + dy < rows and 0 <= x + dx < columns):
                    continue
                other = k + dy * columns + dx
                if of[other] < 0 and abs(middle[other] - middle[k]) < _STEP_MM:
                    of[other], stack[size] = count, other
                    size += 1
        count += 1
    return count


@njit(cache=True, nogil=True)
def _stands_at(start, out, facing, line, depth):  # type: ignore[no-untyped-def]
    """Whether a body too thick for a sheet is at some depth on a line."""
    enters, leaves, straight = np.empty(_BODIES), np.empty(_BODIES), np.empty(_BODIES)
    for k in range(_bodies(start, out, facing, line, enters, leaves, straight)):
        if (
            enters[k] + _BESIDE_MM > depth
            and leaves[k] - _BESIDE_MM < depth
            and enters[k] - leaves[k] >= _THIN_MM
        ):
            return True
    return False


def thin_sheet(sight: Sight, shape: tuple[int, int], lowest: int, highest: int) -> Sheet | None:
    """Return the largest thin sheet between two crowns; None for none.

    Its middle lies over the ``lowest`` row, as at the gum line margins are as thin beside a hole,
    and it ends under the ``highest``.
    """
    rows, columns = shape
    middle, square = np.empty(rows * columns), np.zeros(rows * columns)
    least = _AREA_MM2 / LATTICE_MM**2
    if _thin(*sight, middle, square) < least:
        return None
    of = np.empty(rows * columns, dtype=np.int64)
    count = _pieces(middle, rows, columns, of)
    sizes = np.bincount(of[of >= 0], minlength=count)
    for piece in np.argsort(-sizes, kind="stable")[: int((sizes >= least).sum())].tolist():
        lines = np.flatnonzero(of == piece)
        y, x = np.divmod(lines, columns)
        if y.max() > highest or y.mean() < lowest:
            continue
        if float(np.median(square[lines])) < _SQUARE:
            continue
        in_row = np.unique(y, return_counts=True)[1]
        width, height = float(np.median(in_row)) * LATTICE_MM, len(in_row) * LATTICE_MM
        if width < _WIDE_MM or height < _HIGH_MM:
            continue
        first = np.flatnonzero(np.diff(y, prepend=-1))
        last = np.append(first[1:], len(y)) - 1
        held = [
            np.mean(
                [
                    0 <= x[end] + step < columns
                    and _stands_at(*sight, lines[end] + step, middle[lines[end]])
                    for end in ends
                ]
            )
            for ends, step in ((first, -1), (last, 1))
        ]
        if min(held) < _HELD:
            continue
        return Sheet(
            float(x.mean()),
            float(y.mean()),
            float(np.median(middle[lines])),
            width,
            height,
            len(lines) * LATTICE_MM**2,
        )
    return None
