"""Calibration of the promise probabilities on days the planner has not seen.

A simulated office with gamma-distributed stage times, a common factor of the day,
failed prints and remakes; the planner learns from 80 past days of records and sees the
state at a random moment. Two mutants must look worse: half of all spread; no common
factor of the day. Run: ``python -m tests.benchmarks.bench_calibration [days] [seed]``.
"""

from __future__ import annotations

import sys

from tests.planning.calibration import study

DAYS, SEED, SAMPLES = 400, 11, 500


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else DAYS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    print(
        f"{days} days, seed {seed}, {SAMPLES} futures each; targets: error <= 0.015, |mean - rate| <= 0.02,"
    )
    print("skill >= 0.4; the mutants must miss one of them")
    for name, outcome in study(days, seed, SAMPLES).items():
        found = outcome.reliability()
        low, high = found.calibration_range
        skill = "none" if found.skill is None else f"{found.skill:.3f}"
        good = (
            found.calibration_error <= 0.015
            and abs(found.predicted - found.happened) <= 0.02
            and (found.skill or 0) >= 0.4
        )
        print(
            f"{name:14s} {found.count} promises, error {found.calibration_error:.4f} "
            f"(days drawn again: {low:.4f} to {high:.4f}), mean {found.predicted:.4f}, "
            f"rate {found.happened:.4f}, skill {skill}: {'meets' if good else 'misses'} the targets"
        )
        if name == "as built":
            for band in found.bands:
                print(
                    f"   {band.low:.1f} to {band.high:.1f}: {band.count:5d} promises, "
                    f"predicted {band.predicted:.3f}, late {band.happened:.3f}"
                )


if __name__ == "__main__":
    main()
