"""Stage times come from the office's own marks once there are enough of them."""

from __future__ import annotations

import datetime as dt
import random

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import Role, User
from production import tasks, work
from production.actions import open_order
from production.models import (
    Appliance,
    ApplianceKind,
    LearnedTimes,
    Load,
    LoadItem,
    Machine,
    Material,
    Stage,
    StageEvent,
)
from production.planning.solve.check.checker import violations
from production.scheduling import quote_pickup
from production.scheduling.learning import believed, factor, learn
from production.scheduling.publish import make_plan
from production.scheduling.state import read_situation
from production.selectors.review.times import stage_times

WASH = "wash@12"  # what the routes say


@pytest.fixture
def washes(office, patient, person, monkeypatch):
    """Forty wash runs of about 20 minutes where the route says 12; one end was forgotten."""
    monkeypatch.setattr("production.work.wake", lambda pk, kind: None)
    rng = random.Random(4)
    machine = Machine.objects.create(code="M-W", name="Wash", kind="wash", capacity=6)
    stage = Stage.objects.get(code="wash")
    kind = ApplianceKind.objects.get(code="retainer")
    piece = open_order(person("doctor"), patient, kind, ["upper"], key="w").appliances.get()
    now = timezone.now()
    for number in range(40):
        start = now - dt.timedelta(days=1 + number // 4, hours=number % 4)
        minutes = 20 * rng.lognormvariate(0, 0.1) if number else 900
        load = Load.objects.create(
            code=f"B-{number}", stage=stage, machine=machine, status="done", started_at=start,
            ended_at=start + dt.timedelta(minutes=minutes),
        )  # fmt: skip
        LoadItem.objects.create(load=load, appliance=piece)
    return machine


def test_medians_are_learnt_and_a_forgotten_end_is_not_believed(washes):
    learned = learn()
    minutes, spread = believed(learned, WASH)
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
    assert believed(learn(), WASH) is None


@pytest.fixture
def trims(office, patient, person, monkeypatch):
    """Two people who trim in 8 and in 14 minutes; a thick sheet takes a half longer."""
    monkeypatch.setattr("production.work.wake", lambda pk, kind: None)
    rng = random.Random(5)
    quick = person("technician")
    slow = User.objects.create(username="slow", role=Role.TECHNICIAN)
    thick, thin = (Material.objects.create(kind="sheet", name=n, unit="piece") for n in "AB")
    stage, kind = Stage.objects.get(code="trim"), ApplianceKind.objects.get(code="retainer")
    now = timezone.now()
    for number in range(80):
        who, minutes = ((quick, 8), (slow, 14))[number % 2]
        sheet, longer = ((thick, 1.5), (thin, 1.0))[number // 2 % 2]
        order = open_order(person("doctor"), patient, kind, ["upper"], sheet=sheet, key=f"{number}")
        piece = order.appliances.get()
        start = now - dt.timedelta(days=1 + number // 8, hours=number % 8)
        lasted = dt.timedelta(minutes=minutes * longer * rng.lognormvariate(0, 0.1))
        for seq, action, at in ((2, "start", start), (3, "finish", start + lasted)):
            StageEvent.objects.create(
                appliance=piece, seq=seq, action=action, stage=stage, at=at, by=who,
                key=f"{number}-{action}",
            )  # fmt: skip
        Appliance.objects.filter(pk=piece.pk).update(status="delivered")
    return quick, slow, thick, thin


def test_a_slow_hand_and_a_thick_sheet_are_told_apart_and_plans_use_both(
    trims, machines, patient, person
):
    quick, slow, thick, thin = trims
    learn().save()
    kind = ApplianceKind.objects.get(code="retainer")
    for sheet, longer in ((thick, 1.5), (thin, 1.0)):
        open_order(person("doctor"), patient, kind, ["upper"], sheet=sheet, key=f"new-{sheet.pk}")
        job = read_situation().problem["jobs"][-1]
        (own,) = (s["alternatives"] for s in job["steps"] if f"p{quick.pk}" in str(s))
        assert own[f"p{quick.pk}"] == pytest.approx(8 * longer, rel=0.1)
        assert own[f"p{slow.pk}"] == pytest.approx(14 * longer, rel=0.1)
    made = make_plan()
    assert violations(made.situation.problem, made.plan) == []
    assert made.plan["infeasible"] == []
    ready = timezone.now()
    first, second = (
        quote_pickup(kind, ["upper", "lower"], ready, confidence=0.99, sheet=s).earliest
        for s in (thin, thick)
    )
    assert first is not None
    assert second is not None
    assert second >= first


def test_the_review_says_what_stages_take_and_who_takes_longer(trims, signed_in):
    quick, slow, thick, _ = trims
    learn().save()
    rows = {(t.stage.code, t.said): t for t in stage_times()}
    assert rows["print", 38.0].median is None
    trim = rows["trim", 9.0]
    assert trim.records == 80
    assert "Retainer" in trim.kinds
    # What another kind's route says stays: nobody has trimmed one yet.
    assert rows["trim", 12.0].median is None
    assert trim.counts
    assert trim.low < trim.median < trim.high
    differ = dict(trim.others)
    assert differ[str(slow)] > 0.2
    assert differ[str(quick)] < -0.15
    assert differ[str(thick)] > 0.1
    page = signed_in("doctor").get(reverse("review")).content.decode()
    assert "How long a stage takes" in page
    assert f"{slow}: " in page


def test_people_of_one_pace_are_alike_to_the_planner(washes):
    """No alternatives: the planner counts hands that are alike, which is quicker."""
    learned = learn()
    assert set(learned.times) == {WASH}
    assert factor(learned, WASH, "machine", washes.pk) == 1.0
    assert factor(None, WASH, "machine", washes.pk) == 1.0
