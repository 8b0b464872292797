"""Promises quoted at 95 % on simulated office days, against the best fixed buffer.

Twelve debonds and thirty make-ahead arches a day, failed prints and remakes, true stage
times not told to the planner. Target: 93 to 97 % met, with shorter lead times than the
smallest fixed buffer that keeps as many. ``--replanned`` chooses the rule, and who goes before
or after their turn, anew after each debond, as the site does after each event (four times as
long).
Run: ``python -m tests.benchmarks.bench_office_days [days] [first day] [--replanned]``.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from production.planning.promises.quoting import SAMPLES
from tests.planning.office import Truth, learn
from tests.planning.office_days import OfficeDay, Promise, buffered, office_day, quoted

DAYS, SEED = 400, 21
BUFFERS = range(90, 541, 5)
SHOWN_EVERY = 50


def main() -> None:
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    count, first = (*numbers, *(DAYS, 0)[len(numbers) :])
    replanned = "--replanned" in sys.argv[1:]
    truth = Truth()
    fits = learn(SEED, truth)
    days: list[OfficeDay] = []
    promises: list[Promise] = []
    for number in range(first, first + count):
        days.append(office_day(SEED, number, fits, truth))
        promises += quoted(days[-1], fits, SAMPLES, replanned=replanned)
        if len(days) % SHOWN_EVERY == 0 or len(days) == count:
            compare(days, promises)


def compare(days: list[OfficeDay], promises: list[Promise]) -> None:
    """Print what was kept so far, and the fixed buffer that keeps as many."""
    kept = np.array([p.kept for p in promises])
    by_day = np.array([np.mean([p.kept for p in promises if p.day == d.number]) for d in days])
    share, error = float(kept.mean()), float(by_day.std() / math.sqrt(len(days)))
    lead = float(np.mean([p.lead for p in promises]))
    print(f"{len(days)} days, {len(promises)} promises quoted at 95 %")
    print(f"met {share:.4f} (standard error by day {error:.4f}), mean lead {lead:.1f} open min")
    for buffer in BUFFERS:
        fixed = [p for day in days for p in buffered(day, buffer)]
        met = float(np.mean([p.kept for p in fixed]))
        if met >= share:
            print(f"smallest fixed buffer that keeps as many: {buffer} open min (met {met:.4f})")
            print(f"quoted lead times are {1 - lead / buffer:.1%} shorter", flush=True)
            return
    print("no fixed buffer up to a day keeps as many", flush=True)


if __name__ == "__main__":
    main()
