"""Moving a block of the plan: the planner is asked first, the wish is kept, the reason is told."""

from __future__ import annotations

import datetime as dt
import re
from math import sqrt

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import Visit
from production.actions import agree_promise, open_order
from production.actions.bench.starting import start
from production.actions.desk.booking import book_pickup
from production.actions.errors import Refused
from production.actions.plan.wishing import take_back, wish
from production.models import Appliance, ApplianceKind, Machine, Plan, Stage, Wish
from production.planning.promises.quoting import SAMPLES
from production.planning.solve.check.checker import violations
from production.scheduling import publish, quote_pickup, requote
from production.scheduling.moving import consider
from production.scheduling.state import standing_wishes
from production.selectors.plan.block import block
from production.selectors.plan.timeline import timeline

MORNING = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)
PROMISED = MORNING + dt.timedelta(hours=4)


def replan() -> Plan:
    """Publish the plan of the present state."""
    made = publish.make_plan()
    assert violations(made.situation.problem, made.plan) == []
    made.publish()
    return Plan.objects.latest()


@pytest.fixture
def empty(office, person, monkeypatch):
    """Two printers for one arch each, a technician, nothing to do."""
    for code, machine in [
        ("P1", "printer"), ("P2", "printer"), ("W", "wash"), ("C", "cure"), ("F", "forming"),
    ]:  # fmt: skip
        Machine.objects.create(code=code, name=code, kind=machine, capacity=1)
    monkeypatch.setattr(timezone, "now", lambda: MORNING)
    monkeypatch.setattr(publish, "IMPROVE_SECONDS", 0.05)
    person("technician")
    return office


@pytest.fixture
def bench(empty, person, patient):
    """Three orders of one arch each, a published plan."""
    doctor, kind = person("doctor"), ApplianceKind.objects.get(code="retainer")
    for number in range(3):
        order = open_order(doctor, patient, kind, ["upper"], key=f"o{number}")
        agree_promise(doctor, order, PROMISED, key=f"p{number}")
    replan()
    return empty


def step_of(plan: Plan, code: str, stage: str) -> tuple[dt.datetime, str]:
    """Return start and resource of a planned stage."""
    found = block(code, stage)
    assert found is not None
    return found.start, found.resource


def code_of(number: int) -> str:
    return Appliance.objects.order_by("pk")[number].code


@pytest.mark.django_db
def test_a_move_that_breaks_a_promise_is_told_before_it_is_done(bench):
    stage = Stage.objects.get(code="print")
    answer = consider([code_of(0)], stage, Wish(stage=stage, not_before=PROMISED))
    worst = answer.changes[0]
    assert not answer.harmless
    assert worst.promise.order == Appliance.objects.get(code=code_of(0)).order
    assert worst.after > 0.99
    assert worst.broken
    assert answer.start is not None
    assert answer.start >= PROMISED
    assert answer.broken_after > answer.broken_before + 0.5
    assert not Wish.objects.exists()


@pytest.mark.django_db
def test_every_plan_keeps_to_a_wish_until_it_is_taken_back(bench, person):
    technician, stage = person("technician"), Stage.objects.get(code="print")
    chosen = Appliance.objects.get(code=code_of(0))
    later, second = MORNING + dt.timedelta(hours=3), Machine.objects.get(code="P2")
    before = step_of(Plan.objects.latest(), chosen.code, "print")
    wish(technician, [chosen], stage, machine=second, not_before=later)
    begins, place = step_of(replan(), chosen.code, "print")
    assert begins >= later
    assert place == "P2"
    moved = block(chosen.code, "print")
    assert moved is not None
    assert "Set by hand" in moved.why[0]
    second.state = Machine.State.DOWN
    second.save()
    assert step_of(replan(), chosen.code, "print")[1] == "P1"  # not insisted on
    take_back(technician, [chosen], stage)
    assert step_of(replan(), chosen.code, "print")[0] == before[0]


@pytest.mark.django_db
def test_what_is_wished_first_goes_first(bench, person):
    technician, stage = person("technician"), Stage.objects.get(code="scan")
    last = max(range(3), key=lambda n: step_of(Plan.objects.latest(), code_of(n), "scan")[0])
    wish(technician, [Appliance.objects.get(code=code_of(last))], stage, first=True)
    plan = replan()
    starts = [step_of(plan, code_of(n), "scan")[0] for n in range(3)]
    assert starts[last] == min(starts)


@pytest.mark.django_db
def test_what_has_begun_is_not_moved(bench, person):
    technician, stage = person("technician"), Stage.objects.get(code="scan")
    begun = Appliance.objects.get(code=code_of(0))
    start(technician, begun, key="start")
    with pytest.raises(Refused, match="has begun"):
        wish(technician, [begun], stage, first=True)
    assert consider([begun.code], stage, Wish(stage=stage, first=True)).refusal


@pytest.mark.django_db
def test_the_block_s_page_tells_why_and_moves_only_what_was_asked(bench, signed_in):
    code = code_of(1)
    client = signed_in("technician")
    address = f"{reverse('plan-block')}?code={code}&stage=print"
    page = client.get(address).content.decode()
    assert "Why then?" in page
    assert re.search(r"comes from|is busy with", page)
    asked = client.get(f"{address}&later=60").content.decode()
    assert "The planner" in asked
    state = asked.split('name="state" value="')[1].split('"')[0]
    wanted = {"code": code, "stage": "print", "when": "at", "at": "2026-11-25T12:00:00+00:00"}
    stale = client.post(reverse("plan-move"), {**wanted, "state": "older"})
    assert "changed since you asked" in stale.content.decode()
    assert not Wish.objects.exists()
    client.post(reverse("plan-move"), {**wanted, "state": state})
    assert Wish.objects.get().not_before == dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
    leaving = client.get(f"{address}&leave=1").content.decode()
    assert "Leave it to the planner" in leaving
    assert "In ten days like this about" in leaving
    assert Wish.objects.exists()
    client.post(reverse("plan-leave"), {"code": code, "stage": "print"})
    assert not Wish.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize("query", ["", "code=none&stage=print", "later=60&when=at&at=nonsense"])
