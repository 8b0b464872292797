"""Close a cut surface to the base, in the way that costs least of it."""

from __future__ import annotations

from collections.abc import Generator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.mesh import Mesh
from geometry.model.base.assembling import Closed, Ground, assemble, mend
from geometry.model.base.borders import step_back
from geometry.model.base.bridges import Bridges
from geometry.model.base.ends import cut_end, ends_of
from geometry.model.base.losses import cost, gone
from geometry.model.base.nearby import Nearby
from geometry.model.base.skirts import CrossedBorder
from geometry.model.bodies.solids import odd_at, odd_vertices
from geometry.model.memory import give_back
from geometry.model.surface.halfedges import face_areas
from geometry.model.surface.kinds import BASE, FILL, FLOOR, SCAN, STAND_IN, WALL
from geometry.model.surface.mending import Spot, crossings_near, joined_spots
from geometry.model.surface.skin import Skin, tails
from geometry.model.undercuts.regions import Misplaced

Array = NDArray[np.float64]
Rounds = Generator[float, None, Closed]
Known = dict[tuple[tuple[bytes, ...], tuple[bytes, bytes, float]], tuple[Array, bool]]

BRIDGES = ((9.0, 0.0), (5.0, 0.0), (3.0, 0.0), (6.0, 0.6), (6.0, -0.6))
"""The kinds of bridges that are tried: where the line from end to end crosses the border again,
ends elsewhere often do not."""
EVEN = 3
"""So many of them do not lean. A fine surface begins with these: each way holds a copy of it."""
SHORT_BRIDGES = 3.0
LITTLE_LOST = 2.0
"""Where so little of the surface is lost nothing else is tried; see
:func:`geometry.model.base.losses.cost`."""
FAR_TOO_MUCH = 1000.0
"""Where so much is lost, leaving out a strip of the border may cost less, or upright planes at its
ends: below it these never did, on 17 scans with ragged borders."""
AROUND_FOLDS, STRIPS = 4.0, (0.6, 1.2)
"""Of the border so near, mm, to where it folds, strips so wide, mm, are left out where nothing
else closes the surface: slivers and steps of a border do not go on inside it."""
MOST_LEFT = 0.8
"""A strip that takes more of the surface with it has cut it apart."""
LEFT_AT_LEAST = 0.6
"""A model that keeps less of the surface above its trim is none of that scan."""
STAND_ROUNDS = 30
SHORT_ROUNDS = 6
END_ROUNDS = 10
SAME_PLACE = 2.5
NIBBLES = 6
NIBBLE = 0.25
TOUCHING = 0.01
FINE = 400_000
"""Faces of a surface from which on memory is given back each round."""


class FoldedBorder(Misplaced):
    """A border that cannot be closed without crossing the surface, here at ``places`` (k, 3)."""

    def __init__(self, places: Array) -> None:
        self.places = places
        super().__init__(
            places[0],
            "the scan's border folds over itself {} and cannot be closed safely; raise the trim,"
            " or cut the border back there",
        )


@dataclass(slots=True)
class _Trial:
    """One way of closing a surface, as far as it got."""

    near: Nearby
    rounds: Rounds
    lost: float
    ahead: Future[float | Closed] | None = None
    """Its next round, where that was begun already."""


@dataclass(frozen=True, slots=True)
class _Stood:
    """A closed surface, and what that cost."""

    solid: Closed
    lost: float


def _next(rounds: Rounds) -> float | Closed:
    """Return what the next round says that was lost, or the surface that it closed."""
    try:
        return next(rounds)
    except StopIteration as done:
        return cast(Closed, done.value)


def kept(skin: Skin, solid: Closed) -> float:
    """Return the share of a surface's area that a solid made of it keeps."""
    left = face_areas(solid.vertices, solid.faces[solid.kind == SCAN]).sum()
    return float(left / face_areas(skin.vertices, skin.faces).sum())


def stand_safely(skin: Skin, trim: float, top: float) -> Closed:
    """Close a cut surface; bridge its border, or cut it back, where walls would cross it.

    Long bridges save what short ones would cost, and the other way round. The way that lost
    least so far is followed, one round at a time, until one has closed the surface. Where none
    does, a strip of the border is left out and they are tried again. Where that costs too much,
    upright planes at the ends may cost less. What is lost in the end is built
    up again where it can be seen: :mod:`geometry.model.base.restoring`.
    """
    return _Search(skin, Ground(trim, top)).best()


