"""Close a cut surface to the base, in the way that costs least of it."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import cast

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.assembling import BASE, FILL, FLOOR, SCAN, WALL, Closed, assemble, mend
from geometry.model.borders import step_back
from geometry.model.bridges import Bridges
from geometry.model.ends import cut_end, ends_of
from geometry.model.halfedges import Faces
from geometry.model.memory import give_back
from geometry.model.mending import Spot, crossings_near, joined_spots
from geometry.model.skin import Skin, tails
from geometry.model.skirts import CrossedBorder
from geometry.model.solids import odd_at, odd_vertices, shared

Array = NDArray[np.float64]
Rounds = Generator[Skin, None, Closed]

BRIDGES = ((9.0, 0.0), (5.0, 0.0), (3.0, 0.0), (6.0, 0.6), (6.0, -0.6))
"""Half the length along the border, mm, past which bridges are not made longer, and their lean,
in turn: where the line from end to end crosses the border again, ends elsewhere often do not."""
EVEN = 3
"""So many of them do not lean. A fine surface is closed with these: each way holds a copy of it."""
SHORT_BRIDGES = 3.0
LITTLE_LOST = 2.0
"""Where so little of the surface is lost no other way is looked for; see :func:`_lost`."""
MUCH_LOST = 100.0
"""Where so much is lost, upright planes at the ends may cost less."""
STAND_ROUNDS = 30
SHORT_ROUNDS = 6
END_ROUNDS = 10
SAME_PLACE = 2.5
NIBBLES = 6
NIBBLE = 0.25
TOUCHING = 0.01
FINE = 400_000
"""Faces of a surface from which on memory is given back each round."""


class FoldedBorder(GeometryError):
    """A border that cannot be closed without crossing the surface, here at ``places`` (k, 3)."""

    def __init__(self, places: Array) -> None:
        self.places = places
        x, y, z = places[0]
        super().__init__(
            f"the scan's border folds over itself around ({x:.0f}, {y:.0f}, {z:.0f}) mm in model "
            "axes and cannot be closed safely; raise the trim, or cut the border back there"
        )


@dataclass(slots=True)
class _Trial:
    """One way of closing a surface, as far as it got."""

    rounds: Rounds
    rest: Skin
    lost: float = 0.0


def stand_safely(skin: Skin, trim: float, top: float) -> Closed:
    """Close a cut surface; bridge its border, or cut it back, where walls would cross it.

    Long bridges save what short ones would cost, and the other way round; where all of them
    cost much, upright planes at the ends may cost less. The way that lost least so far is
    followed, one round at a time, until one has closed the surface for no more than the rest.
    """
    kinds = BRIDGES if len(skin.faces) <= FINE else BRIDGES[:EVEN]
    trials = [_Trial(_stand(skin, trim, top, Bridges(*kind), STAND_ROUNDS), skin) for kind in kinds]
    at_ends: _Trial | None = None
    best: tuple[float, Closed] | None = None
    folded: FoldedBorder | None = None
    while trials:
        trial = min(trials, key=lambda one: max(one.lost, LITTLE_LOST))
        if best is not None and best[0] <= max(trial.lost, LITTLE_LOST):
            break
        if at_ends is None and trial.lost > MUCH_LOST:
            at_ends = _Trial(_on_ends(skin, trim, top), skin)
            trials.append(at_ends)
            continue
        try:
            rest = next(trial.rounds)
        except StopIteration as done:
            trials.remove(trial)
            if best is None or trial.lost < best[0]:
                best = trial.lost, done.value
        except FoldedBorder as error:
            trials.remove(trial)
            folded = folded or error
        else:
            if rest is not trial.rest:
                trial.rest, trial.lost = rest, _lost(skin, rest)
    if best is not None:
        return best[1]
    assert folded is not None
    raise folded


def _lost(skin: Skin, rest: Skin) -> float:
    """Sum the squares of how far, mm, scanned vertices that are gone lie from the new border."""
    count = len(skin.vertices)
    own = _scanned(skin.faces, skin.kind, count)
    if np.array_equal(rest.vertices[:count], skin.vertices):
        own &= ~_scanned(rest.faces, rest.kind, len(rest.vertices))[:count]
        gone = skin.vertices[own]
    else:  # numbered anew where it was cut by a plane
        left = rest.vertices[_scanned(rest.faces, rest.kind, len(rest.vertices))]
        gone = skin.vertices[own]
        gone = gone[~shared(gone, left)]
    if not len(gone):
        return 0.0
    rim = rest.vertices[tails(rest, np.flatnonzero(rest.opposite < 0))]
    return float((cKDTree(rim).query(gone)[0] ** 2).sum())


@njit(cache=True, nogil=True)
def _scanned(faces: Faces, kind: NDArray[np.int8], count: int) -> NDArray[np.bool_]:
    """Mark the vertices of scanned faces."""
    out = np.zeros(count, dtype=np.bool_)
    for f in range(len(faces)):
        if kind[f] == SCAN:
            for k in range(3):
                out[faces[f, k]] = True
    return out


def _stand(
    skin: Skin, trim: float, top: float, bridges: Bridges, rounds: int, planes: Array | None = None
) -> Rounds:
    """Close a cut surface with bridges of one kind, or say where plain walls crossed it.

    Yields what is left of the surface after each round.
    """
    spots: list[Spot] = []
    tried: list[Array] = []
    nibbles = 0
    folds = np.empty((0, 3))
    for _ in range(rounds):
        if len(skin.faces) > FINE:
            give_back()
        solid, centres, pinched = _attempt(skin, trim, top, bridges, planes)
        if not len(folds):
            folds = centres
        if solid is not None:
            solid.spots = joined_spots([*spots, *solid.spots])
            return solid
        if pinched and nibbles < NIBBLES:
            # Two walls or patches share an edge there: a little less border parts them.
            nibbles += 1
            skin, taken = step_back(skin, centres, np.full(len(centres), 0.15 * nibbles))
            spots += taken
            yield skin
            continue
        # No wall stands where the cut itself touches itself.
        low = centres[:, 2] <= trim + TOUCHING
        vain = np.concatenate((centres[low], bridges.widen(centres[~low])))
        if len(vain):
            # Where nothing was tried yet, a little may do; what comes again is cut deeper.
            again = _times_tried(vain, tried)
            tried.append(vain)
            reach = (again + 1) * np.float64(NIBBLE)
            rest, taken = step_back(skin, vain, reach)
            if again.min() > 0 and len(rest.faces) == len(skin.faces):
                # Walls cross far from the surface: what they hang from is cut back.
                rim = skin.vertices[tails(skin, np.flatnonzero(skin.opposite < 0))]
                rest, taken = step_back(skin, rim[cKDTree(rim).query(vain)[1]], reach)
            skin = rest
            spots += taken
        yield skin
    raise FoldedBorder(folds)


def stand_on_ends(skin: Skin, trim: float, top: float) -> Closed:
    """Close a cut surface after cutting it off along upright planes where nothing else does."""
    rounds = _on_ends(skin, trim, top)
    while True:
        try:
            next(rounds)
        except StopIteration as done:
            return cast(Closed, done.value)


def _on_ends(skin: Skin, trim: float, top: float) -> Rounds:
    spots: list[Spot] = []
    tried: list[Array] = []
    planes, centres = np.empty((0, 3)), np.empty((0, 3))
    for attempt in range(END_ROUNDS):
        try:
            bridges = Bridges(SHORT_BRIDGES)
            solid = yield from _stand(skin, trim, top, bridges, SHORT_ROUNDS, planes)
        except FoldedBorder as error:
            centres = error.places
        else:
            solid.spots = joined_spots([*spots, *solid.spots])
            return solid
        again = _times_tried(centres, tried)
        tried.append(centres)
        left = []
        for places in ends_of(centres):
            cut = cut_end(skin, places, int(again.max()))
            if cut is None:
                left.append(places)
                continue
            skin, plane, taken = cut
            planes = np.vstack((planes, plane))
            spots += taken
            yield skin
        if left:
            here = np.concatenate(left)
            skin, taken = step_back(skin, here, np.full(len(here), 0.4 * (1 + attempt // 2)))
            spots += taken
            yield skin
    raise FoldedBorder(centres)


def _attempt(
    skin: Skin, trim: float, top: float, bridges: Bridges, planes: Array | None
) -> tuple[Closed | None, Array, bool]:
    """Try to close a cut surface.

    Returns
    -------
    solid : Closed or None
    centres : (k, 3) float64
        Where it crosses itself.
    pinched : bool
        It does not, but some of its walls or patches share an edge or a vertex there.
    """
    try:
        solid = assemble(skin, trim, top, bridges, planes)
    except CrossedBorder as crossed:
        return None, crossed.places, False
    odd = odd_at(solid.faces, len(solid.vertices), solid.kind != SCAN)
    whole = Mesh(solid.vertices, solid.faces)
    # The scan itself was mended already; the base is one flat outline.
    made = (solid.kind != SCAN) & (solid.kind != BASE)
    count, pairs = crossings_near(whole, made, solid.kind == FILL)
    if count and not np.isin(solid.kind[pairs], (WALL, FLOOR)).any():
        # Only patches of holes are at fault, not where the border stands.
        mend(solid)
        made = solid.kind != SCAN
        whole = Mesh(solid.vertices, solid.faces)
        count, pairs = crossings_near(whole, made, solid.kind == FILL)
        odd = odd_at(solid.faces, len(solid.vertices), made)
    if not count and not odd.any():
        odd, _ = odd_vertices(solid.faces, len(solid.vertices))
    if not count and not odd.any():
        return solid, np.empty((0, 3)), False
    centres = solid.vertices[solid.faces[pairs]].mean(axis=(1, 2))
    return None, np.concatenate((centres, solid.vertices[odd])), not count


def _times_tried(centres: Array, tried: list[Array]) -> NDArray[np.int64]:
    """Count for each place (k, 3) the earlier rounds that had one near it."""
    times = np.zeros(len(centres), dtype=np.int64)
    for earlier in tried:
        times += cKDTree(earlier).query(centres)[0] < SAME_PLACE
    return times
