"""Lots: taken in by their code, forecast against the open work, traced to every patient."""

from __future__ import annotations

import csv
import datetime as dt
import io
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import AuditEntry, Patient
from production.actions import open_order
from production.actions.bench.move import fail, finish, remake, start, undo
from production.actions.errors import Refused
from production.actions.office.keep_machine import bring_back, note_maintenance, take_out
from production.bench import fit
from production.models import (
    Appliance,
    ApplianceKind,
    Load,
    Lot,
    LotUse,
    Machine,
    MaintenanceTask,
    Material,
    Stage,
    StageEvent,
)
from production.scheduling.state import read_situation
from production.selectors.office.lot_fates import fates
from production.selectors.office.machines import machines
from production.selectors.office.stock import dated, recipients, state_of, stock
from tests.production.bench.conftest import Bench
from tests.production.bench.test_whole_way import walk
from tests.production.documents.conftest import text_of


@pytest.fixture
def bench(office, person) -> Bench:
    return Bench(person)


@pytest.fixture
def sheet(office) -> Material:
    # GTIN of GS1's own worked example for the check digit, as 14 digits.
    return Material.objects.create(
        kind="sheet", name="Sheet 1.0", gtin="06291041500213", thickness_mm=1.0, unit="sheet",
        reorder_at=5,
    )  # fmt: skip


def used(person, patient, lot: Lot, count: int = 2) -> list[str]:
    """Open an order and note the lot on each appliance's first event."""
    kind = ApplianceKind.objects.get(code="retainer")
    order = open_order(
        person("doctor"),
        patient,
        kind,
        ["upper", "lower"][:count],
        key=f"use-{lot.pk}-{patient.pk}",
    )
    codes = []
    for appliance in order.appliances.all():
        event = StageEvent.objects.filter(appliance=appliance).first()
        LotUse.objects.create(event=event, appliance=appliance, lot=lot, amount=1)
        codes.append(appliance.code)
    return codes


def test_a_gs1_code_fills_in_material_lot_and_expiry(sheet, signed_in):
    answer = signed_in("technician").post(
        reverse("lot-new"), {"code": "(01)06291041500213(17)281231(10)AB-77", "quantity": "20"}
    )
    lot = Lot.objects.get()
    assert answer.status_code == 302
    assert (lot.material, lot.number, lot.expires_on.isoformat()) == (sheet, "AB-77", "2028-12-31")


def test_a_scanned_code_fills_in_the_form_before_anything_is_kept(sheet, signed_in):
    client = signed_in("technician")
    # A scanner sends the code with Enter; how much it holds nobody has said yet.
    code = "(01)06291041500213(17)281231(10)AB-77"
    page = client.post(reverse("lot-new"), {"code": code}, follow=True).content.decode()
    assert not Lot.objects.exists()
    assert 'value="AB-77"' in page
    assert 'value="2028-12-31"' in page
    assert f'value="{sheet.pk}" selected' in page
    assert "Give how much it holds" in page


def test_used_up_by_a_slip_is_taken_back(sheet, signed_in):
    lot = Lot.objects.create(material=sheet, number="A", quantity=7)
    client = signed_in("technician")
    client.post(reverse("lot-close", args=[lot.pk]))
    page = client.post(reverse("lot-reopen", args=[lot.pk]), follow=True).content.decode()
    lot.refresh_from_db()
    assert lot.closed_at is None
    assert "in use again" in page


def test_what_was_taken_back_is_not_used(sheet, person, patient):
    lot = Lot.objects.create(material=sheet, number="A", quantity=7)
    used(person, patient, lot)
    state = next(m for m in stock() if m.material == sheet)
    assert state.on_hand == 5
    event = lot.uses.first().event
    StageEvent.objects.create(
        appliance=event.appliance, seq=9, action="undo", undoes=event, at=event.at, key="u"
    )
    assert next(m for m in stock() if m.material == sheet).on_hand == 6
    assert state_of(lot).left == 6


def test_the_same_lot_twice_is_told(sheet, signed_in):
    data = {"material": sheet.pk, "number": "AB-77", "quantity": "20"}
    client = signed_in("technician")
    client.post(reverse("lot-new"), data)
    page = client.post(reverse("lot-new"), data, follow=True).content.decode()
    assert "on record already" in page
    assert 'value="AB-77"' in page