class _Search:
    """The ways of closing one surface that are tried."""

    def __init__(self, skin: Skin, ground: Ground) -> None:
        self._skin = skin
        self._ground = ground
        self._folded: list[FoldedBorder] = []
        self._halted: list[_Trial] = []
        self._given_up: list[Spot] = []

    def best(self) -> Closed:
        """Return what costs least of all that is tried.

        Raises
        ------
        FoldedBorder
            Nothing closes the surface.
        """
        best = self._first(self._skin)
        poor = best is None or kept(self._skin, best.solid) < LEFT_AT_LEAST
        if best is None or poor or best.lost > FAR_TOO_MUCH:
            inside = self._inside(self._given_up if best is None else best.solid.spots)
            if inside is not None and (best is None or poor or inside.lost < best.lost):
                best = inside
        if best is None:
            best = self._follow(self._halted, np.inf)
        if best is None or best.lost > FAR_TOO_MUCH:
            best = self._at_ends(best) or best
        if best is None:
            raise self._folded[0]
        return best.solid

    def _first(self, skin: Skin) -> _Stood | None:
        """Follow the way that lost least so far, until one has closed a surface."""
        kinds = BRIDGES if len(skin.faces) <= FINE else BRIDGES[:EVEN]
        first = Nearby(skin, gone(self._skin, skin, SCAN))
        known: Known = {}
        trials = []
        for kind in kinds:
            near = first.twin()
            rounds = _stand(near, Bridges(*kind), self._ground, STAND_ROUNDS, known=known)
            trials.append(_Trial(near, rounds, 0.0))
        return self._follow(trials, FAR_TOO_MUCH if skin is self._skin else np.inf)

    def _follow(self, trials: list[_Trial], most: float) -> _Stood | None:
        """Follow ways until one has closed a surface, or all have lost more than ``most``.

        The second best goes on beside the best, which makes no difference to either.
        """
        beside = 1 if len(self._skin.faces) > FINE else 2
        pool = ThreadPoolExecutor(max_workers=beside)
        try:
            while trials:
                ranked = sorted(trials, key=lambda one: max(one.lost, LITTLE_LOST))
                trial = ranked[0]
                if trial.lost > most:
                    # Gone on with where nothing else helps.
                    trial.near.whole()
                    self._halted, self._given_up = trials, trial.near.spots
                    return None
                for one in ranked[:beside]:
                    if one.ahead is None and one.lost <= most:
                        one.ahead = pool.submit(_next, one.rounds)
                done, trial.ahead = cast(Future[float | Closed], trial.ahead), None
                try:
                    found = done.result()
                except FoldedBorder as error:
                    trials.remove(trial)
                    self._folded.append(error)
                    continue
                if isinstance(found, Closed):
                    return _Stood(found, trial.lost)
                trial.lost = found
            return None
        finally:
            pool.shutdown(wait=False)

    def _inside(self, given_up: list[Spot]) -> _Stood | None:
        """Leave a strip of the border out around folds, and where much was given up.

        The line inside it is smoother.
        """
        skin = self._skin
        rim = skin.vertices[tails(skin, np.flatnonzero(skin.opposite < 0))]
        near = rim
        places = [error.places for error in self._folded] + [spot.at[None] for spot in given_up]
        if places:
            near = rim[cKDTree(np.concatenate(places)).query(rim)[0] < AROUND_FOLDS]
        for width in STRIPS:
            rest, spots = step_back(skin, near, np.full(len(near), width))
            if len(rest.faces) < MOST_LEFT * len(skin.faces):
                return None
            found = self._first(rest)
            if found is not None and kept(skin, found.solid) >= LEFT_AT_LEAST:
                found.solid.spots = joined_spots([*spots, *found.solid.spots])
                return found
        return None

    def _at_ends(self, best: _Stood | None) -> _Stood | None:
        """Cut the surface off along upright planes, unless that costs more."""
        rounds, lost = _on_ends(self._skin, self._ground), 0.0
        try:
            while best is None or lost < best.lost:
                lost = next(rounds)
        except StopIteration as done:
            return _Stood(done.value, lost)
        except FoldedBorder as error:
            self._folded.append(error)
        return None


def _stand(
    near: Nearby,
    bridges: Bridges,
    ground: Ground,
    rounds: int,
    planes: Array | None = None,
    known: Known | None = None,
) -> Rounds:
    """Close a cut surface with bridges of one kind, or say where plain walls crossed it.

    Yields after each round what was given up by then. What was ``known`` to fail on the part
    near the border of the same surface is not tried again: bridges of several kinds begin alike.
    """
    known = {} if known is None else known
    tried: list[Array] = []
    nibbles = 0
    folds = np.empty((0, 3))
    for _ in range(rounds):
        state = near.past, bridges.state
        if state in known:
            solid, (centres, pinched) = None, known[state]
        else:
            solid, centres, pinched = _attempt(near.part, ground, bridges, planes)
        if solid is None:
            known[state] = centres, pinched
        else:
            if len(near.whole().faces) > FINE:
                give_back()
            solid, centres, pinched = _attempt(near.whole(), ground, bridges, planes)
            if solid is not None:
                solid.spots = joined_spots([*near.spots, *solid.spots])
                return solid
            near.look_at(centres)
        if not len(folds):
            folds = centres
        if pinched and nibbles < NIBBLES:
            # Two walls or patches share an edge there: a little less border parts them.
            nibbles += 1
            near.step_back(centres, np.full(len(centres), 0.15 * nibbles))
            yield near.cost()
            continue
        # No wall stands where the cut itself touches itself.
        low = centres[:, 2] <= ground.trim + TOUCHING
        vain = np.concatenate((centres[low], bridges.widen(centres[~low])))
        if len(vain):
            # Where nothing was tried yet, a little may do; what comes again is cut deeper.
            again = _times_tried(vain, tried)
            tried.append(vain)
            reach = (again + 1) * np.float64(NIBBLE)
            if not near.step_back(vain, reach) and again.min() > 0:
                # Walls cross far from the surface: what they hang from is cut back.
                rim = near.rim()
                near.step_back(rim[cKDTree(rim).query(vain)[1]], reach)
        yield near.cost()
    raise FoldedBorder(folds)


