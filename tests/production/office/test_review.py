"""The review: hand-worked figures, kept days agree with counted ones, every figure has its list."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from concurrent.futures import ThreadPoolExecutor
from html import unescape

import pytest
from django.urls import reverse
from django.utils import timezone

from production import charts
from production.models import (
    Appliance,
    ApplianceKind,
    DaySummary,
    Downtime,
    Load,
    Lot,
    LotUse,
    Machine,
    Material,
    Order,
    Promise,
    RemakeCause,
    Stage,
    StageEvent,
)
from production.selectors.review import breakdown, drift
from production.selectors.review.behind import behind
from production.selectors.review.counting import count
from production.selectors.review.days import facts, summarise
from production.selectors.review.facts import Facts, total
from production.selectors.review.figures import Range, Rate, change, figures, periods
from production.views.office import review as views
from production.views.office.review import CHARTS
from tests.production.documents.conftest import text_of

DAY = dt.date(2026, 11, 4)


def at(hour: float, day: dt.date = DAY) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(), dt.UTC) + dt.timedelta(hours=hour)


class Records:
    """Writes the rows that a day leaves behind, without playing it."""

    def __init__(self, patient) -> None:
        self.patient = patient
        self.kind = ApplianceKind.objects.get(code="retainer")
        self.stages = {s.code: s for s in Stage.objects.all()}
        self.number = 0

    def appliance(self, scanned: float, ready: float | None, out: float | None, day=DAY, due=16.0):
        self.number += 1
        order = Order.objects.create(patient=self.patient, kind=self.kind)
        row = Appliance.objects.create(
            code=f"R{self.number:05}", order=order, kind=self.kind, arch="upper",
            created_at=at(scanned, day), scanned_at=at(scanned, day),
            ready_at=at(ready, day) if ready else None,
            delivered_at=at(out, day) if out else None,
            stage=self.stages["delivery"], status="delivered" if out else "ready",
        )  # fmt: skip
        Promise.objects.create(
            order=order, due_at=at(due, day), kept=ready is not None and ready <= due,
            p_kept_at_agreement=0.96,
        )  # fmt: skip
        return row

    def event(self, row, stage: str, action: str, hour: float, **more):
        row.seq += 1
        row.failures += action == "fail"
        row.save()
        return StageEvent.objects.create(
            appliance=row, seq=row.seq, stage=self.stages[stage], action=action,
            at=at(hour, row.created_at.date()), **more, key=f"{row.code}-{row.seq}",
        )  # fmt: skip


@pytest.fixture
def records(office, patient, monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: at(12, dt.date(2026, 11, 25)))
    return Records(patient)


@pytest.fixture
def day(records):
    """Ten appliances: nine on time; four hours each; one fails at trim the first time."""
    for number in range(10):
        row = records.appliance(9, 12 if number else 17, 13 if number else 18)
        if number == 3:
            records.event(row, "trim", "fail", 11.0)
        records.event(row, "form", "finish", 10.5)
        records.event(row, "trim", "finish", 11.5)
    return records


def test_hand_worked_day(day):
    found = figures(Range(DAY, DAY))
    assert (found.on_time.k, found.on_time.n) == (9, 10)
    assert found.handed_over == 10
    # Nine took four hours, one nine; counted in steps of five minutes.
    assert found.lead_median == pytest.approx(240, abs=5)
    by_stage = {y.stage.code: (y.rate.k, y.rate.n) for y in found.yields}
    assert by_stage == {"form": (10, 10), "trim": (9, 10)}
    assert found.rolled == pytest.approx(0.9)
    assert found.causes == [("No cause recorded", 1, 1.0)]
    # Little: 10 arrivals a day, (9 × 3 h + 8 h) / 10 in it, so 35 h / 24 h in progress.
    assert found.in_progress == pytest.approx(35 / 24)
    assert found.little == pytest.approx(0.0, abs=1e-9)
    assert [(round(b.stated, 2), b.rate.k, b.rate.n) for b in found.bands] == [(0.96, 9, 10)]


def test_a_failure_taken_back_does_not_count(records):
    row = records.appliance(9, 12, 13)
    failed = records.event(row, "trim", "fail", 11.0)
    row.seq += 1
    StageEvent.objects.create(
        appliance=row, seq=row.seq, stage=records.stages["trim"], action="undo", at=at(11.1),
        undoes=failed, key="undo",
    )  # fmt: skip
    records.event(row, "trim", "finish", 11.5)
    found = figures(Range(DAY, DAY))
    assert found.failures == 0
    assert found.yields[0].rate.value == 1.0


def test_an_appliance_over_midnight_is_shared_out_over_the_days(records):
    records.appliance(18, 30, 32)
    days = count(DAY, DAY + dt.timedelta(days=1))
    assert [round(f.present_days * 24, 6) for f in days.values()] == [6.0, 6.0]


def test_kept_days_give_the_same_figures_as_counting(day):
    later = DAY + dt.timedelta(days=2)
    day.appliance(8, 11, 12, day=later)
    span = Range(DAY, later + dt.timedelta(days=2))
    counted = total(count(span.first, span.last).values())
    assert summarise(dt.date(2026, 11, 25)) > 0
    assert DaySummary.objects.filter(date=DAY).exists()
    assert total(facts(span.first, span.last).values()) == counted
    assert summarise(dt.date(2026, 11, 25)) == 0


@pytest.fixture
def worked(day, person):
    """Three appliances on one printer and lot; one fails there, one is remade a week later."""
    tomas, jun = person("technician"), person("manager")
    machine = Machine.objects.create(code="M-1", name="Printer", kind="printer", capacity=4)
    resin = Material.objects.create(kind="resin", name="Resin", unit="ml", unit_cost="0.10")
    lot = Lot.objects.create(material=resin, number="R1")
    load = Load.objects.create(
        code="L-1", stage=day.stages["print"], machine=machine, status="done",
        started_at=at(9.5), ended_at=at(10.25),
    )  # fmt: skip
    pieces = [day.appliance(9, 12, 13) for _ in range(3)]
    for number, row in enumerate(pieces):
        start = day.event(row, "print", "start", 9.5, machine=machine, by=tomas, load=load)
        LotUse.objects.create(event=start, appliance=row, lot=lot, amount=20)
        done = "fail" if number == 0 else "finish"
        day.event(row, "print", done, 10.25, machine=machine, by=jun, load=load)
        day.event(row, "trim", "start", 11, by=jun)
        day.event(row, "trim", "finish", 11.2, by=jun)
    cause = RemakeCause.objects.get(code="fit-tight")
    order = Order.objects.create(patient=day.patient, kind=day.kind, purpose="remake")
    Appliance.objects.create(
        code="R9", order=order, kind=day.kind, arch="upper", remake_of=pieces[1],
        remake_cause=cause, created_at=at(9, DAY + dt.timedelta(days=7)),
    )  # fmt: skip
    return {"machine": machine, "lot": lot, "tomas": tomas, "jun": jun, "pieces": pieces}


def test_where_work_fails_is_hand_worked(worked):
    week = Range(DAY, DAY + dt.timedelta(days=7))
    found = total(facts(week.first, week.last).values())
    tables = {w.what: {line.key: line for line in w.lines} for w in breakdown.where(found, Facts())}
    machine = tables["machine"][str(worked["machine"].pk)]
    assert (machine.rate.k, machine.rate.n, machine.remade) == (1, 3, 1)
    lot = tables["lot"][str(worked["lot"].pk)]
    assert (lot.rate.k, lot.rate.n, lot.remade) == (1, 3, 1)
    # The failure is counted for the one who started the print, not the one who found it.
    started = tables["person"][str(worked["tomas"].pk)]
    assert (started.rate.k, started.rate.n, started.remade) == (1, 3, 1)
    other = tables["person"][str(worked["jun"].pk)]
    assert (other.rate.k, other.rate.n, other.remade) == (0, 3, 1)
    assert tables["stage"]["delivery"].remade == 1
    first, second = worked["pieces"][0].code, worked["pieces"][1].code
    for what, key in [("machine", "machine"), ("lot", "lot"), ("person", "tomas")]:
        for kind, code in (("failed", first), ("remade", second)):
            rows, _ = behind(week, f"{kind}-{what}", str(worked[key].pk))
            assert [a.code for a in rows] == [code], (kind, what)
        rows, _ = behind(week, what, str(worked[key].pk))
        assert {a.code for a in rows} == {a.code for a in worked["pieces"]}


def test_where_nothing_was_worked_on_it_says_so(office, signed_in):
    page = signed_in("doctor").get(f"{reverse('review')}?from={DAY}&to={DAY}").content.decode()
    assert "Nothing was worked on in this range." in page


def test_the_page_shows_where_work_fails(worked, signed_in):
    page = signed_in("doctor").get(f"{reverse('review')}?from={DAY}&to={DAY}").content.decode()
    assert reverse("machine", args=[worked["machine"].uuid]) in page
    assert reverse("lot", args=[worked["lot"].pk]) in page
    assert "/review/list/failed-person/" in page


def test_cost_and_capacity_are_hand_worked(worked):
    found = total(facts(DAY, DAY).values())
    cost = breakdown.cost(found)
    # 13 became ready; three took 20 ml at 0.10. Trim was timed three times (12 min each) and
    # done eleven times more without a start: 14 × 12 min; forming was never timed.
    assert cost.material == pytest.approx(3 * 2.0 / 13)
    assert cost.minutes == pytest.approx(14 * 12 / 13)
    (use,) = breakdown.machines(found, Facts())
    # 8-12:30 and 13-17:30 are open; the print ran 45 minutes with three of four places.
    assert (use.open_minutes, use.run_minutes, use.loads) == (540, 45, 1)
    assert use.share == pytest.approx(45 / 540)
    assert use.filled == pytest.approx(3 / 4)


def test_time_out_of_service_is_not_open_time(worked):
    Downtime.objects.create(
        machine=worked["machine"], starts_at=at(12), ends_at=at(14), reason="Lamp"
    )
    (use,) = breakdown.machines(total(facts(DAY, DAY).values()), Facts())
    # Noon to two o'clock, less the closed half hour.
    assert use.open_minutes == pytest.approx(540 - 90)


def test_charts_of_rare_events_count_what_lay_between(records):
    def remade(days: int) -> None:
        old = records.appliance(9, 12, 13, day=DAY + dt.timedelta(days=days))
        order = Order.objects.create(patient=records.patient, kind=records.kind)
        Appliance.objects.create(
            code=f"Z{days}", order=order, kind=records.kind, arch="upper", remake_of=old,
            created_at=at(14, DAY + dt.timedelta(days=days)),
        )  # fmt: skip

    for days in (0, 2, 7):
        remade(days)
    for _ in range(4):
        records.appliance(9, 12, 13, day=DAY + dt.timedelta(days=1))
    between, apart = drift.remakes(Range(DAY, DAY + dt.timedelta(days=10)))
    # Four in between and the replaced one itself; then only the replaced one.
    assert between.chart.values == [5, 1]
    assert apart.chart.values == pytest.approx([2, 5])
    assert between.labels == ["6 Nov 26", "11 Nov 26"]


def test_a_change_is_named_only_beyond_chance():
    assert change(Rate(56, 70), Rate(48, 80)) == "better"
    assert change(Rate(48, 80), Rate(56, 70)) == "worse"
    assert change(Rate(9, 10), Rate(8, 10)) == "no clear change"
    assert change(Rate(1, 200), Rate(20, 200), more_is_better=False) == "better"
    assert change(Rate(0, 0), Rate(20, 200)) == ""


def test_a_day_gone_by_is_counted_anew_when_it_is_touched(day):
    assert summarise(dt.date(2026, 11, 25)) > 0
    DaySummary.forget(at(8, DAY + dt.timedelta(days=1)))
    assert DaySummary.objects.filter(date=DAY).exists()
    assert not DaySummary.objects.filter(date__gt=DAY).exists()
    DaySummary.forget(at(8, DAY))
    assert not DaySummary.objects.exists()


def test_the_number_of_queries_does_not_grow_with_the_range(day, django_assert_max_num_queries):
    with django_assert_max_num_queries(40):
        figures(Range(DAY - dt.timedelta(days=60), DAY + dt.timedelta(days=10)))


def test_every_figure_leads_to_its_appliances(day, signed_in):
    doctor = signed_in("doctor")
    query = f"?from={DAY}&to={DAY}"
    page = doctor.get(reverse("review") + query)
    assert page.status_code == 200
    assert "9 of 10" in page.content.decode()
    expected = {
        "on-time": 9, "missed": 1, "ready": 10, "handed-over": 10, "remakes": 0, "stuck": 0,
        "in-progress": 10, "failed-ready": 1,
    }  # fmt: skip
    for what, number in expected.items():
        answer = doctor.get(reverse("review-behind", args=[what]) + query)
        assert len(answer.context["rows"]) == number, what
    named = {
        ("stage", "trim"): 10, ("failed-stage", "trim"): 1, ("remade-stage", "trim"): 0,
        ("cause", "No cause recorded"): 1, ("stated", "0.95"): 10, ("stated", "0.9"): 0,
        ("failed-machine", "0"): 0, ("lot", "x"): 0,
    }  # fmt: skip
    for (what, name), number in named.items():
        answer = doctor.get(reverse("review-behind", args=[what]) + f"{query}&name={name}")
        assert len(answer.context["rows"]) == number, (what, name)
    assert doctor.get(reverse("review-behind", args=["nothing"])).status_code == 404


@pytest.mark.parametrize("name", sorted(CHARTS))
def test_charts_are_pictures_even_of_nothing(records, signed_in, name):
    answer = signed_in("doctor").get(reverse("review-chart", args=[name]))
    assert answer.content.lstrip().startswith(b"<?xml")


def test_charts_drawn_side_by_side_are_those_drawn_alone():
    """A page asks for its charts at once, and the server has threads."""
    rows = [("Sheet too thin or torn", 2, 0.5), ("Wrong cure program", 2, 1.0)]
    alone = charts.pareto_chart(rows)
    with ThreadPoolExecutor(4) as threads:
        drawn = list(threads.map(lambda _: charts.pareto_chart(rows), range(8)))
    assert drawn == [alone] * 8


def test_table_and_paper(day, signed_in):
    doctor = signed_in("doctor")
    query = f"?from={DAY}&to={DAY}"
    table = doctor.get(reverse("review-table") + query).content.decode().splitlines()
    assert table[1].split(",")[1:5] == ["10", "9", "10", "1"]
    numbers = doctor.get(reverse("review-numbers") + query).content.decode().splitlines()
    assert numbers[1].startswith("on time,,0.9,")
    assert doctor.get(reverse("review-paper") + query).content.startswith(b"%PDF")


def test_without_prices_no_money_is_shown_and_the_page_says_where_to_enter_them(
    worked, signed_in
):
    Material.objects.update(unit_cost=0)
    query = f"?from={DAY}&to={DAY}"
    manager, doctor = signed_in("manager"), signed_in("doctor")
    page = doctor.get(reverse("review") + query).content.decode()
    assert "no prices of materials entered" in page
    assert "a manager can enter them under Settings, Materials" in page
    assert reverse("settings-section", args=["materials"]) not in page
    screen = manager.get(reverse("review") + query).content.decode()
    assert reverse("settings-section", args=["materials"]) in screen
    paper = text_of(doctor.get(reverse("review-paper") + query).content)
    numbers = doctor.get(reverse("review-numbers") + query).content.decode()
    for shown in (page, screen, paper, numbers):
        assert "0.00" not in shown
    assert "materials per appliance" not in numbers


def test_a_first_price_counts_for_days_that_are_over(worked, signed_in, office):
    Material.objects.update(unit_cost=0)
    summarise(DAY + dt.timedelta(days=3))
    resin = Material.objects.get()
    manager, address = signed_in("manager"), reverse("settings-edit", args=["materials", resin.pk])

    def price(amount):
        kept = {k: "" if v is None else v for k, v in manager.get(address).context["form"].initial.items()}
        answer = manager.post(address, {**kept, "unit_cost": amount})
        assert answer.status_code == 302, answer.context["form"].errors
        return breakdown.cost(total(facts(DAY, DAY).values())).material

    assert price("0.10") == pytest.approx(3 * 2.0 / 13)
    summarise(DAY + dt.timedelta(days=3))
    assert price("0.20") == pytest.approx(3 * 2.0 / 13)  # a dearer resin does not change the past


def test_the_paper_names_what_each_definition_explains(day, signed_in):
    text = text_of(signed_in("doctor").get(f"{reverse('review-paper')}?from={DAY}&to={DAY}").content)
    after = text[text.index("Definitions") :]
    for name in ("Promises on time.", "First-pass yield.", "Better, worse."):
        assert name in after


def test_screen_table_and_paper_agree(worked, signed_in):
    doctor = signed_in("doctor")
    query = f"?from={DAY}&to={DAY}"
    page = doctor.get(reverse("review") + query)
    now, cost, screen = page.context["now"], page.context["cost"], page.content.decode()
    listed = csv.DictReader(
        io.StringIO(doctor.get(reverse("review-numbers") + query).content.decode())
    )
    table = {(row["figure"], row["of"]): row["value"] for row in listed}
    paper = text_of(doctor.get(reverse("review-paper") + query).content)
    assert float(table["failed or remade", ""]) == now.failed.value
    assert float(table["materials per appliance", ""]) == cost.material
    for _, name, money in cost.materials:
        assert float(table["materials per appliance", name]) == money
        for shown in (screen, paper):
            assert name in shown
            assert f"{money:.2f}" in shown
    for use in page.context["machines"]:
        assert float(table["open hours", use.machine.name]) == use.open_hours
        assert float(table["loads", use.machine.name]) == use.loads
        assert use.machine.name in paper
    for name, times, _ in now.causes:
        assert float(table["cause", name]) == times
        assert name in screen
        assert name in paper


def test_every_link_of_the_page_leads_to_a_list(worked, signed_in):
    doctor = signed_in("doctor")
    page = doctor.get(f"{reverse('review')}?from={DAY}&to={DAY}").content.decode()
    links = {unescape(link) for link in re.findall(r'href="(/review/list/[^"]+)"', page)}
    assert len(links) > 20
    for link in links:
        answer = doctor.get(link)
        assert answer.status_code == 200, link
        zero = {"missed", "remakes", "stuck"}
        assert answer.context["rows"] or any(f"/{what}/" in link for what in zero), link


def test_a_long_list_comes_in_parts(day, signed_in, monkeypatch):
    monkeypatch.setattr(views, "LISTED", 4)
    doctor, seen = signed_in("doctor"), []
    address = f"{reverse('review-behind', args=['ready'])}?from={DAY}&to={DAY}"
    more = address
    while more:
        answer = doctor.get(more)
        seen += [a.code for a in answer.context["rows"]]
        following = answer.context["next"]
        more = following and f"{address}&after={following}"
    assert len(seen) == len(set(seen)) == 10


def test_a_signal_leads_to_the_appliances_of_its_days(records):
    days = {DAY + dt.timedelta(days=7 * n): Facts(ready=50) for n in range(12)}
    days[DAY + dt.timedelta(days=70)].ready_bad = 25
    found = drift.failures(periods(days))
    [(_, _, span)] = [s for s in found.signals if "limit" in s[1]]
    wanted = DAY + dt.timedelta(days=70)
    assert (span.first, span.last, found.what) == (wanted, wanted, "failed-ready")


@pytest.mark.parametrize(
    "query", ["?from=x&to=y", "?from=2026-12-31&to=1999-01-01", "?to=9999-12-31"]
)
def test_a_wrong_range_is_mended(records, signed_in, query):
    assert signed_in("doctor").get(reverse("review") + query).status_code == 200


def test_the_technician_does_not_see_the_review(records, signed_in):
    assert signed_in("technician").get(reverse("review")).status_code == 403


@pytest.mark.django_db
def test_machines_people_and_causes_stand_beside_the_range_before(person):
    hand = person("technician")
    now, before = Facts(), Facts()
    now.tries[f"person:{hand.pk}"], now.failed[f"person:{hand.pk}"] = 200, 4
    before.tries[f"person:{hand.pk}"], before.failed[f"person:{hand.pk}"] = 200, 40
    now.causes.update({"Torn sheet": 3})
    before.causes.update({"Torn sheet": 1, "Dust": 2})
    [line] = next(w.lines for w in breakdown.where(now, before) if w.what == "person")
    assert (line.was.k, line.was.n, line.change) == (40, 200, "better")
    listed = [(name, n, was) for name, n, _, was in breakdown.causes(now, before)]
    assert listed == [("Torn sheet", 3, 1), ("Dust", 0, 2)]


def test_each_part_of_the_page_is_one_touch_away(office, signed_in):
    page = signed_in("manager").get(reverse("review")).content.decode()
    jumps = re.search(r'aria-label="On this page">(.*?)</nav>', page, re.S)[1]
    targets = re.findall(r'href="#([a-z-]+)"', jumps)
    assert len(targets) >= 8
    for target in targets:
        assert page.count(f'id="{target}"') == 1, target