def test_open_work_is_forecast_and_the_reorder_list_follows(sheet, person, patient):
    lot = Lot.objects.create(material=sheet, number="A", quantity=7)
    kind = ApplianceKind.objects.get(code="retainer")
    assert next(m for m in stock() if m.material == sheet).reorder is False
    open_order(person("doctor"), patient, kind, ["upper", "lower"], sheet=sheet, key="a")
    state = next(m for m in stock() if m.material == sheet)
    assert (state.on_hand, state.needed) == (7, 2)
    assert state.reorder is False
    Lot.objects.filter(pk=lot.pk).update(quantity=6)
    assert next(m for m in stock() if m.material == sheet).reorder is True


def test_a_recall_drill_finds_every_patient_of_a_lot(sheet, person, patient, signed_in):
    lot, other = (Lot.objects.create(material=sheet, number=n, quantity=9) for n in "AB")
    patient.phone = "=HYPERLINK(1)"
    patient.save()
    codes = used(person, patient, lot)
    ApplianceKind.objects.update(name='Retainer, "clear"')
    left = dt.datetime(2026, 7, 1, 0, 5, 59, tzinfo=ZoneInfo("Europe/Paris"))
    Appliance.objects.filter(code=codes[0]).update(delivered_at=left)
    client = signed_in("technician")
    page = client.get(reverse("lot", args=[lot.pk])).content.decode()
    assert all(code in page for code in codes)
    listed = client.get(reverse("lot-csv", args=[lot.pk])).content.decode()
    rows = list(csv.DictReader(io.StringIO(listed)))
    assert sorted(r["appliance"] for r in rows) == sorted(codes)
    assert rows[0]["phone"] == "'=HYPERLINK(1)"
    assert {r["kind"] for r in rows} == {'Retainer, "clear"'}
    gone = {r["appliance"]: r["handed over"] for r in rows}
    assert gone == dict.fromkeys(codes, "") | {codes[0]: "2026-06-30T22:05Z"}
    [who] = recipients(lot)
    assert [p.code for p in who.pieces if p.handed_over == left.replace(second=0)] == codes[:1]
    assert client.get(reverse("lot-pdf", args=[lot.pk])).content.startswith(b"%PDF")
    empty = client.get(reverse("lot-csv", args=[other.pk])).content.decode()
    assert len(empty.splitlines()) == 1


def test_a_long_recall_list_comes_in_pages_and_parts_that_leave_nobody_out(
    sheet, office, person, signed_in, monkeypatch
):
    from production.documents import recall
    from production.views.office import stock as views

    monkeypatch.setattr(views, "LISTED", 2)
    monkeypatch.setattr(recall, "IN_PART", 3)
    lot = Lot.objects.create(material=sheet, number="A", quantity=90)
    codes = []
    for number in range(4):
        someone = Patient.objects.create(
            chart_number=f"C{number}", given_name="Ada", family_name=f"Name{number}",
            date_of_birth=dt.date(2001, 1, 1),
        )  # fmt: skip
        codes += used(person, someone, lot)
    client = signed_in("technician")
    seen, address = [], reverse("lot", args=[lot.pk])
    while address:
        page = client.get(address).context
        seen += [a.code for a in page["appliances"]]
        address = page["next"] and f"{reverse('lot', args=[lot.pk])}?before={page['next']}"
    assert sorted(seen) == sorted(codes)
    shown = []
    monkeypatch.setattr(recall, "draw", lambda title, above, heads, lines: shown.extend(lines))
    everybody = recipients(lot)
    for part in recall.parts(len(codes)):
        recall.build(lot, everybody, office, part)
    listed = [piece.split()[0] for *_, pieces in shown for piece in pieces]
    assert sorted(listed) == sorted(codes)
    assert recall.build(lot, everybody, office, 99) is None


def test_a_recall_list_names_by_the_chart_whom_it_cannot_print_and_says_so(
    sheet, office, person, patient
):
    from production.documents import recall

    lot = Lot.objects.create(material=sheet, number="A", quantity=90)
    used(person, patient, lot)
    plain = text_of(recall.build(lot, recipients(lot), office).pdf)
    assert "Chart" in plain  # the heading of a column
    assert "look it up on the screen" not in plain
    for number, name in enumerate(("李", "ليلى")):
        someone = Patient.objects.create(
            chart_number=f"K-{number}", given_name=name, family_name=name,
            date_of_birth=dt.date(2001, 1, 1),
        )  # fmt: skip
        used(person, someone, lot)
    text = text_of(recall.build(lot, recipients(lot), office).pdf)
    assert str(patient) in text
    for number in range(2):
        assert f"Chart K-{number}" in text
    assert "look it up on the screen" in text


