"""The bench's records as a planning problem, and the planner's answers as records."""

from __future__ import annotations

import datetime as dt
import math
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from clinic.models import ClosedDay, OpeningHours, Role, User
from production.actions import agree_promise, open_order
from production.actions.bench.starting import start
from production.models import (
    Appliance,
    ApplianceKind,
    LearnedTimes,
    Machine,
    Plan,
    Promise,
    Stage,
    StageEvent,
)
from production.planning.keepback import KeptBack
from production.planning.policy import Rule
from production.planning.promises import priorities
from production.planning.promises.rescue import rescue
from production.planning.solve.check.checker import violations
from production.scheduling import publish, quote_pickup, requote
from production.scheduling.hours import open_spans, windows
from production.scheduling.publish import make_plan
from production.scheduling.state import read_situation
from production.selectors.plan.block import block

MORNING = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)


@pytest.fixture
def bench(office, machines, person, monkeypatch):
    """An office with machines and one technician, on a working morning."""
    person("technician")
    monkeypatch.setattr(timezone, "now", lambda: MORNING)
    return office


@pytest.fixture
def retainer(bench):
    return ApplianceKind.objects.get(code="retainer")


def test_hours_have_the_length_they_really_have_when_clocks_change(office):
    # European summer time ends on 25 October 2026: that Sunday has 25 hours.
    office.time_zone = "Europe/Dublin"
    office.save()
    OpeningHours.objects.create(weekday=7, opens=dt.time(0, 30), closes=dt.time(3, 30))
    start = dt.datetime(2026, 10, 25, 0, 0, tzinfo=ZoneInfo("Europe/Dublin"))
    spans = open_spans(office, start, days=1)
    assert windows(spans, start) == [[30.0, 270.0]]


def test_a_window_in_the_hour_that_clocks_leave_out_is_no_window():
    berlin, day = ZoneInfo("Europe/Berlin"), dt.date(2026, 3, 29)
    skipped, late = (
        tuple(dt.datetime.combine(day, dt.time(*at), berlin) for at in span)
        for span in (((2, 30), (3, 10)), ((2, 30), (4, 0)))
    )
    midnight = dt.datetime(2026, 3, 28, 23, 0, tzinfo=dt.UTC)
    assert windows([skipped, late], midnight) == [[150.0, 180.0]]


def test_no_time_is_promised_in_the_hour_that_clocks_leave_out(retainer, office, monkeypatch):
    # European summer time begins on 29 March 2026 at 01:00 UTC: no 01:00 to 02:00 in Dublin.
    zone = ZoneInfo("Europe/Dublin")
    office.time_zone = "Europe/Dublin"
    office.save()
    OpeningHours.objects.all().delete()
    OpeningHours.objects.create(weekday=7, opens=dt.time(0, 30), closes=dt.time(5, 30))
    start = dt.datetime(2026, 3, 29, 0, 0, tzinfo=zone)
    assert windows(open_spans(office, start, days=1), start) == [[30.0, 270.0]]
    monkeypatch.setattr(timezone, "now", lambda: start)
    offer = quote_pickup(retainer, ["upper"], start)
    local = offer.earliest.astimezone(zone)
    assert local.date() == start.date()
    assert dt.time(2) <= local.time() <= dt.time(5, 30)
    # Real minutes: the bench opens after 30 and needs an hour and more.
    assert offer.earliest.timestamp() - start.timestamp() > 60 * 120


def test_an_office_that_never_opens_promises_nothing_and_says_why(retainer):
    OpeningHours.objects.all().delete()
    offer = quote_pickup(retainer, ["upper"], MORNING)
    assert offer.earliest is None
    assert "open" in offer.reason or "time" in offer.reason
    assert make_plan().plan["steps"] == []


def test_a_closed_day_has_no_window(office):
    ClosedDay.objects.create(date=MORNING.date(), reason="Moving")
    spans = open_spans(office, MORNING, days=2)
    assert {start.date() for start, _ in spans} == {MORNING.date() + dt.timedelta(days=1)}


def test_a_new_order_is_offered_a_time_that_is_kept_and_in_opening_hours(retainer):
    offer = quote_pickup(retainer, ["upper", "lower"], MORNING)
    assert offer.earliest is not None
    assert offer.p_kept >= 0.95
    local = offer.earliest.astimezone(dt.UTC)
    assert dt.time(8) <= local.time() <= dt.time(17, 30)
    # Scan, print, wash, cure, form, trim and finish take more than an hour and a half.
    assert offer.earliest - MORNING > dt.timedelta(minutes=90)


