"""Ledges of what stands out of a crown: attachments, brackets, tubes.

Seen from the side, a crown's surface turns slowly. What is bonded to it ends towards the gum in
a ledge: within half a millimetre the surface steps in, and above and below the step it hardly
does. The gum line cannot tell the two apart, for a ledge near it is easily read as the gum line
itself. A ledge throws a shadow down the crown to the gum, and block-out would fill all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import label

from geometry.dentition import Dentition
from geometry.dentition.result import SIDES
from geometry.model.surface.halfedges import Faces
from geometry.model.undercuts.heights import Grid, top_heights

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

PITCH = 0.1
LEAST_STEP = 0.3
STEPS = ((5, 0.35), (8, 0.4), (10, 0.45))
"""Within so many rows of the picture a ledge steps in by so much more, mm, than the surface does
just above and below, in the median along it; a bevelled ledge takes more rows than a square one."""
BESIDE_ROWS, ANYWHERE = 5, 0.6
"""Above and below are so many rows; single places of a ledge may be less sharp by this share."""
BELOW_ROWS, GUM_OUT = 8, 0.3
"""Where the surface comes out again within so many rows by more, mm, gum begins."""
NARROWEST, TO_SIDES = 1.5, 0.5
UNDER_MARGIN, OVER_TIP, ACROSS = 1.5, 1.5, 10.0
LIP_ROWS, PART_ROWS = 16, 45
CLEAR, BESIDE = 0.25, 0.2
EMPTY = -99.0
GRIP_DEPTH, GRIP_SHARP = 1.5, 0.5
"""What stands out farther, mm, is no attachment, and plastic cannot be taken off over it; nor is
what steps in by less than this share of its depth: the rest is the crown's own lean."""
WHOLE = 0.62
"""What could be gripped along more than this share of a crown is the crown's own neck: primary
crowns bulge so far over theirs."""