def test_a_recall_list_says_which_pieces_do_not_hold_the_lot_any_more(bench, patient, signed_in):
    lot, other = (
        bench.lots["sheet"],
        Lot.objects.create(material=bench.lots["sheet"].material, number="other", quantity=9),
    )
    rows = [bench.appliance(patient) for _ in range(4)]
    kept, redone, slip, carried = rows
    for row in rows:
        walk(bench, row, until="form")
    form = bench.machines["forming"]

    def formed(row: Appliance, with_lot: Lot, key: str) -> None:
        start(bench.technician, row, machine=form, lots=[with_lot], key=f"{row.code}-{key}")
        finish(bench.technician, row, ticks=bench.ticks("form"), key=f"{row.code}-{key}-end")

    for row in (kept, redone, carried):
        formed(row, lot, "1")
    fail(bench.technician, redone, cause=bench.cause("trim-short"), key="f")
    formed(redone, other, "2")
    start(bench.technician, slip, machine=form, lots=[lot], key="s")
    undo(bench.technician, slip, key="u")
    formed(slip, other, "3")
    walk(bench, carried)
    [again] = [remake(bench.desk, carried, cause=bench.cause("fit-sore"), key="r")]
    listed = signed_in("technician").get(reverse("lot-csv", args=[lot.pk])).content.decode()
    use = {r["appliance"]: r["use"] for r in csv.DictReader(io.StringIO(listed))}
    assert use == {
        kept.code: "used",
        redone.code: "redone since",
        slip.code: "taken back",
        carried.code: "used",
        again.code: "used",
    }
    page = signed_in("technician").get(reverse("lot", args=[lot.pk])).content.decode()
    assert page.count("that work failed and is done again") == 1
    assert page.count("recorded by a slip") == 1
    fail(bench.technician, again, cause=bench.cause("trim-short"), key="f2")
    assert fates(lot)[again.pk] == "redone since"


def test_a_withdrawn_lot_is_reinstated_by_a_doctor_with_a_reason(sheet, signed_in):
    lot = Lot.objects.create(material=sheet, number="A", quantity=9)
    technician, doctor = signed_in("technician"), signed_in("doctor")
    for _ in range(2):
        technician.post(reverse("lot-withdraw", args=[lot.pk]), {"reason": "maker's notice 12"})
    back = reverse("lot-reinstate", args=[lot.pk])
    assert technician.post(back, {"reason": "cleared"}).status_code == 403
    doctor.post(back, {"reason": " "})
    assert Lot.objects.get().withdrawn
    doctor.post(back, {"reason": "maker cleared it"})
    assert not Lot.objects.get().withdrawn
    page = doctor.get(reverse("lot", args=[lot.pk])).content.decode()
    assert [e.action for e in AuditEntry.objects.filter(subject_id=str(lot.pk))] == [
        "lot reinstated",
        "lot withdrawn",
    ]
    assert "maker cleared it" in page
    assert "notice 12" in page


def test_the_amount_of_a_use_is_the_materials_own(bench, patient):
    paste = bench.lots["block_out"].material
    paste.unit, paste.per_use = "g", 0.4
    paste.save()
    bench.lots["block_out"].quantity = 20
    bench.lots["block_out"].save()
    bags = Material.objects.create(kind="consumable", name="Bags", per_use=2, reorder_at=10)
    bags.stages.add(bench.stages["finish"])
    box = Lot.objects.create(material=bags, number="B1", quantity=13)
    row = bench.appliance(patient)
    needed = {m.material.name: m.needed for m in stock()}
    assert needed["Block-out paste"] == pytest.approx(0.4)
    assert needed["Bags"] == 2
    assert [m.short for m in stock() if m.material == bags] == [-1]
    walk(bench, row, until="finish")
    assert state_of(bench.lots["block_out"]).left == pytest.approx(19.6)
    start(bench.technician, row, lots=[bench.lots["disinfectant"], box], key="s")
    assert state_of(box).left == 11
    assert [m.needed for m in stock() if m.material == bags] == [0]


def test_a_model_that_is_not_made_yet_is_forecast_by_the_latest(bench, patient):
    resin = bench.lots["resin"].material
    walk(bench, bench.appliance(patient), until="wash")  # took 9.5 ml
    bench.order(patient, ("upper", "lower"), prepared=False)
    assert [m.needed for m in stock() if m.material == resin] == [pytest.approx(19.0)]