def test_a_time_of_ones_own_is_weighed(retainer):
    soon = quote_pickup(retainer, ["upper"], MORNING, due_at=MORNING + dt.timedelta(minutes=45))
    late = quote_pickup(retainer, ["upper"], MORNING, due_at=MORNING + dt.timedelta(days=2))
    past = quote_pickup(retainer, ["upper"], MORNING, due_at=MORNING - dt.timedelta(hours=1))
    assert soon.p_kept < 0.05
    assert late.p_kept > 0.99
    assert past.earliest is None
    assert "passed" in past.reason


def test_a_time_of_ones_own_that_pushes_a_promise_is_judged_with_a_hold_too(retainer, monkeypatch):
    """Begun at once the new work pushes the other; left alone for 30 min it does not."""
    asked = []

    def foresee(problem, *, samples):
        new = [job for job in problem.jobs if str(job.group) == "new"]
        held = [max(step.not_before for step in job.steps) for job in new]
        asked.append(held)
        pushed = bool(held) and max(held) < 30
        groups = [{"id": "other", "p_late": 0.4 if pushed else 0.01}]
        return {"groups": groups + [{"id": "new", "p_late": 0.02} for _ in new[:1]]}

    monkeypatch.setattr("production.planning.foresee", foresee)
    wished = MORNING + dt.timedelta(hours=6)
    offer = quote_pickup(retainer, ["upper", "lower"], MORNING, due_at=wished)
    assert asked == [[], [0.0, 0.0], [30.0, 30.0]]
    assert offer.earliest == wished
    assert offer.p_kept == pytest.approx(0.98)
    assert offer.hold_until is not None


def test_without_a_printer_nothing_can_be_promised_and_the_reason_says_so(retainer):
    Machine.objects.filter(kind="printer").delete()
    offer = quote_pickup(retainer, ["upper"], MORNING)
    assert offer.earliest is None
    assert "printer" in offer.reason


def test_an_order_whose_hand_work_has_started_is_quoted_again(retainer, person, patient):
    doctor, technician = person("doctor"), person("technician")
    orders = [
        open_order(doctor, patient, retainer, ["upper"], key=f"hand{number}") for number in range(2)
    ]
    for order in orders:
        start(technician, order.appliances.get(), key=f"start-{order.pk}")
    offer = requote(orders[0])
    assert offer.earliest is not None
    assert offer.p_kept >= 0.95


def test_hand_work_that_runs_stands_in_the_row_of_the_person_who_began_it(
    retainer, person, patient
):
    """And who holds two pieces at once still does, rather than the plan being refused."""
    second = User.objects.create(username="second", role=Role.TECHNICIAN)
    doctor, trim = person("doctor"), Stage.objects.get(code="trim")
    for number in range(2):
        order = open_order(doctor, patient, retainer, ["upper"], key=f"held{number}")
        piece = order.appliances.get()
        StageEvent.objects.create(
            appliance=piece, seq=piece.seq + 1, action="start", stage=trim, at=MORNING, by=second,
            key=f"hold-{number}",
        )  # fmt: skip
        Appliance.objects.filter(pk=piece.pk).update(
            stage=trim, stage_since=MORNING, status=Appliance.Status.RUNNING, seq=piece.seq + 1
        )
    made = make_plan()
    assert violations(made.situation.problem, made.plan) == []
    running = [s for s in made.plan["steps"] if s["start"] <= 0.0]
    assert [s["resource"] for s in running] == [f"p{second.pk}"] * 2


def test_a_bench_with_very_much_work_gets_the_rules_plan_at_once(
    retainer, person, patient, monkeypatch
):
    open_order(person("doctor"), patient, retainer, ["upper"], key="much")
    monkeypatch.setattr("production.scheduling.publish.IMPROVED_JOBS", 0)
    monkeypatch.setattr(
        "production.scheduling.publish.solve", lambda *_, **__: pytest.fail("searched")
    )
    made = make_plan()
    assert made.plan["source"] == "dispatch"
    assert made.plan["steps"]


def test_a_published_plan_is_feasible_and_gives_every_promise_its_risk(
    retainer, person, patient, django_capture_on_commit_callbacks
):
    doctor = person("doctor")
    for number in range(3):
        order = open_order(doctor, patient, retainer, ["upper", "lower"], key=f"o{number}")
        agree_promise(doctor, order, MORNING + dt.timedelta(hours=5), key=f"p{number}")
    made = make_plan()
    assert violations(made.situation.problem, made.plan) == []
    made.publish()
    assert Plan.objects.count() == 1
    risks = list(Promise.objects.values_list("p_late", flat=True))
    assert all(r is not None and 0 <= r <= 1 for r in risks)