def test_a_block_that_is_gone_and_nonsense_are_answered(bench, signed_in, query):
    page = signed_in("technician").get(f"{reverse('plan-block')}?{query}")
    assert page.status_code == 200
    assert "not in the plan any more" in page.content.decode()


@pytest.mark.django_db
def test_the_front_desk_sees_why_but_moves_nothing(bench, signed_in):
    client = signed_in("front_desk")
    page = client.get(f"{reverse('plan-block')}?code={code_of(0)}&stage=print&later=15")
    assert "Why then?" in page.content.decode()
    assert "Move it" not in page.content.decode()
    assert client.post(reverse("plan-move"), {"stage": "print"}).status_code == 403


@pytest.mark.django_db
def test_a_wish_is_told_at_the_bench_and_spent_once_the_stage_has_begun(bench, person, signed_in):
    technician, stage = person("technician"), Stage.objects.get(code="scan")
    chosen = Appliance.objects.get(code=code_of(0))
    wish(technician, [chosen], stage, not_before=MORNING + dt.timedelta(hours=1))
    assert standing_wishes().count() == 1
    client, page = signed_in("technician"), reverse("appliance", args=[chosen.code])
    assert "Not before 10:00" in client.get(page).content.decode()
    start(technician, chosen, key="start")
    assert not standing_wishes().exists()
    assert "Not before" not in client.get(page).content.decode()


@pytest.mark.django_db
def test_a_time_that_rests_on_a_hold_is_kept_by_every_plan(empty, person, patient):
    # One model at a time: new work would be on the printer when the patient's scan arrives.
    Machine.objects.filter(code="P2").delete()
    retainer = ApplianceKind.objects.get(code="retainer")
    doctor, desk = person("doctor"), person("front_desk")
    visit = Visit.objects.create(
        patient=patient, kind="debond", starts_at=MORNING + dt.timedelta(minutes=25)
    )
    first = open_order(doctor, patient, retainer, ["upper"], visit=visit, key="first")
    agree_promise(doctor, first, requote(first).earliest, key="promise")
    offer = quote_pickup(retainer, ["upper", "lower"], MORNING)
    assert offer.earliest is not None
    assert offer.hold_until is not None
    order = {"patient": patient, "kind": retainer, "arches": ["upper", "lower"]}
    told = {"due_at": offer.earliest, "p_kept": offer.p_kept, "hold_until": offer.hold_until}
    promise = book_pickup(desk, key="second", **told, **order)
    book_pickup(desk, key="second", **told, **order)  # a double click
    held = {w.appliance.code: w for w in Wish.objects.all()}
    assert len(held) == 2
    assert {(w.stage.code, w.not_before) for w in held.values()} == {("prepare", offer.hold_until)}

    made = publish.make_plan()
    assert violations(made.situation.problem, made.plan) == []
    jobs = {j["id"]: j for j in made.situation.problem["jobs"]}
    until = (offer.hold_until - MORNING).total_seconds() / 60
    for code in held:
        scan, prepare = jobs[code]["steps"][:2]
        assert "not_before" not in scan  # the patient is there
        assert prepare["not_before"] == until
        assert all(
            s["start"] >= until for s in made.plan["steps"] if s["job"] == code and s["index"] > 0
        )
    late = {g["id"]: g["p_late"] for g in made.foresight["groups"]}
    # Codes are random, and with them the luck drawn: the quote and the plan both estimate.
    assert all(after <= empty.risk_limit for _, _, after in offer.delayed)
    error = sqrt(empty.risk_limit * (1 - empty.risk_limit) / SAMPLES)
    assert late[str(first.pk)] <= empty.risk_limit + 3 * error
    assert late[str(promise.order_id)] <= 1 - offer.p_kept + 3 * error
    assert consider(list(held), Stage.objects.get(code="prepare"), None).changes[0].broken


@pytest.mark.django_db
def test_a_refusal_is_told_without_codes_and_counts_promises_not_pieces(
    empty, person, patient, monkeypatch
):
    kind = ApplianceKind.objects.get(code="retainer")
    order = open_order(person("doctor"), patient, kind, ["upper", "lower"], key="pair")
    agree_promise(person("doctor"), order, PROMISED, key="promise")
    pieces = [piece.code for piece in order.appliances.all()]
    refusal = {
        "earliest": None, "p_kept": None, "delayed": [], "pushed": pieces,
        "reason": f"any time would push {pieces}",
        "alternatives": [{"due": 300.0, "p_kept": 0.96, "past_limit": pieces}],
    }  # fmt: skip
    monkeypatch.setattr("production.planning.quote", lambda *_, **__: refusal)
    offer = quote_pickup(kind, ["upper"], MORNING)
    assert not any(code in offer.reason for code in pieces)
    assert [words for _, _, words in offer.alternatives] == ["puts 1 other promise at risk"]


@pytest.mark.django_db
def test_the_plan_calls_a_stage_by_its_name_of_now(bench):
    Stage.objects.filter(code="trim").update(name="Cut and smooth")
    shown = {b.stage for lane in timeline(MORNING).lanes for b in lane.blocks}
    assert {"Cut and smooth", "Disinfect and bag", "Block-out"} <= shown
    assert shown <= set(Stage.objects.values_list("name", flat=True))
