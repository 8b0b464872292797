"""Stage times come from the office's own marks once there are enough of them."""

from __future__ import annotations

import datetime as dt
import random

import pytest
from django.utils import timezone

from production import tasks, work
from production.models import LearnedTimes, Load, LoadItem, Machine, Stage
from production.scheduling.learning import believed, learn
from production.scheduling.state import read_situation


@pytest.fixture
def washes(office, monkeypatch):
    """Forty wash runs of about 20 minutes where the route says 12; one end was forgotten."""
    monkeypatch.setattr("production.work.wake", lambda pk, kind: None)
    rng = random.Random(4)
    machine = Machine.objects.create(code="M-W", name="Wash", kind="wash", capacity=6)
    stage = Stage.objects.get(code="wash")
    now = timezone.now()
    for number in range(40):
        start = now - dt.timedelta(days=1 + number // 4, hours=number % 4)
        minutes = 20 * rng.lognormvariate(0, 0.1) if number else 900
        Load.objects.create(
            code=f"B-{number}", stage=stage, machine=machine, status="done", started_at=start,
            ended_at=start + dt.timedelta(minutes=minutes),
        )  # fmt: skip
    assert not LoadItem.objects.exists()
    return machine


def test_medians_are_learnt_and_a_forgotten_end_is_not_believed(washes):
    learned = learn()
    minutes, spread = believed(learned, "wash")
    assert minutes == pytest.approx(20, rel=0.06)
    assert spread == pytest.approx(0.1, abs=0.05)
    assert (learned.records, learned.doubted) == (40, 1)


def test_the_worker_keeps_what_was_learnt_and_plans_use_it(washes, person):
    row = work.ask("learn")
    tasks.perform(row.pk)
    assert LearnedTimes.objects.count() == 1
    situation = read_situation()
    assert situation.learned is not None
    assert situation.problem["day_spread"] == situation.learned.day_spread


def test_few_records_leave_the_routes_minutes(office):
    assert believed(learn(), "wash") is None