def test_every_promise_at_risk_has_its_cause_and_the_worst_what_would_help_is_tried(
    retainer, person, patient, monkeypatch
):
    doctor = person("doctor")
    for number in range(3):
        order = open_order(doctor, patient, retainer, ["upper"], key=f"o{number}")
        agree_promise(doctor, order, MORNING + dt.timedelta(minutes=20), key=f"p{number}")
    monkeypatch.setattr("production.scheduling.advice.ADVISED", 1)
    tried = []
    monkeypatch.setattr(
        "production.scheduling.advice.rescue",
        lambda problem, job, **more: tried.append(job) or rescue(problem, job, **more),
    )
    make_plan().publish()
    assert len(tried) == 1
    for promise in Promise.objects.all():
        assert promise.p_late > 0.9
        assert promise.cause.startswith("waits")


def last_of_four(retainer, doctor, patient):
    """Four orders for both arches; only the last, which is returned, is promised."""
    for number in range(4):
        order = open_order(doctor, patient, retainer, ["upper", "lower"], key=f"o{number}")
    agree_promise(doctor, order, requote(order).earliest, key="p")
    return order


def test_a_change_of_the_dispatch_rule_pushes_no_promise_past_the_risk_limit(
    retainer, person, patient, monkeypatch
):
    last_of_four(retainer, person("doctor"), patient)
    monkeypatch.setattr(publish, "IMPROVED_JOBS", 0)  # no search: quick
    in_force, slow = Rule("edd"), Rule("fifo")  # fifo: the last one promised comes last
    monkeypatch.setattr(priorities, "choose_rule", lambda *_: in_force)
    make_plan().publish()
    # What is asked from now on keeps to the rule of the plan, and so does the next plan.
    assert read_situation().problem["policy"] == in_force.as_json()
    monkeypatch.setattr(priorities, "choose_rule", lambda *_: slow)
    assert make_plan().foresight["policy"] == in_force.as_json()
    Promise.objects.all().delete()  # nobody is harmed, and nothing is gained
    assert make_plan().foresight["policy"] == in_force.as_json()


def test_what_would_break_a_promise_in_its_turn_is_hastened_and_the_page_says_so(
    retainer, person, patient, monkeypatch
):
    order = last_of_four(retainer, person("doctor"), patient)
    monkeypatch.setattr(publish, "IMPROVED_JOBS", 0)  # no search: quick
    monkeypatch.setattr(priorities, "choose_rule", lambda *_: Rule("fifo"))
    make_plan().publish()
    mine = sorted(order.appliances.values_list("code", flat=True))
    assert sorted(read_situation().problem["policy"]["hasten"]) == mine
    assert Promise.objects.get().p_late < 0.1
    assert requote(order).earliest is not None  # though its own jobs are no others any more
    told = block(mine[0], order.appliances.first().stage.code)
    assert any("before its turn" in why for why in told.why)
    order.appliances.filter(code=mine[0]).update(status=Appliance.Status.CANCELLED)
    assert read_situation().problem["policy"]["hasten"] == mine[1:]


def test_a_lost_pickup_that_stands_back_says_so(retainer, person, patient, monkeypatch):
    doctor = person("doctor")
    lost = open_order(doctor, patient, retainer, ["upper"], key="lost")
    agree_promise(doctor, lost, MORNING + dt.timedelta(minutes=20), key="soon")
    monkeypatch.setattr(publish, "IMPROVED_JOBS", 0)  # no search: quick
    code = lost.appliances.get().code
    monkeypatch.setattr(priorities, "prioritise", lambda *_, **__: Rule("edd", defer=(code,)))
    make_plan().publish()
    assert "stands back" in Promise.objects.get().cause
    told = block(code, lost.appliances.get().stage.code)
    assert any("Agree on a new time" in why for why in told.why)
    assert read_situation().problem["policy"]["defer"] == [code]


def test_what_is_made_ahead_is_left_alone_while_todays_promises_need_the_bench(
    retainer, person, patient, monkeypatch
):
    order = open_order(person("doctor"), patient, retainer, ["upper"], key="ahead")
    code, until = order.appliances.get().code, MORNING + dt.timedelta(hours=2)
    monkeypatch.setattr(publish, "IMPROVED_JOBS", 0)  # no search: quick
    monkeypatch.setattr(publish, "kept_back", lambda *_, **__: KeptBack((code,), 120.0))
    make_plan().publish()

    def held(**how):
        steps = next(job["steps"] for job in read_situation(**how).problem["jobs"])
        return [step.get("not_before", 0.0) for step in steps if not step.get("done")]

    assert held()[0] == 120.0
    assert set(held()[1:]) == {0.0}  # the others come after it
    assert set(held(anew=True)) == {0.0}
    first = min(Plan.objects.get().steps, key=lambda step: step["start"])
    assert first["start"] >= 120.0
    told = block(code, order.appliances.get().stage.code)
    assert any("left alone until" in why for why in told.why)
    monkeypatch.setattr(timezone, "now", lambda: until)
    assert set(held()) == {0.0}


