"""Who of several people alike does what, where people run steps and load machines as well.

The constraint solver counts people who are alike. A load takes whoever is free first when the
plan is timed, so that a step given to somebody by name could find that one away at a load;
names are therefore given in the order of the starts, as timing goes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from production.planning.kernel.borrow import borrowed
from production.planning.solve.sequences.openwork import OpenWork, Scratch
from production.planning.solve.sequences.start import in_turn, table
from production.planning.solve.sequences.timing import (
    AFTER,
    BLK,
    MEM,
    NEVER,
    RES,
    first_time,
    occupy,
    reset,
)

Array = np.ndarray[Any, Any]


class Hands:
    """Names people in plans of the same open work."""

    def __init__(self, work: OpenWork) -> None:
        self.work = work
        self.turn = np.array([i for _, i in work.steps], np.int64)
        a = work.arrays
        people = np.unique(a.help)
        self.alike = np.zeros((len(a.batch), len(a.batch)), bool)
        for r in people:
            for m in people:
                self.alike[r, m] = all(
                    np.array_equal(rows[at[r] : at[r + 1]], rows[at[m] : at[m + 1]])
                    for rows, at in ((a.window, a.window_from), (a.down, a.down_from))
                )

    @staticmethod
    def applies(work: OpenWork) -> bool:
        """Whether nobody helps at two places at once, which the parts' model does not see."""
        return bool(np.all(work.arrays.shared[work.arrays.help] < 0))

    def state(self, now: Scratch, start: Array, resource: Array, run: Array) -> Array:
        """Return a solver's plan as a state in which people are named and keep their turn.

        Parameters
        ----------
        now : Scratch
            Changed.
        start, resource, run : (n,)
            Steps with the same ``run`` on a batch resource are together.
        """
        work, n = self.work, len(start)
        state = in_turn(work, table(work, start, resource, run), start, self.turn)
        block = state[BLK, :n]
        order = np.lexsort((np.arange(n), self.turn, start))
        first = order[np.sort(np.unique(block[order], return_index=True)[1])]
        if not name_people(work.arrays, state, now, block[first].astype(np.int64), self.alike):
            return state
        return in_turn(work, table(work, start, state[RES, block], run), start, self.turn)


@njit(cache=True, nogil=True)
def name_people(a, s, w, order, alike):  # type: ignore[no-untyped-def]
    """Let whoever of several alike is free first run each block of ``order``, timing all.

    ``s[RES]`` is changed, the lists are not. False where a block finds no open time.
    """
    a, w = borrowed(a), borrowed(w)  # type: ignore[call-arg]
    reset(a, s, w)
    for b in order:
        o = b
        while o >= 0:
            if s[AFTER, o] >= 0:
                w.ready[b] = max(w.ready[b], w.start[s[AFTER, o]])
            o = s[MEM, o]
        named = s[RES, b]
        chosen = named
        soonest, length = first_time(a, s, w, b)
        for r in range(alike.shape[0]):
            if r != named and alike[named, r] and a.minutes[b, r] == a.minutes[b, named]:
                s[RES, b] = r
                begin, length = first_time(a, s, w, b)
                if begin < soonest:
                    soonest = begin
                    chosen = r
        s[RES, b] = chosen
        begin, length = first_time(a, s, w, b)
        if begin >= NEVER:
            return False
        w.family[chosen] = a.step_family[b]
        occupy(a, w, chosen, begin, begin + length, a.step_size[b])
        for i in range(w.helping[0]):
            occupy(a, w, w.helper[i], begin, begin + w.held[i], 1.0)
        o = b
        while o >= 0:
            w.start[o] = begin
            after = a.step_next[o]
            if after >= 0:
                other = s[BLK, after]
                w.ready[other] = max(w.ready[other], begin + length)
            o = s[MEM, o]
    return True