def test_a_consumable_in_use_is_taken_unless_it_is_left_out(bench, patient, signed_in):
    bags = Material.objects.create(kind="consumable", name="Bags")
    bags.stages.add(bench.stages["finish"])
    box = Lot.objects.create(material=bags, number="B1", quantity=9, opened_at=timezone.now())
    rows = [bench.appliance(patient) for _ in range(2)]
    client = signed_in("technician")
    for row, ticked in zip(rows, ([box.pk], []), strict=True):
        walk(bench, row, until="finish")
        page = client.get(reverse("appliance", args=[row.code])).content.decode()
        assert f'name="lot" value="{box.pk}" checked' in page
        sent = {"action": "start", "key": row.code, "lots_shown": "1"}
        chosen = [bench.lots["disinfectant"].pk, *ticked]
        client.post(reverse("appliance-do", args=[row.code]), {**sent, "lot": chosen})
    assert [use.appliance for use in LotUse.objects.filter(lot=box)] == rows[:1]
    wrong = fit.check(box, rows, bench.stages["trim"], None, dt.date(2026, 1, 1))
    assert wrong.stops == ["Bags is for Disinfect and bag, not for Trim."]


def test_the_front_desk_does_not_see_recall_lists(sheet, signed_in):
    lot = Lot.objects.create(material=sheet, number="A", quantity=9)
    assert signed_in("front_desk").get(reverse("lot-csv", args=[lot.pk])).status_code == 403


def test_a_machine_out_of_service_leaves_the_plan_until_it_is_back(office, person):
    printer = Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    take_out(person("technician"), printer, "Film torn")

    def down() -> list:
        resources = read_situation().problem["resources"]
        return next(r for r in resources if r["id"] == f"m{printer.pk}")["down"]

    assert down()
    bring_back(person("technician"), printer)
    assert not down()


def test_a_service_next_week_is_planned_around_and_can_be_called_off(office, person, signed_in):
    printer = Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    client, address = signed_in("technician"), reverse("machine", args=[printer.uuid])
    day = timezone.localdate() + dt.timedelta(days=6)
    form = {"reason": "Service", "since": f"{day}T14:00", "until": f"{day}T12:00", "key": "k"}
    refused = client.post(reverse("machine-out", args=[printer.uuid]), form, follow=True)
    assert "after the beginning" in refused.content.decode()
    assert 'value="Service"' in refused.content.decode()  # what was typed is still there
    assert f'value="{day}T14:00"' in refused.content.decode()
    for _ in range(2):
        client.post(reverse("machine-out", args=[printer.uuid]), form | {"until": f"{day}T16:30"})
    [span] = printer.downtimes.all()
    assert (span.ends_at - span.starts_at).total_seconds() == 150 * 60
    printer.refresh_from_db()
    assert printer.state == "ready"
    [state] = machines()
    assert (state.downtime, state.coming) == (None, [span])
    situation = read_situation()
    [down] = next(r for r in situation.problem["resources"] if r["id"] == f"m{printer.pk}")["down"]
    assert situation.moment(down[0]) == span.starts_at
    assert situation.moment(down[1]) == span.ends_at
    assert "Call it off" in client.get(address).content.decode()
    client.post(reverse("machine-off", args=[printer.uuid, span.pk]))
    assert not printer.downtimes.exists()


@pytest.mark.parametrize(
    ("since", "until", "words"),
    [(2, None, "Give the end"), (2, 1, "after the beginning"), (0, 5, "from"), (3, 9, "from")],
)
def test_spans_out_of_service_are_sound(office, person, since, until, words):
    printer = Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    now, hour = timezone.now(), dt.timedelta(hours=1)
    someone = person("technician")
    take_out(someone, printer, "Service", now + 6 * hour, since=now + 4 * hour)
    with pytest.raises(Refused, match=words):
        take_out(someone, printer, "Noise", until and now + until * hour, since=now + since * hour)


