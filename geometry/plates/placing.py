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

SLACK_MM = 0.1
"""The search keeps so much more than the gap, and from the edge: its outlines and fields
are not exact."""

_ENOUGH = 1e-3
_PLACES = 800
_TRIES = 60
_CHUNK = 5
"""Rounds between looks at the clock."""
_INSERT_ROUNDS = 60
_FRESH_ROUNDS = 130
_AT_ONCE = 2
"""Fresh starts that run at once; the compiled search lets other threads work."""
_VAIN_BATCHES = 1
"""Batches of fresh starts without success, over all shapes, before the search ends."""


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
        self._packed = Shapes.of(shapes).packed
        self._size = (width - 2.0 * SLACK_MM, depth - 2.0 * SLACK_MM)
        self._gap = gap + SLACK_MM
        self._deadline = None if seconds is None else time.monotonic() + seconds
        self._streams = np.random.default_rng([seed, 41])
        self._kinds = np.zeros(0, dtype=np.int64)
        self._poses = np.zeros((0, 3))
        self._vain = 0

    @property
    def poses(self) -> NDArray[np.float64]:
        """Poses in the plate's coordinates."""
        return self._poses + np.array([SLACK_MM, SLACK_MM, 0.0])

    def insert(self, kind: int, valid: Callable[[NDArray[np.float64]], bool]) -> bool:
        """Add one shape; keep the old poses when no way is found.

        Parameters
        ----------
        kind : int
            Number of the shape.
        valid : callable
            Tells whether poses (n, 3) keep every gap exactly.
        """
        kinds = np.append(self._kinds, np.int64(kind))
        found = self._attempt(kinds, self._beside, _INSERT_ROUNDS, self._stream(), valid)
        while found is None and self._may_start_afresh():
            streams = [self._stream() for _ in range(_AT_ONCE)]
            with ThreadPoolExecutor(_AT_ONCE) as pool:
                tries = list(
                    pool.map(
                        lambda s: self._attempt(kinds, self._fresh, _FRESH_ROUNDS, s, valid),
                        streams,
                    )
                )
            found = next((poses for poses in tries if poses is not None), None)
            self._vain += found is None
        if found is None:
            return False
        self._kinds, self._poses = kinds, found
        return True

    def _stream(self) -> int:
        return int(self._streams.integers(2**31))

    def _may_start_afresh(self) -> bool:
        if len(self._kinds) == 0:
            return False
        if self._deadline is not None:
            return time.monotonic() < self._deadline
        return self._vain < _VAIN_BATCHES

    def _beside(self, kinds: NDArray[np.int64], stream: int) -> NDArray[np.float64]:
        """The poses so far, and the best free place (else the least bad one) for one more."""
        width, depth = self._size
        n = len(kinds)
        poses = np.vstack([self._poses, [[width / 2.0, depth / 2.0, 0.0]]])
        _, *pose = search.best_place(
            self._packed, kinds, poses, np.ones((n, n + 1)), n - 1, width, depth, self._gap,
            _PLACES, 0, True,
        )  # fmt: skip
        poses[-1] = pose
        return poses

    def _fresh(self, kinds: NDArray[np.int64], stream: int) -> NDArray[np.float64]:
        """All shapes anywhere."""
        rng = np.random.default_rng(stream)
        size = np.array([*self._size, 2.0 * math.pi])
        return rng.uniform(0.15, 0.85, (len(kinds), 3)) * size

    def _attempt(
        self,
        kinds: NDArray[np.int64],
        start: Callable[[NDArray[np.int64], int], NDArray[np.float64]],
        rounds: int,
        stream: int,
        valid: Callable[[NDArray[np.float64]], bool],
    ) -> NDArray[np.float64] | None:
        """Start somewhere and separate; return the poses, None when that failed."""
        # The compiled code's random numbers belong to the thread that runs it.
        search.seed(stream)
        poses = start(kinds, stream)
        weights = np.ones((len(kinds), len(kinds) + 1))
        gap = self._gap
        for _ in range(0, rounds, _CHUNK):
            left = search.separate(
                self._packed, kinds, poses, weights, *self._size, gap, _CHUNK, _TRIES, _ENOUGH
            )
            if left <= _ENOUGH:
                if valid(poses + np.array([SLACK_MM, SLACK_MM, 0.0])):
                    return poses
                gap += 0.05
            if self._deadline is not None and time.monotonic() > self._deadline:
                break
        return None
