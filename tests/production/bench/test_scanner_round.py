"""A technician's round of five appliances with the scanner alone, through the pages."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.utils import timezone

from clinic.models import Patient
from production.actions.bench import move
from production.bench.commands import COMMANDS
from production.bench.history import disagreements
from production.models import Appliance, Load, LotUse, Machine, StageEvent
from tests.production.bench.test_whole_way import walk


class Scanner:
    """A hand with a scanner: reads a page, scans, follows where it leads. No key is pressed."""

    def __init__(self, client) -> None:
        self.client = client
        self.page = client.get("/bench/")
        self.scans = 0

    def _field(self, name: str) -> str:
        found = re.search(rf'name="{name}" value="([^"]*)"', self.text)
        assert found, name
        return found[1]

    @property
    def text(self) -> str:
        return self.page.content.decode()

    def scan(self, text: str) -> Scanner:
        form = self.text.split('id="scan-form"')[1].split("</form>")[0]
        data = {
            "text": text,
            "context": re.search(r'name="context" value="([^"]*)"', form)[1],
            "key": re.search(r'name="key" value="([^"]*)"', form)[1],
        }
        if shown := re.search(r'name="shown" value="([^"]*)"', form):
            data["shown"] = shown[1]
        self.page = self.client.post("/bench/scan/", data, follow=True)
        assert self.page.status_code == 200
        self.scans += 1
        return self

    def said(self) -> list[str]:
        return [str(m) for m in self.page.context["messages"]]

    @property
    def at(self) -> str:
        return self.page.request["PATH_INFO"]


@pytest.fixture
def let_pass(monkeypatch):
    """Let minutes pass on the clock."""
    real, passed = timezone.now, [dt.timedelta()]

    def on(minutes: float) -> None:
        passed[0] += dt.timedelta(minutes=minutes)

    monkeypatch.setattr(timezone, "now", lambda: real() + passed[0])
    return on


@pytest.fixture
def five(bench):
    """Five appliances of three patients, prepared but not printed."""
    rows: list[Appliance] = []
    for number, arches in enumerate([("upper", "lower"), ("upper", "lower"), ("lower",)]):
        patient = Patient.objects.create(
            chart_number=f"R-{number}",
            given_name="Nia",
            family_name=f"Round{number}",
            date_of_birth=dt.date(2010, 1, 1 + number),
        )
        rows += bench.order(patient, arches).appliances.all()
    return rows


def test_five_appliances_from_model_to_bag_with_the_scanner_only(bench, five, signed_in, let_pass):
    hand = Scanner(signed_in("technician"))
    lot = {kind: lot.code for kind, lot in bench.lots.items()}
    for appliance in five:  # prepare, one by one
        hand.scan(appliance.code).scan("DO-START").scan("DO-TICK-ALL").scan("DO-FINISH")
    # Print: the idle printer opens a plate, the plan fills it, the resin's lot starts it.
    hand.scan("DO-BENCH").scan("M-PRINT").scan("DO-FILL")
    assert Load.objects.get(status="filling").items.count() == 5
    hand.scan("DO-TICK-ALL").scan(lot["resin"])
    plate = Load.objects.get(status="running")
    assert hand.at == f"/load/{plate.code}/"
    assert plate.program.name == "Models 0.1"
    hand.scan("DO-BENCH").scan("M-PRINT").scan("DO-FINISH").scan("ENDED-FULL")
    # Wash: a basket by hand-picked codes.
    hand.scan("M-WASH")
    for appliance in five:
        hand.scan(appliance.code)
    hand.scan("M-WASH").scan("DO-TICK").scan("DO-TICK").scan("DO-TICK")
    let_pass(12)
    hand.scan("DO-OK")
    # Cure: the tray takes four; the fifth follows alone.
    hand.scan("M-CURE").scan("DO-FILL").scan("M-CURE").scan("DO-TICK-ALL")
    let_pass(15)
    hand.scan("DO-OK")
    left = Appliance.objects.get(stage__code="cure")
    hand.scan(left.code).scan("M-CURE").scan("DO-TICK-ALL")
    let_pass(15)
    hand.scan("DO-FINISH")
    for appliance in five:  # block-out: one skipped, the others done
        hand.scan(appliance.code)
        if appliance == five[0]:
            hand.scan("DO-SKIP")
        else:
            hand.scan(lot["block_out"]).scan("DO-TICK-ALL").scan("DO-FINISH")
            assert hand.said() == [f"{appliance.code}: Block-out finished."]
    for appliance in five:  # form, trim, finish
        hand.scan(appliance.code).scan(lot["sheet"]).scan("M-FORM")
        hand.scan("DO-TICK-ALL")
        let_pass(5)
        hand.scan("DO-OK")
        hand.scan("DO-OK").scan("DO-TICK-ALL").scan("DO-OK")
        hand.scan(lot["disinfectant"]).scan("DO-TICK-ALL").scan("DO-OK")
    for appliance in five:
        appliance.refresh_from_db()
        assert (appliance.code, appliance.status) == (appliance.code, "ready")
    assert list(disagreements()) == []
    assert LotUse.objects.filter(lot=bench.lots["sheet"]).count() == 5
    assert StageEvent.objects.filter(action="skip").count() == 1


@pytest.mark.parametrize("code", ["DO-OK", "DO-LOAD"])
def test_what_came_off_a_plate_goes_on_by_the_next_scan(bench, five, signed_in, code):
    for row in five:
        walk(bench, row, until="print")
    plate = bench.plate(five)
    move.finish_load(bench.technician, plate, ticks=bench.ticks("print"), key="f")
    hand = Scanner(signed_in("technician"))
    hand.scan(plate.code).scan(code)
    basket = Load.objects.get(status="filling")
    assert (hand.at, basket.stage.code) == (f"/load/{basket.code}/", "wash")
    assert basket.items.count() == 5
    # They are in a basket now, so the plate leads nowhere but back.
    hand.scan(plate.code).scan(code)
    assert hand.at == ("/bench/" if code == "DO-OK" else f"/load/{plate.code}/")
    assert Load.objects.filter(status="filling").count() == 1


def test_a_round_does_not_ask_more_queries_with_more_on_the_bench(
    bench, five, patient, signed_in, django_assert_max_num_queries
):
    client = signed_in("technician")
    pages = ["/bench/", "/bench/live/", "/bench/timers/", f"/appliance/{five[0].code}/"]
    counts = []
    for page in pages:
        with django_assert_max_num_queries(40) as queries:
            assert client.get(page).status_code == 200
        counts.append(len(queries))
    for _ in range(4):
        bench.order(patient, ("upper", "lower"))
    for page, count in zip(pages, counts, strict=True):
        with django_assert_max_num_queries(count):
            assert client.get(page).status_code == 200


def test_wrong_material_is_stopped_with_the_reason(bench, five, signed_in):
    hand = Scanner(signed_in("technician"))
    for appliance in five[:1]:
        hand.scan(appliance.code).scan("DO-START").scan("DO-TICK-ALL").scan("DO-FINISH")
    hand.scan(bench.lots["sheet"].code)
    assert any("takes a lot of model resin" in words for words in hand.said())
    hand.scan("M-PRINT")
    assert any("Scan the lot of the model resin" in words for words in hand.said())
    five[0].refresh_from_db()
    assert five[0].status == "waiting"


def test_a_required_tick_blocks_the_finish_and_says_which(bench, five, signed_in):
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-START").scan("DO-TICK").scan("DO-FINISH")
    assert any("Still to check: Cut height" in words for words in hand.said())
    hand.scan("DO-TICK").scan("DO-FINISH")
    five[0].refresh_from_db()
    assert five[0].stage.code == "print"


def test_a_forgotten_start_is_asked_about_and_marked_uncertain(bench, five, signed_in):
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-FINISH")
    assert any("Nobody marked when prepare started" in words for words in hand.said())
    assert "Nobody knows" in hand.text
    hand.scan("DO-TICK-ALL").scan("SINCE-5")  # it came here just now
    assert any("before its last step" in words for words in hand.said())
    hand.scan("SINCE-UNKNOWN")
    event = five[0].events.get(action="finish", stage__code="prepare")
    assert event.time_certain is False
    assert not five[0].events.filter(action="start").exists()


def test_undo_by_scanner_leaves_both_on_record(bench, five, signed_in):
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-START")
    five[0].refresh_from_db()
    assert five[0].status == "running"
    hand.scan("DO-UNDO")
    five[0].refresh_from_db()
    assert five[0].status == "waiting"
    assert [e.action for e in five[0].events.order_by("seq")][-2:] == ["start", "undo"]


@pytest.mark.parametrize("command", [c.code for c in COMMANDS])
def test_every_command_answers_on_an_empty_bench(bench, signed_in, command):
    hand = Scanner(signed_in("technician"))
    hand.scan(command)
    assert hand.at == "/bench/"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("K7M2Q9X", "check character"),
        ("hello", "goes by"),
        ("L-99999", "no lot"),
        ("WHY-nothing", "no cause"),
        ("(01)09521234543213(10)X", "No material"),
        ("]d20109521234543214", "check digit"),
    ],
)
def test_an_unknown_code_says_what_is_wrong(bench, signed_in, text, words):
    hand = Scanner(signed_in("technician"))
    hand.scan(text)
    assert words in " ".join(hand.said())


def test_a_gs1_code_picks_its_lot(bench, five, signed_in):
    lot = bench.lots["resin"]
    lot.material.gtin = "9521234543213"
    lot.material.save()
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-START").scan("DO-TICK-ALL").scan("DO-FINISH")
    hand.scan(f"(01)09521234543213(10){lot.number}")
    assert any("fits. Now scan the printer" in words for words in hand.said())
    hand.scan("M-PRINT")
    five[0].refresh_from_db()
    assert five[0].status == "running"
    assert LotUse.objects.get(appliance=five[0]).amount == 9.5


def test_the_front_desk_may_look_but_not_move(bench, five, signed_in):
    hand = Scanner(signed_in("front_desk"))
    hand.scan(five[0].code)
    assert hand.at == f"/appliance/{five[0].code}/"
    hand.scan("DO-START")
    five[0].refresh_from_db()
    assert five[0].status == "waiting"


def test_a_forgotten_finish_is_asked_about(bench, five, signed_in, monkeypatch):
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-START").scan("DO-TICK-ALL")
    began = five[0].events.get(action="start").at
    later = began + dt.timedelta(hours=3)
    monkeypatch.setattr(timezone, "now", lambda: later)
    hand.scan("DO-FINISH")
    assert any("was to end at" in words for words in hand.said())
    assert "Nobody knows" in hand.text
    hand.scan("ENDED-THEN")
    event = five[0].events.get(action="finish", stage__code="prepare")
    assert (event.at - began, event.time_certain) == (dt.timedelta(minutes=6), False)
    assert event.recorded_at == later


def move_to_wash(bench, appliance: Appliance) -> None:
    ticks, who = bench.ticks("prepare"), bench.technician
    move.finish(who, appliance, key="prepared", start_unknown=True, ticks=ticks)
    run = bench.plate([appliance])
    move.finish_load(who, run, key="printed", ticks=bench.ticks("print"))


def test_a_wash_that_cannot_have_had_its_time_is_asked_about(bench, five, signed_in, let_pass):
    hand = Scanner(signed_in("technician"))
    move_to_wash(bench, five[0])
    hand.scan(five[0].code).scan("M-WASH").scan("DO-TICK-ALL")
    run = Load.objects.get(status="running")
    let_pass(run.program.minutes / 2)
    hand.scan("DO-FINISH")
    assert any("Did it run its full time?" in words for words in hand.said())
    assert "Has it had its full time?" in hand.text
    assert Load.objects.get(status="running") == run
    hand.scan("ENDED-FULL")
    event = five[0].events.get(action="finish", stage__code="wash")
    assert event.time_certain is False
    assert "full time" in event.note


def test_a_print_that_cannot_be_complete_is_asked_about(bench, five, signed_in, let_pass):
    hand = Scanner(signed_in("technician"))
    ticks, who = bench.ticks("prepare"), bench.technician
    move.finish(who, five[0], key="prepared", start_unknown=True, ticks=ticks)
    run = bench.plate([five[0]])
    assert run.expected_end is not None
    assert run.started_at is not None
    planned = (run.expected_end - run.started_at).total_seconds() / 60
    let_pass(0.3 * planned)
    hand.scan("M-PRINT").scan("DO-TICK-ALL").scan("DO-FINISH")
    assert any("Is the print complete?" in words for words in hand.said())
    assert "it is complete: finish" in hand.text
    let_pass(0.6 * planned)  # an estimate may be that far off
    hand.scan("DO-FINISH")
    event = five[0].events.get(action="finish", stage__code="print")
    assert (event.time_certain, event.note) == (True, "")


def test_a_wash_after_its_time_is_not_asked_about(bench, five, signed_in, let_pass):
    hand = Scanner(signed_in("technician"))
    move_to_wash(bench, five[0])
    hand.scan(five[0].code).scan("M-WASH").scan("DO-TICK-ALL")
    let_pass(0.9 * Load.objects.get(status="running").program.minutes)  # its start marked late
    hand.scan("DO-FINISH")
    assert five[0].events.get(action="finish", stage__code="wash").time_certain is True


def test_a_code_is_not_taken_for_a_step_that_is_not_on_the_screen(bench, five, signed_in):
    wall, table = Scanner(signed_in("technician")), Scanner(signed_in("technician"))
    wall.scan(five[0].code).scan("DO-START")
    table.scan(five[0].code)
    wall.scan("DO-TICK-ALL").scan("DO-OK")  # prepared: the print is next
    table.scan("DO-OK")  # meant: finish the preparation, as its screen still shows
    assert any("was moved by" in words for words in table.said())
    assert five[0].events.order_by("seq").last().action == "finish"
    assert "Next: Print" in table.text


def test_a_repeated_scan_has_the_effect_of_one_and_says_so(bench, five, signed_in):
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code)
    shown = hand.page
    first = hand.scan("DO-START").said()
    hand.page = shown
    assert hand.scan("DO-START").said() == first
    assert five[0].events.filter(action="start").count() == 1


def test_a_card_that_changed_is_looked_at_before_it_is_ticked(bench, five, signed_in):
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-START")
    card = five[0].events.get(action="start").stage.cards.first()
    card.pk, card.version = None, card.version + 1
    card.save()
    hand.scan("DO-TICK-ALL")
    assert any("has changed since" in words for words in hand.said())
    hand.scan("DO-TICK-ALL").scan("DO-FINISH")
    assert five[0].events.get(action="finish", card=card)


def test_the_next_step_is_the_one_the_page_offers_and_the_only_machine_needs_no_code(
    bench, five, signed_in
):
    hand = Scanner(signed_in("technician"))
    first, second = five[:2]
    for appliance in (first, second):
        hand.scan(appliance.code).scan("DO-START").scan("DO-TICK-ALL").scan("DO-FINISH")
    hand.scan(first.code).scan("DO-OK")  # what prints together: a plate is begun with it
    plate = Load.objects.get(status="filling")
    assert hand.at == f"/load/{plate.code}/"
    hand.scan("DO-BENCH").scan(second.code).scan(second.code).scan("DO-OK")
    assert set(plate.appliances.all()) == {first, second}
    hand.scan(bench.lots["resin"].code)
    assert "Now scan the printer" in hand.said()[0]  # a lot starts nothing by itself
    hand.scan("DO-OK")  # there is one printer
    plate.refresh_from_db()
    assert (plate.status, plate.machine) == ("running", bench.machines["printer"])


def test_one_of_several_machines_is_never_taken_for_granted(bench, five, signed_in):
    Machine.objects.create(code="M-PR2", name="Second printer", kind="printer", capacity=8)
    hand = Scanner(signed_in("technician"))
    hand.scan(five[0].code).scan("DO-START").scan("DO-TICK-ALL").scan("DO-FINISH")
    hand.scan(five[0].code).scan(bench.lots["resin"].code).scan("DO-START")
    assert "Choose the printer" in hand.said()[0]
    assert not Load.objects.filter(status="running").exists()
