"""Find places for one shape more: beside the others, else by placing all of them anew."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from geometry.plates import search
from geometry.plates.shapes import Shape, Shapes

Poses = NDArray[np.float64]
Judge = Callable[[Poses], bool]

SLACKS_MM = (0.1, 0.06, 0.03)
"""The search keeps so much more than the gap, and from the edge: its outlines and fields are
not exact. Less is tried where more does not fit."""

_ENOUGH = 1e-3
_CLOSE = 4.0
"""Energy of the coarse outlines from which the fine ones may be brought apart."""
_PLACES = 800
_VAIN_BESIDE, _VAIN_AFRESH, _VAIN_FINE = 40, 12, 12
_EFFORT_BESIDE = 5e6
_EFFORT = 2.4e8
"""Points looked at in fresh starts on each thread, over all shapes, before the search ends."""
_EFFORT_EACH = 3e5
"""What a start costs besides, in the same unit."""
_CHANGE = 18
"""A change costs about as much as so many looks from every point at one other shape."""
_STARTS_EACH = 30
"""Starts on each thread for each shape that is there; few shapes need few."""
_THREADS = 2
_SYMMETRIC = 4
"""Every so many-th start is not symmetric about the plate's middle."""


class Placing:
    """Shapes placed so far, and the effort left.

    Attributes
    ----------
    poses : (n, 3) float64
        Centre (mm from the plate's corner) and turn (radians) of each shape placed.
    """

    def __init__(
        self, shapes: Sequence[Shape], width: float, depth: float, gap: float, seed: int,
        seconds: float | None,
    ) -> None:  # fmt: skip
        self._fine = Shapes.of(shapes).packed
        self._coarse = Shapes.of(shapes, coarse=True).packed
        self._points = np.array([[len(s.coarse), len(s.points)] for s in shapes]).T
        self._size = (width, depth)
        self._gap = gap
        self._deadline = None if seconds is None else time.monotonic() + seconds
        self._seed = seed
        self._kinds = np.zeros(0, dtype=np.int64)
        # Each thread makes every so many-th start, and has its own effort to spend.
        self._left = [_EFFORT] * _THREADS
        self.poses: Poses = np.zeros((0, 3))

    def insert(self, kind: int, valid: Judge) -> bool:
        """Add one shape; keep the old poses when no way is found.

        Parameters
        ----------
        kind : int
            Number of the shape.
        valid : callable
            Tells whether poses (n, 3) keep every gap exactly.
        """
        kinds = np.append(self._kinds, np.int64(kind))
        search.seed(self._stream(len(kinds), 0))
        found = self._settled(kinds, self._beside(kinds), valid)[0]
        if found is None and len(kinds) > 1:
            found = self._afresh(kinds, valid)
        if found is None:
            return False
        self._kinds, self.poses = kinds, found
        return True

    def part(self, kinds: NDArray[np.int64], poses: Poses, valid: Judge) -> Poses | None:
        """Let shapes that are too near slide apart, else put some elsewhere; None when none fits.

        Parameters
        ----------
        kinds : (n,) int64
            Number of each shape.
        poses : (n, 3) float64
            Where they are.
        valid : callable
            As for :meth:`insert`.
        """
        search.seed(self._stream(len(kinds), 0))
        slid = self._settled(kinds, poses, valid, vain=0)[0]
        return self._settled(kinds, poses, valid, _VAIN_BESIDE)[0] if slid is None else slid

    def _stream(self, count: int, start: int) -> int:
        return int(np.random.default_rng([self._seed, 41, count, start]).integers(2**31))

    def _late(self) -> bool:
        return self._deadline is not None and time.monotonic() > self._deadline

    def _most(self, kinds: NDArray[np.int64], effort: float) -> int:
        """Rounds of the search that cost so much effort."""
        return max(int(effort / self._effort(kinds, 0, 1, 1)), 1)

    def _beside(self, kinds: NDArray[np.int64]) -> Poses:
        """The poses so far and the best free place for one more, else a little search from it."""
        slack = SLACKS_MM[0]
        width, depth, gap = self._narrowed(slack)
        poses = np.vstack([self.poses - (slack, slack, 0.0), [[width / 2.0, depth / 2.0, 0.0]]])
        _, *pose = search.best_place(
            self._fine, kinds, poses, len(kinds) - 1, width, depth, gap, _PLACES, 0, True
        )
        poses[-1] = pose
        search.hop(
            self._coarse, kinds, poses, _alone(len(kinds)), width, depth, gap, _ENOUGH,
            _VAIN_BESIDE, self._most(kinds, _EFFORT_BESIDE),
        )  # fmt: skip
        return poses + (slack, slack, 0.0)

    def _narrowed(self, slack: float) -> tuple[float, float, float]:
        """Plate and gap with some slack."""
        width, depth = self._size
        return width - 2.0 * slack, depth - 2.0 * slack, self._gap + slack

    def _afresh(self, kinds: NDArray[np.int64], valid: Judge) -> Poses | None:
        """Start anywhere again and again, on some threads side by side.

        What is found first, in the order of the starts, is taken, whoever was faster.
        """
        found: dict[int, Poses] = {}
        spent: dict[int, float] = {}
        timed = self._deadline is not None

        def work(first: int) -> None:
            left = self._left[first]
            last = first + _THREADS * _STARTS_EACH * len(kinds)
            start = first
            while not self._late() if timed else left > 0.0 and start < last:
                if found and min(found) < start:
                    return
                settled, effort = self._start(kinds, start, left, valid)
                if settled is not None:
                    found[start] = settled
                    return
                spent[start] = effort
                left -= effort
                start += _THREADS

        with ThreadPoolExecutor(_THREADS) as pool:
            list(pool.map(work, range(_THREADS)))
        taken = min(found) if found else max(spent, default=-1) + 1
        # What a thread began after the start that is taken depends on the clock: not counted.
        for start in range(taken):
            self._left[start % _THREADS] -= 0.0 if timed else spent.get(start, 0.0)
        return found[taken] if found else None

    def _start(
        self, kinds: NDArray[np.int64], start: int, left: float, valid: Judge
    ) -> tuple[Poses | None, float]:
        """Search from poses anywhere; return what keeps all gaps, if so, and the effort."""
        slack = SLACKS_MM[0]
        width, depth, gap = self._narrowed(slack)
        stream = self._stream(len(kinds), 1 + start)
        # The compiled code's random numbers belong to the thread that runs it.
        search.seed(stream)
        box = np.array([width, depth, 2.0 * math.pi])
        poses = np.random.default_rng(stream).uniform(0.15, 0.85, (len(kinds), 3)) * box
        twin = _alone(len(kinds))
        if start // _THREADS % _SYMMETRIC:
            # Good layouts of like shapes often look the same from both ends of the plate.
            order = np.argsort(self._fine[-1][kinds], kind="stable")
            one, other = order[: len(order) // 2 * 2].reshape(-1, 2).T
            poses[other] = np.array([width, depth, math.pi]) + poses[one] * (-1.0, -1.0, 1.0)
            twin[one], twin[other] = other, one
        most = self._most(kinds, left)
        energy, rounds, changes = search.hop(
            self._coarse, kinds, poses, twin, width, depth, gap, _ENOUGH, _VAIN_AFRESH, most
        )
        effort = _EFFORT_EACH + self._effort(kinds, 0, rounds, changes, twin)
        if energy > _CLOSE:
            return None, effort
        settled, more = self._settled(kinds, poses + (slack, slack, 0.0), valid)
        return settled, effort + more

    def _effort(
        self, kinds: NDArray[np.int64], fine: int, rounds: int, changes: int,
        twin: NDArray[np.int64] | None = None,
    ) -> float:  # fmt: skip
        """Points looked at in so many rounds over all shapes and changes."""
        points = float(self._points[fine][kinds].sum())
        # Of mates alike, without one left over, one each is looked at.
        halved = twin is not None and bool((twin >= 0).all() and (kinds[twin] == kinds).all())
        return points * ((len(kinds) - 1) * rounds * (0.5 if halved else 1.0) + _CHANGE * changes)

    def _settled(
        self, kinds: NDArray[np.int64], poses: Poses, valid: Judge, vain: int = _VAIN_FINE
    ) -> tuple[Poses | None, float]:
        """Bring the true outlines apart; None when that fails; and the effort."""
        effort = 0.0
        for slack in SLACKS_MM:
            width, depth, gap = self._narrowed(slack)
            trial = poses - (slack, slack, 0.0)
            energy, rounds, changes = search.hop(
                self._fine,
                kinds,
                trial,
                _alone(len(kinds)),
                width,
                depth,
                gap,
                _ENOUGH,
                vain,
                1000,
            )
            effort += self._effort(kinds, 1, rounds, changes)
            poses = trial + (slack, slack, 0.0)
            if energy <= _ENOUGH and valid(poses):
                return poses, effort
            if energy > _CLOSE:
                break
        return None, effort


def _alone(count: int) -> NDArray[np.int64]:
    """No shape has a mate."""
    return np.full(count, -1, dtype=np.int64)