NECK, NECK_STEP = 2.0, 0.5
"""So near the gum line, mm, what steps in by less, mm, is a crown's own bulge over its neck: lower
molars lean to the tongue. Attachments of composite are thicker (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Ledge:
    """The underside of something that stands out of a crown.

    Attributes
    ----------
    origin, along, out : (2,) float64
        A point in plan, and the directions along the row and out of the crown.
    s : (k,) float64
        Places along the ledge from the origin, rising, mm.
    inner, outer, height : (k,) float64
        How far out the crown and the lip of the ledge lie there, and the height of the
        ledge's inner corner, mm.
    depth : float
        By how much it stands out, mm.
    sharp : float
        By how much the surface steps in there more than above and below, mm.
    grips : bool
        Whether it may be an attachment, which plastic has to grip under; false for all on
        one side of a tooth as soon as one of them is none.
    """

    origin: Array
    along: Array
    out: Array
    s: Array
    inner: Array
    outer: Array
    height: Array
    depth: float
    sharp: float
    grips: bool = True

    @property
    def width(self) -> float:
        """Length of the ledge along the row, mm."""
        return float(self.s[-1] - self.s[0] + PITCH)

    @property
    def at(self) -> Array:
        """Middle of its lip, model axes."""
        k = len(self.s) // 2
        plan = self.origin + self.s[k] * self.along + self.outer[k] * self.out
        return np.array([*plan, self.height[k]])

    def place(self, plan: Array) -> tuple[Marks, Array]:
        """Mark the points (n, 2) over or under the ledge; return its height beside each."""
        from_origin = plan - self.origin
        s, out = from_origin @ self.along, from_origin @ self.out
        inside = (s > self.s[0] - BESIDE) & (s < self.s[-1] + BESIDE)
        inside &= out > np.interp(s, self.s, self.inner)
        inside &= out < np.interp(s, self.s, self.outer) + CLEAR
        return inside, np.interp(s, self.s, self.height)


@njit(cache=True, nogil=True)
def faces_across(
    vertices: Array, faces: Faces, point: Array, along: Array, half: float, low: float
) -> Marks:
    """Mark the faces across the row from a point, within half a width, above ``low``."""
    out = np.zeros(len(faces), dtype=np.bool_)
    for f in range(len(faces)):
        corner = faces[f, 0]
        x, y = vertices[corner, 0] - point[0], vertices[corner, 1] - point[1]
        if abs(x * along[0] + y * along[1]) < half and vertices[corner, 2] > low:
            out[f] = x * x + y * y < ACROSS * ACROSS
    return out


def find_ledges(
    vertices: Array, faces: Faces, dentition: Dentition | None, move: Array
) -> list[Ledge]:
    """Find the ledges on crowns that face the gum.

    Parameters
    ----------
    vertices, faces
        The model in its own axes, teeth up.
    dentition : Dentition or None
        Without one no crown is known and nothing is found.
    move : (4, 4) float64
        From file to model.
    """
    found: list[Ledge] = []
    for tooth in dentition.teeth if dentition else ():
        middle, facial, lingual = (
            np.array([tooth.centre, tooth.facial.at, tooth.lingual.at]) @ move[:3, :3].T
            + move[:3, 3]
        )
        across = (facial - lingual)[:2]
        if not across.any():
            continue
        across /= np.linalg.norm(across)
        half = 0.5 * tooth.width_mm
        reach = half + 0.5
        lowest = min(facial[2], lingual[2]) - UNDER_MARGIN - PITCH * BELOW_ROWS
        along = np.array([-across[1], across[0]])
        near = faces[faces_across(vertices, faces, middle, along, reach, lowest)]
        for side, margin in zip(SIDES, (facial[2], lingual[2]), strict=True):
            out = across if side == "facial" else -across
            along = np.array([-out[1], out[0]])
            low = margin - UNDER_MARGIN - PITCH * BELOW_ROWS
            picture, z = _seen_from(vertices, near, middle, along, out, half, low)
            clear = half - TO_SIDES
            own = _ledges_in(picture, z, clear, margin - UNDER_MARGIN, middle[:2], along, out)
            own = [
                ledge
                for ledge in own
                if not (_may_be_gripped(ledge) and ledge.width > WHOLE * tooth.width_mm)
                and not _is_neck(ledge, margin)
            ]
            grips = all(_may_be_gripped(ledge) for ledge in own)
            found += [replace(ledge, grips=grips) for ledge in own]
    return found


def _may_be_gripped(ledge: Ledge) -> bool:
    return ledge.depth <= GRIP_DEPTH and ledge.sharp >= GRIP_SHARP * ledge.depth


def _is_neck(ledge: Ledge, margin: float) -> bool:
    return ledge.sharp < NECK_STEP and float(np.median(ledge.height)) < margin + NECK


def _seen_from(
    vertices: Array, faces: Faces, middle: Array, along: Array, out: Array, half: float, low: float
) -> tuple[Array, Array]:
    """Return how far out the outermost surface lies (along, height), and the heights."""
    used, corner = np.unique(faces, return_inverse=True)
    plan = vertices[used, :2] - middle[:2]
    turned = np.column_stack((plan @ along, vertices[used, 2], plan @ out))
    rows = round((middle[2] + OVER_TIP - low) / PITCH) + 1
    columns = 2 * round(half / PITCH) + 1
    grid = Grid(-PITCH * (columns // 2), low, PITCH, columns, max(rows, 1))
    seen = top_heights(turned, corner.reshape(-1, 3).astype(np.int32), grid, EMPTY)
    picture = np.where(seen > 0.5 * EMPTY, seen, np.nan).astype(np.float64)
    return picture, np.linspace(low, low + PITCH * (grid.ny - 1), grid.ny)


def _rise(picture: Array, rows: int) -> Array:
    """Return by how much the surface comes out from each place to so many rows above it."""
    out = np.full_like(picture, np.nan)
    out[:, :-rows] = picture[:, rows:] - picture[:, :-rows]
    return out


def _ledges_in(
    picture: Array, z: Array, clear: float, lowest: float, origin: Array, along: Array, out: Array
) -> list[Ledge]:
    """Find the ledges in a picture of one side of a crown."""
    columns, rows = picture.shape
    if rows <= STEPS[-1][0] + 2 * BESIDE_ROWS:
        return []
    s = PITCH * (np.arange(columns) - columns // 2)
    rise = _rise(picture, BESIDE_ROWS)
    below = np.full_like(picture, np.nan)
    below[:, BESIDE_ROWS:] = rise[:, :-BESIDE_ROWS]
    sharp, share = np.full_like(picture, -np.inf), np.full_like(picture, -np.inf)
    for step, least in STEPS:
        above = np.zeros_like(picture)
        above[:, :-step] = np.nan_to_num(rise[:, step:])
        lean = (np.maximum(above, 0.0) + np.maximum(below, 0.0)) * (step / BESIDE_ROWS)
        step_rise = _rise(picture, step)
        own = np.where(step_rise > LEAST_STEP, step_rise - lean, -np.inf)
        better = own / least > share
        sharp[better], share[better] = own[better], own[better] / least
    under = np.lib.stride_tricks.sliding_window_view(picture, BELOW_ROWS, axis=1).max(axis=2)
    gum = np.full_like(picture, np.nan)
    gum[:, BELOW_ROWS:] = under[:, :-1] - picture[:, BELOW_ROWS:]
    stepped = (share > ANYWHERE) & (gum < GUM_OUT) & (z > lowest) & (np.abs(s) < clear)[:, None]
    pieces, count = label(stepped, np.ones((3, 3)))
    found = []
    for piece in range(1, count + 1):
        mine = pieces == piece
        run = np.flatnonzero(mine.any(axis=1))
        values = np.where(mine[run], share[run], 0.0)
        if len(run) * PITCH < NARROWEST or np.median(values.max(axis=1)) < 1.0:
            continue
        corner = values.argmax(axis=1)
        steps = float(np.median(sharp[run, corner]))
        found.append(_ledge(picture[run], z, s[run], corner, steps, origin, along, out))
    return found


def _ledge(
    picture: Array, z: Array, s: Array, corner: NDArray[np.int64], sharp: float,
    origin: Array, along: Array, out: Array,
) -> Ledge:  # fmt: skip
    """Measure one ledge from its columns of a picture and the rows of its inner corner."""
    inner, outer = np.empty(len(s)), np.empty(len(s))
    depth = np.empty(len(s))
    for n, row in enumerate(corner):
        column = picture[n, row:]
        column = column[: int(np.argmax(np.isnan(column))) or len(column)]
        lip = int(column[: LIP_ROWS + 1].argmax())
        outer[n] = column[lip]
        depth[n] = outer[n] - column[0]
        # Above what stands out, the crown itself may come out farther than below it.
        end = lip + int(column[lip : lip + PART_ROWS].argmin())
        inner[n] = max(column[0], column[end:].max())
    return Ledge(origin, along, out, s, inner, outer, z[corner], float(np.median(depth)), sharp)


def under_ledges(ledges: Sequence[Ledge], points: Array) -> Marks:
    """Mark the points (n, 3) that lie under one of the ledges, down to the base."""
    out = np.zeros(len(points), dtype=bool)
    for ledge in ledges:
        inside, height = ledge.place(points[:, :2])
        out |= inside & (points[:, 2] < height + CLEAR)
    return out


def without_parts(
    top: NDArray[np.float32], grid: Grid, vertices: Array, faces: Faces, ledges: Sequence[Ledge]
) -> None:
    """Take what stands over ledges off a height field, down to the surface under them.

    Parameters
    ----------
    top : (nx, ny) float32
        Height field over ``grid`` that is changed.
    grid : Grid
    vertices, faces
        The surface it was made of.
    ledges : sequence of Ledge
    """
    corners = vertices[faces[:, 0]] if ledges else vertices
    for ledge in ledges:
        plan = ledge.origin + np.outer(ledge.s, ledge.along)
        ends = np.vstack(
            (plan + ledge.inner[:, None] * ledge.out, plan + ledge.outer[:, None] * ledge.out)
        )
        low, high = ends.min(axis=0) - 1.0, ends.max(axis=0) + 1.0
        i0, j0 = np.maximum(((low - (grid.x0, grid.y0)) / grid.pitch).astype(int), 0).tolist()
        i1, j1 = ((high - (grid.x0, grid.y0)) / grid.pitch).astype(int).tolist()
        i1, j1 = min(i1, grid.nx), min(j1, grid.ny)
        local = Grid(
            grid.x0 + i0 * grid.pitch, grid.y0 + j0 * grid.pitch, grid.pitch, i1 - i0, j1 - j0
        )
        near = faces[((corners[:, :2] > low - 1.0) & (corners[:, :2] < high + 1.0)).all(axis=1)]
        middles = vertices[near].mean(axis=1)
        _, height = ledge.place(middles[:, :2])
        lower = top_heights(vertices, near[middles[:, 2] < height + CLEAR], local)
        i, j = np.meshgrid(np.arange(local.nx), np.arange(local.ny), indexing="ij")
        columns = np.column_stack(
            (local.x0 + i.ravel() * grid.pitch, local.y0 + j.ravel() * grid.pitch)
        ).astype(np.float64)
        inside = ledge.place(columns)[0].reshape(lower.shape)
        own = top[i0:i1, j0:j1]
        own[inside] = np.minimum(own[inside], lower[inside])