def test_what_is_due_and_what_is_coming_is_told_where_a_machine_is_chosen(
    bench, patient, signed_in
):
    row = bench.appliance(patient)
    walk(bench, row, until="wash")
    wash, now = bench.machines["wash"], timezone.now()
    MaintenanceTask.objects.create(machine=wash, name="Alcohol changed", every_loads=1)
    take_out(
        bench.technician,
        wash,
        "Service",
        now + dt.timedelta(hours=2),
        since=now + dt.timedelta(minutes=5),
    )
    client = signed_in("technician")
    page = client.get(reverse("appliance", args=[row.code])).content.decode()
    assert "due: Alcohol changed" not in page  # no load has ended on it
    stage = bench.stages["wash"]
    Load.objects.create(code="L-0", stage=stage, machine=wash, status="done", ended_at=now)
    page = client.get(reverse("appliance", args=[row.code])).content.decode()
    assert "due: Alcohol changed" in page
    assert "Service</small>" in page
    answer = client.post(
        reverse("appliance-do", args=[row.code]),
        {"action": "start", "key": "s", "machine": wash.pk},
        follow=True,
    )
    assert "Wash unit goes out of service" in answer.content.decode()


def test_done_now_pressed_twice_is_one_event(office, signed_in):
    printer = Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    task = MaintenanceTask.objects.create(machine=printer, name="Film looked at", every_days=7)
    client = signed_in("technician")
    for key in ("a", "a", "b"):
        client.post(reverse("machine-maintenance", args=[printer.uuid, task.pk]), {"key": key})
    assert task.records.count() == 2


def test_maintenance_is_due_until_it_is_noted(office, person):
    printer = Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    task = MaintenanceTask.objects.create(machine=printer, name="Film looked at", every_days=7)
    assert [d.task for s in machines() for d in s.due] == [task]
    note_maintenance(person("technician"), task)
    assert [d.task for s in machines() for d in s.due] == []


def test_maintenance_by_count_counts_the_loads_since_it_was_done(office, person):
    technician = person("technician")
    one, other = (
        Machine.objects.create(code=f"M-{n}", name=f"Printer {n}", kind="printer", capacity=6)
        for n in (1, 2)
    )
    tasks = [
        MaintenanceTask.objects.create(machine=m, name="Film looked at", every_loads=3)
        for m in (one, other)
    ]
    stage = Stage.objects.get(code="print")

    def ran(machine: Machine, status: str, ago: dt.timedelta) -> None:
        ended = timezone.now() - ago
        code = f"L{Load.objects.count()}"
        Load.objects.create(code=code, stage=stage, machine=machine, status=status, ended_at=ended)

    def since() -> list[int]:
        return [d.loads_since for s in machines() for d in s.tasks]

    for status in ("done", "failed", "filling"):
        ran(one, status, dt.timedelta(hours=2))
    assert since() == [2, 0]
    note_maintenance(technician, tasks[0])
    assert since() == [0, 0]
    for _ in range(3):
        ran(one, "done", -dt.timedelta(seconds=1))
        ran(other, "done", dt.timedelta(days=400))
    assert since() == [3, 3]
    assert [d.task for s in machines() for d in s.due] == tasks


@pytest.mark.parametrize("name", ["stock", "machines", "lot-new"])
def test_pages_open(sheet, signed_in, name):
    Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    Lot.objects.create(material=sheet, number="A", quantity=9, opened_at=timezone.now())
    assert signed_in("technician").get(reverse(name)).status_code == 200


def test_a_machine_page_opens_and_takes_it_out_of_service(office, signed_in):
    printer = Machine.objects.create(code="M-P", name="Printer", kind="printer", capacity=6)
    client = signed_in("technician")
    address = reverse("machine", args=[printer.uuid])
    assert client.get(address).status_code == 200
    client.post(reverse("machine-out", args=[printer.uuid]), {"reason": "Noise"})
    assert "Noise" in client.get(address).content.decode()


def test_lots_near_or_past_their_date_stand_first_by_date(bench, sheet, signed_in):
    today = timezone.localdate()
    for number, days, extra in (
        ("FAR", 90, {}), ("SOON", 9, {}), ("GONE", -3, {}), ("EMPTY", 5, {"quantity": 0}),
        ("BACK", 4, {"withdrawn": True}), ("SHUT", 2, {"closed_at": timezone.now()}),
    ):  # fmt: skip
        Lot.objects.create(
            material=sheet, number=number, expires_on=today + dt.timedelta(days=days),
            **({"quantity": 10} | extra),
        )  # fmt: skip
    assert [s.lot.number for s in dated(stock())] == ["GONE", "SOON"]
    page = signed_in("technician").get(reverse("stock")).content.decode()
    assert page.index("By their date") < page.index("lot GONE") < page.index("lot SOON")