def stand_on_ends(skin: Skin, trim: float, top: float) -> Closed:
    """Close a cut surface after cutting it off along upright planes where nothing else does."""
    rounds = _on_ends(skin, Ground(trim, top))
    while True:
        try:
            next(rounds)
        except StopIteration as done:
            return cast(Closed, done.value)


def _on_ends(skin: Skin, ground: Ground) -> Rounds:
    first = skin
    before = np.empty((0, 3))
    spots: list[Spot] = []
    tried: list[Array] = []
    planes, centres = np.empty((0, 3)), np.empty((0, 3))
    for attempt in range(END_ROUNDS):
        try:
            near, bridges = Nearby(skin, before), Bridges(SHORT_BRIDGES)
            solid = yield from _stand(near, bridges, ground, SHORT_ROUNDS, planes)
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
            before = gone(first, skin, SCAN)
            yield cost(skin, before)
        if left:
            here = np.concatenate(left)
            skin, taken = step_back(skin, here, np.full(len(here), 0.4 * (1 + attempt // 2)))
            if not (skin.kind == SCAN).any():
                break
            spots += taken
            before = gone(first, skin, SCAN)
            yield cost(skin, before)
    raise FoldedBorder(centres)


def _attempt(
    skin: Skin, ground: Ground, bridges: Bridges, planes: Array | None
) -> tuple[Closed | None, Array, bool]:
    """Try to close a cut surface.

    Returns
    -------
    solid : Closed or None
    centres : (k, 3) float64
        Where it crosses itself.
    pinched : bool
        It does not, but some of its walls or patches share an edge or a vertex there.

    Of a surface with stand-ins only what was added to it is looked at, and patches of holes
    that are at fault alone are let pass: they are mended on the whole.
    """
    try:
        solid = assemble(skin, ground, bridges, planes)
    except CrossedBorder as crossed:
        return None, crossed.places, False
    real = np.flatnonzero(solid.kind != STAND_IN)
    partly = len(real) < len(solid.faces)
    count, pairs, odd = _faults(solid, real)
    if count and not np.isin(solid.kind[pairs], (WALL, FLOOR)).any():
        # Only patches of holes are at fault, not where the border stands.
        if partly:
            return solid, np.empty((0, 3)), False
        mend(solid)
        count, pairs, odd = _faults(solid, np.arange(len(solid.faces)), base=True)
    if not count and not odd.any() and not partly:
        odd, _ = odd_vertices(solid.faces, len(solid.vertices))
    if not count and not odd.any():
        return solid, np.empty((0, 3)), False
    centres = solid.vertices[solid.faces[pairs]].mean(axis=(1, 2))
    return None, np.concatenate((centres, solid.vertices[odd])), not count


def _faults(
    solid: Closed, real: NDArray[np.int64], *, base: bool = False
) -> tuple[int, NDArray[np.int64], NDArray[np.bool_]]:
    """Count pairs of faces that cross where something was added to a surface.

    Parameters
    ----------
    solid : Closed
    real : (k,) int64
        Its faces that are no stand-ins, in order.
    base : bool
        Whether the base may cross too, as after mending; it is made as one flat outline.

    Returns
    -------
    count, pairs
        As of :func:`crossings_near`.
    odd : (n,) bool
        Vertices where what was added makes no closed sheet.
    """
    kind = solid.kind[real]
    made = kind != SCAN  # the scan itself was mended already
    if not base:
        made &= kind != BASE
    mesh = Mesh(solid.vertices, solid.faces[real])
    count, pairs = crossings_near(mesh, made, kind == FILL)
    added = (solid.kind != SCAN) & (solid.kind != STAND_IN)
    return count, real[pairs], odd_at(solid.faces, len(solid.vertices), added)


def _times_tried(centres: Array, tried: list[Array]) -> NDArray[np.int64]:
    """Count for each place (k, 3) the earlier rounds that had one near it."""
    times = np.zeros(len(centres), dtype=np.int64)
    for earlier in tried:
        times += cKDTree(earlier).query(centres)[0] < SAME_PLACE
    return times
