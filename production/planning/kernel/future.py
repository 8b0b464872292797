"""What the kernel reads and writes: a policy, one future's draws, the times that follow."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Draw", "Policy", "Times", "Work"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Keys = NDArray[np.uint64]


class Policy(NamedTuple):
    """How the bench decides, as the kernel reads it; see ``policy.py``.

    key (N,): smaller first; moving: FIXED, or a rule that makes keys anew at every
    moment (key is then its part without time); look_ahead: minutes, of apparent
    tardiness cost; wait (N,): minutes a step
    waits for a fuller batch; hold (N,): not queued earlier.
    """

    moving: int
    look_ahead: float
    key: Floats
    wait: Floats
    hold: Floats


class Draw(NamedTuple):
    """One future: durations (A, N), luck (A, N), run_luck (A, N), day factors (D,).

    Row a holds the a-th attempt of each step. Where ``key`` (J,) has a key for every
    job, rows after the first are drawn from it when they are needed (``drawing.py``);
    where it is empty, all rows are given.
    """

    minutes: Floats
    luck: Floats
    run_luck: Floats
    factor: Floats
    key: Keys = np.empty(0, np.uint64)


class Times(NamedTuple):
    """What happened: start, end, ready (N,), resource, run (N,), finish (J,).

    Of a step done again, the last attempt. ``ready``: moment of joining the queue.
    ``run`` numbers the runs in order of starting; -1 and inf where there was none.
    """

    start: Floats
    end: Floats
    ready: Floats
    resource: Ints
    run: Ints
    finish: Floats


class Work(NamedTuple):
    """The kernel's own arrays of one run."""

    key: Floats  # (N,)
    row: Ints  # (N,) row of draws in use
    follower: Ints  # (N,) next member of the same run
    helper: Ints  # (N, most needs) helpers held by the run that this step heads
    taken: Ints  # helpers being chosen
    queue: Ints  # (N,) the queues of all pools
    length: Ints  # (P,)
    cursor: Ints  # (P,) first step of the queue not looked at in this pass
    used: Floats  # (R,) size running now, helpers held included
    available: Floats  # (R,) end of repair
    last_end: Floats  # (R,)
    last_family: Ints  # (R,)
    window: Ints  # (R,)
    at: Ints  # (J,) present step of the job, N when it is finished
    stage: Ints  # (J,) what it does: see batches.py
    since: Floats  # (J,) since when it runs, or until when it is pending
    waits: Ints  # (L,) last pass in which the lot was told to wait
    refused: Ints  # (N,) by number in ``alike``: last pass in which one could not start
    too_long: Floats  # (N,) its minutes before those of machine and day
    heap_time: Floats
    heap_event: Ints  # kind of event times N plus step
