"""People who are away: what the plan counts on, what is promised, what the pages say."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.urls import reverse
from django.utils import timezone

from clinic.models import Absence, AuditEntry, Role, User, WorkingHours
from production.actions import agree_promise, open_order
from production.actions.errors import Refused
from production.actions.plan.keep_person import come_back, go_away
from production.models import ApplianceKind, Work
from production.planning.solve.check.checker import violations
from production.scheduling import quote_pickup
from production.scheduling.away import without
from production.scheduling.hours import open_spans
from production.scheduling.publish import make_plan
from production.scheduling.state import read_situation
from production.selectors.plan.people import at_bench
from production.selectors.plan.timeline import timeline
from production.selectors.review.counting import count

MORNING = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)  # a Wednesday


def hours(count: float) -> dt.datetime:
    return MORNING + dt.timedelta(hours=count)


@pytest.fixture
def pair(office, machines, person, monkeypatch):
    """An office with machines and two technicians, on a working morning."""
    monkeypatch.setattr(timezone, "now", lambda: MORNING)
    second = User.objects.create(username="second", first_name="Second", role=Role.TECHNICIAN)
    return [person("technician"), second]


@pytest.fixture
def order(pair, person, patient):
    kind = ApplianceKind.objects.get(code="retainer")
    made = open_order(person("doctor"), patient, kind, ["upper"], key="one")
    agree_promise(person("doctor"), made, hours(5), key="p")
    return made


def spoken_for(plan, who: User) -> list[tuple[float, float]]:
    return [(s["start"], s["end"]) for s in plan["steps"] if s["resource"] == f"p{who.pk}"]


def test_who_is_away_is_given_nothing_then(order, pair):
    for who, since, until in ((pair[0], 0, 9), (pair[1], 1, 2)):
        go_away(who, who, hours(until), since=hours(since))
    made = make_plan()
    assert violations(made.situation.problem, made.plan) == []
    assert spoken_for(made.plan, pair[0]) == []
    busy = spoken_for(made.plan, pair[1])
    assert busy
    assert all(end <= 60 + 1e-6 or start >= 120 - 1e-6 for start, end in busy)


def test_hours_of_ones_own_bound_the_day_and_a_person_without_any_keeps_the_offices(order, pair):
    for opens, closes in ((9, 10), (13, 23)):
        WorkingHours.objects.create(
            person=pair[0], weekday=3, opens=dt.time(opens), closes=dt.time(closes)
        )
    problem = read_situation().problem
    open_ = {r["id"]: r["open"] for r in problem["resources"]}
    office = open_["chair1"]
    assert open_[f"p{pair[1].pk}"] == office
    closing = max(b for a, b in office if a < 10 * 60)
    mine = open_[f"p{pair[0].pk}"]
    assert mine[:2] == [[0.0, 60.0], [240.0, closing]]  # never past closing time
    assert mine[2][0] == 7 * 24 * 60.0  # Wednesdays only
    made = make_plan()
    assert violations(made.situation.problem, made.plan) == []


def test_nobody_there_is_no_promise_and_an_absence_moves_one(order, pair):
    kind = ApplianceKind.objects.get(code="retainer")
    usual = quote_pickup(kind, ["lower"], MORNING)
    for who in pair:
        go_away(who, who, hours(4))
    late = quote_pickup(kind, ["lower"], MORNING)
    assert usual.earliest is not None
    assert late.earliest is not None
    assert late.earliest > usual.earliest
    for row in Absence.objects.all():
        come_back(pair[0], row)
    for who in pair:
        go_away(who, who)  # until further notice
    assert quote_pickup(kind, ["lower"], MORNING).earliest is None


def test_the_planner_is_asked_before_it_is_recorded(order, pair):
    go_away(pair[1], pair[1], hours(9))
    calm = without(pair[0].pk, hours(30), hours(32))
    assert calm.harmless
    gone = without(pair[0].pk, MORNING, hours(9))
    assert gone.tone == "bad"
    assert gone.broken_after > 0.9
    assert [c.promise.order for c in gone.changes] == [order]
    assert Absence.objects.count() == 1


def test_who_began_something_and_goes_keeps_it_without_spoiling_the_plan(order, pair):
    """The piece stays marked as running in their hands until somebody finishes it."""
    from production.models import Appliance, Stage, StageEvent

    piece, trim = order.appliances.get(), Stage.objects.get(code="trim")
    StageEvent.objects.create(
        appliance=piece, seq=piece.seq + 1, action="start", stage=trim, at=hours(-0.2), by=pair[0],
        key="held",
    )  # fmt: skip
    Appliance.objects.filter(pk=piece.pk).update(
        stage=trim, stage_since=hours(-0.2), status="running", seq=piece.seq + 1
    )
    go_away(pair[1], pair[0], hours(9))
    made = make_plan()
    assert violations(made.situation.problem, made.plan) == []
    after = [s for s in made.plan["steps"] if s["start"] >= 0]
    assert {s["resource"] for s in after} == {f"p{pair[1].pk}"}


@pytest.mark.parametrize(
    ("since", "until", "words"),
    [
        (None, -1, "must lie ahead"),
        (3, 2, "after the beginning"),
        (3, None, "Give the end as well"),
        (None, 24 * 400, "more than a year"),
        (2, 5, "already"),
    ],
)
def test_a_span_that_makes_no_sense_is_refused_with_words(pair, since, until, words):
    go_away(pair[0], pair[0], hours(4), since=hours(3))
    with pytest.raises(Refused, match=words):
        go_away(
            pair[0],
            pair[0],
            None if until is None else hours(until),
            since=None if since is None else hours(since),
        )
    assert Absence.objects.count() == 1


def test_the_same_request_twice_has_the_effect_of_one_and_the_record_tells_it(pair, person):
    first = go_away(pair[1], pair[0], hours(2), note="course", key="k")
    assert go_away(pair[1], pair[0], hours(2), note="course", key="k") == first
    with pytest.raises(Refused, match="none"):
        go_away(pair[0], person("doctor"), hours(2))
    come_back(pair[0], first)
    come_back(pair[0], first)
    told = AuditEntry.objects.filter(subject_id=str(pair[0].pk)).values_list("action", flat=True)
    assert sorted(told) == ["away", "back"]
    assert "course" not in str(list(AuditEntry.objects.values_list("detail", flat=True)))
    assert Work.objects.filter(kind="plan").exists()


def test_presence_says_until_when_and_when_again(office, pair):
    go_away(pair[0], pair[0], hours(20), note="course")
    rows = {row.person: row for row in at_bench(MORNING, office)}
    gone, there = rows[pair[0]], rows[pair[1]]
    assert gone.away is not None
    assert gone.back is not None
    assert gone.back >= hours(20)
    assert gone.until is None
    assert there.until is not None
    assert there.away is None
    assert at_bench(hours(2), office)[0].person.role == Role.TECHNICIAN


def test_the_plan_has_as_many_chairs_as_the_office_and_is_made_anew_when_they_change(
    office, signed_in
):
    client = signed_in("manager")
    page = reverse("settings-office")
    fields = dict(client.get(page).context["form"].initial)
    told = {k: v for k, v in fields.items() if v is not None} | {
        "chairs": 3, "confidence": 95, "risk_limit": 5,
    }  # fmt: skip
    Work.objects.all().delete()
    assert client.post(page, told).status_code == 302
    chairs = [r["id"] for r in read_situation().problem["resources"] if r["kind"] == "chair"]
    assert chairs == ["chair1", "chair2", "chair3"]
    assert Work.objects.filter(kind="plan").exists()


def test_windows_of_two_people_may_cross_and_of_one_may_not(pair):
    WorkingHours.objects.create(
        person=pair[0], weekday=1, opens=dt.time(8), closes=dt.time(12)
    ).full_clean()
    WorkingHours(person=pair[1], weekday=1, opens=dt.time(9), closes=dt.time(10)).full_clean()
    with pytest.raises(ValidationError, match="Overlaps"):
        WorkingHours(person=pair[0], weekday=1, opens=dt.time(9), closes=dt.time(13)).full_clean()


def test_the_desk_asks_records_and_takes_back_on_the_page(order, pair, signed_in):
    client = signed_in("front_desk")
    asked = client.get(reverse("people-ask"), {"person": pair[0].pk, "rest": "1"})
    assert "Plan without" in asked.content.decode()
    assert (
        "no time"
        in client.get(
            reverse("people-ask"), {"person": pair[0].pk, "until": "soon"}
        ).content.decode()
    )
    client.post(
        reverse("people-away"),
        {"person": pair[0].pk, "until": "2026-11-25T18:30", "note": "course", "key": "a"},
    )
    again = client.get(reverse("people-ask"), {"person": pair[0].pk, "rest": "1"})
    assert "already" in again.content.decode()
    page = client.get(reverse("people")).content.decode()
    assert "Back now" in page
    assert "course" in page
    assert "Away from the bench" in client.get(reverse("today")).content.decode()
    make_plan().publish()
    lane = next(x for x in timeline(MORNING).lanes if x.key == f"p{pair[0].pk}")
    assert lane.gap == "Away"
    assert lane.down
    client.post(reverse("people-back", args=[Absence.objects.get().pk]))
    assert Absence.objects.get().ends_at == MORNING
    assert "Away from the bench" not in client.get(reverse("today")).content.decode()


def test_a_role_without_the_bench_cannot_record_one(pair, patient):
    nobody = User(role="cleaner")
    with pytest.raises(PermissionDenied):
        go_away(nobody, pair[0])


def test_hands_that_were_not_there_are_not_counted_as_idle(office, pair):
    """One away for the first hour, the other there for the first hour only."""
    day = MORNING.date()
    whole = count(day, day)[day]
    opened = whole.open_minutes
    assert whole.away_minutes == 0.0
    spans = open_spans(office, MORNING, 1)
    begin = spans[0][0]
    Absence.objects.create(
        person=pair[0],
        starts_at=begin - dt.timedelta(hours=1),
        ends_at=begin + dt.timedelta(hours=1),
    )
    WorkingHours.objects.create(
        person=pair[1], weekday=3, opens=begin.time(), closes=dt.time(begin.hour + 1, begin.minute)
    )
    found = count(day, day)[day]
    assert found.open_minutes == opened
    assert found.away_minutes == pytest.approx(min(60.0, opened) + max(0.0, opened - 60.0))
