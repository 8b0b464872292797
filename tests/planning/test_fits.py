"""Stage times learnt from records: the truth is found, nonsense is not believed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from production.planning.fits import (
    Fits,
    Record,
    day_so_far,
    failure_rate,
    fit_stages,
)

STAGES = {"print": (60.0, 0.05), "form": (4.0, 0.25)}
DAY_SPREAD = 0.12


def history(days: int, seed: int, forgotten: float = 0.0) -> list[Record]:
    rng = np.random.default_rng(seed)
    records = []
    for day in range(days):
        factor = math.exp(DAY_SPREAD * rng.normal())
        for n in range(12):
            machine = f"printer {n % 2}"
            slower = 1.2 if machine == "printer 1" else 1.0
            minutes = 60 * slower * math.exp(0.05 * rng.normal()) * factor
            records.append(Record("print", minutes, machine=machine, day=str(day)))
            minutes = 4 * math.exp(0.25 * rng.normal()) * factor
            if rng.random() < forgotten:
                minutes = rng.choice([0.02, 700.0])
            records.append(Record("form", minutes, day=str(day)))
    return records


def test_level_spread_machine_and_day_are_found() -> None:
    fits = fit_stages(history(120, 1))
    slow = fits.time("print", machine="printer 1")
    fast = fits.time("print", machine="printer 0")
    form = fits.time("form")
    assert slow is not None
    assert fast is not None
    assert form is not None
    assert fast.minutes == pytest.approx(60, rel=0.04)
    assert slow.minutes / fast.minutes == pytest.approx(1.2, rel=0.02)
    assert fast.spread == pytest.approx(0.05, abs=0.01)
    assert form.minutes == pytest.approx(4, rel=0.05)
    assert form.spread == pytest.approx(0.25, abs=0.02)
    assert fits.day_spread == pytest.approx(DAY_SPREAD, abs=0.03)


def test_forgotten_marks_are_doubted_and_change_little() -> None:
    clean, spoilt = fit_stages(history(60, 2)), fit_stages(history(60, 2, forgotten=0.05))
    minutes = [r.minutes for r in history(60, 2, forgotten=0.05)]
    odd = {i for i, m in enumerate(minutes) if m < 0.1 or m > 300}
    assert odd
    assert odd <= set(spoilt.doubted)
    assert len(set(spoilt.doubted) - odd) <= 3
    assert spoilt.time("form").minutes == pytest.approx(clean.time("form").minutes, rel=0.06)  # type: ignore[union-attr]


def test_few_records_of_a_person_are_pooled_with_the_others() -> None:
    rng = np.random.default_rng(3)
    records = [
        Record("trim", 8 * math.exp(0.2 * rng.normal()), person=p)
        for p in ("a", "b", "c")
        for _ in range(40)
    ]
    records.append(Record("trim", 16.0, person="new"))
    fits = fit_stages(records)
    new, usual = fits.time("trim", person="new"), fits.time("trim", person="a")
    assert new is not None
    assert usual is not None
    assert new.minutes < 11  # one slow trim is no proof
    assert fits.time("trim", person="never seen") is not None
    assert fits.time("polish") is None


def test_a_batch_lasts_as_long_as_its_longest_member() -> None:
    rng = np.random.default_rng(4)
    records = [
        Record("wash", 10 * math.exp(0.1 * rng.normal(size=n).max()), together=int(n))
        for n in rng.integers(1, 9, 600)
    ]
    wash = fit_stages(records).time("wash")
    assert wash is not None
    assert wash.minutes == pytest.approx(10, rel=0.02)
    assert wash.spread == pytest.approx(0.1, abs=0.015)


def test_a_slow_morning_is_noticed_and_trusted_more_with_every_stage() -> None:
    fits = fit_stages(history(120, 5))
    rng = np.random.default_rng(6)
    seen = [Record("form", 4 * 1.25 * math.exp(0.25 * rng.normal())) for _ in range(60)]
    few, many = day_so_far(fits, seen[:4]), day_so_far(fits, seen)
    assert day_so_far(fits, []).spread == pytest.approx(fits.day_spread)
    assert many.spread < few.spread < fits.day_spread
    assert many.shift == pytest.approx(math.log(1.25), abs=3 * many.spread)
    assert day_so_far(fits, [*seen, Record("form", 900.0)]).shift == pytest.approx(many.shift)


def test_what_still_runs_balances_what_was_quick_to_finish() -> None:
    fits = fit_stages(history(120, 7))
    rng = np.random.default_rng(8)
    errors = []
    for _ in range(60):
        minutes = 4 * np.exp(0.25 * rng.normal(size=12))
        ended = [Record("form", m) for m in minutes if m <= 4]
        running = [Record("form", 4.0) for m in minutes if m > 4]
        errors.append(day_so_far(fits, ended, running).shift)
    assert abs(float(np.mean(errors))) < 0.03
    assert day_so_far(fits, ended).shift < -0.05


def test_nothing_recorded_is_nothing_known() -> None:
    assert fit_stages([]) == Fits()
    assert day_so_far(Fits(), [Record("form", 3.0)]).spread == 0
    assert fit_stages([Record("form", -1.0)]).time("form") is None
    assert failure_rate(0, 0) == pytest.approx(0.03)
    assert failure_rate(30, 280) == pytest.approx(0.102)