def test_a_plan_for_a_state_that_has_passed_is_not_published(retainer, person, patient):
    doctor = person("doctor")
    open_order(doctor, patient, retainer, ["upper"], key="first")
    made = make_plan()
    open_order(doctor, patient, retainer, ["lower"], key="second")
    made.publish()
    assert not Plan.objects.exists()


def test_on_a_slow_day_the_plan_shows_when_things_are_really_to_be_expected(
    retainer, person, patient, monkeypatch
):
    monkeypatch.setattr(publish, "IMPROVED_JOBS", 0)  # no search: quick
    open_order(person("doctor"), patient, retainer, ["upper"], key="o1")
    usual = make_plan().plan["steps"]
    LearnedTimes.objects.create(
        day=MORNING.date(), day_shift=0.3, day_spread=0.1, day_spread_today=0.03, records=99
    )
    slow = make_plan()
    lengths = [(s["end"] - s["start"]) / (u["end"] - u["start"]) for s, u in zip(
        slow.plan["steps"], usual, strict=True
    )]  # fmt: skip
    assert lengths == pytest.approx([math.exp(0.3)] * len(usual))
    [job] = slow.foresight["jobs"]
    assert max(s["end"] for s in slow.plan["steps"]) == pytest.approx(
        job["finish"]["p50"], rel=0.06
    )


def test_reading_the_state_takes_the_same_number_of_queries_however_much_is_open(
    retainer, person, patient, django_assert_max_num_queries
):
    doctor = person("doctor")
    for number in range(8):
        open_order(doctor, patient, retainer, ["upper", "lower"], key=f"o{number}")
    with django_assert_max_num_queries(25):
        read_situation()


def foreseen(monkeypatch, *, rule: float, order: float) -> None:
    """Let so many promises be expected to break under the rule, and in the searched order."""
    monkeypatch.setattr(
        publish,
        "_broken",
        lambda problem, followed: order if followed.name == "order" else rule,
    )


@pytest.mark.parametrize(
    ("late", "tardiness", "expected", "taken"),
    [
        (1, 40.0, 0.5, True), (2, 30.0, 0.5, True), (2, 38.0, 0.5, False), (2, 40.0, 0.5, False),
        (3, 0.0, 0.5, False), (1, 40.0, 1.0, False), (1, 40.0, 2.5, False),
    ],
)  # fmt: skip
def test_the_order_changes_only_for_a_stated_gain(
    retainer, monkeypatch, late, tardiness, expected, taken
):
    """On usual times, and by what is expected when times vary."""
    foreseen(monkeypatch, rule=1.0, order=expected)

    def plan(late: int, tardiness: float) -> dict[str, object]:
        return {"steps": [], "objective": {"late_jobs": late, "weighted_tardiness": tardiness}}

    monkeypatch.setattr(publish.planning, "plan", lambda problem: plan(2, 40.0))
    asked = {}
    monkeypatch.setattr(
        publish, "solve", lambda problem, **how: asked.update(how) or plan(late, tardiness)
    )
    monkeypatch.setattr(publish, "violations", lambda problem, plan: [])
    made = make_plan()
    assert (made.plan["source"] == "search") is taken
    assert made.foresight["policy"]["rule"] != "order"  # it has no place for new work
    assert asked["previous"] is None


@pytest.mark.parametrize(
    ("late", "tardiness", "expected", "stays"),
    [
        (2, 40.0, 1.0, True), (2, 44.0, 1.0, True), (2, 46.0, 1.0, False), (3, 0.0, 1.0, False),
        (2, 40.0, 1.01, True), (2, 40.0, 1.1, False),
    ],
)  # fmt: skip
def test_the_order_of_a_searched_plan_in_force_stays(
    retainer, monkeypatch, late, tardiness, expected, stays
):
    """The search keeps that order for less than a gain; so does the choice beside the rule's."""
    foreseen(monkeypatch, rule=1.0, order=expected)
    steps = [{"job": "A", "index": 0, "resource": "m1", "start": 0, "end": 5}]
    Plan.objects.create(
        origin=MORNING, state="s", problem={}, steps=steps, objective={}, foresight={},
        source="search", seconds=0.0,
    )  # fmt: skip
    asked = {}

    def plan(late: int, tardiness: float) -> dict[str, object]:
        return {"steps": [], "objective": {"late_jobs": late, "weighted_tardiness": tardiness}}

    monkeypatch.setattr(publish.planning, "plan", lambda problem: plan(2, 40.0))
    monkeypatch.setattr(
        publish, "solve", lambda problem, **how: asked.update(how) or plan(late, tardiness)
    )
    monkeypatch.setattr(publish, "violations", lambda problem, plan: [])
    assert (make_plan().plan["source"] == "search") is stays
    assert (asked["previous"], asked["gain"]) == (steps, publish.GAIN_MINUTES)
