"""The bench's pages: who sees them, what their forms do, what they say."""

from __future__ import annotations

import datetime as dt
import io
import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image

from clinic.models import Patient
from production.actions import agree_promise
from production.actions.bench.move import finish_load, skip, start
from production.models import (
    Appliance,
    Downtime,
    Load,
    Lot,
    Machine,
    Photo,
    RemakeCause,
    StageEvent,
)
from tests.production.bench.test_whole_way import walk

ROLES = ("front_desk", "technician", "doctor", "manager")


def said(response) -> str:
    return " ".join(str(m) for m in response.context["messages"])


@pytest.fixture
def delivered(bench, ready) -> Appliance:
    bench.hand_over(ready)
    return ready


@pytest.fixture
def plate(bench, patient) -> Load:
    rows = list(bench.order(patient, ("upper", "lower")).appliances.all())
    for row in rows:
        walk(bench, row, until="print")
    return bench.plate(rows)


def test_every_page_opens_for_its_roles_and_holds_nothing_inline(
    bench, delivered, plate, signed_in
):
    code = delivered.code
    member = plate.appliances.first().code
    everyone = {"/bench/", "/bench/codes/", f"/appliance/{code}/", f"/load/{plate.code}/"}
    everyone |= {f"/appliance/{code}/again/", f"/appliance/{code}/handover/"}
    lab = {f"/appliance/{member}/failed/", f"/load/{plate.code}/failed/"}
    for role in ROLES:
        client = signed_in(role)
        for page in everyone | lab:
            response = client.get(page)
            wanted = 403 if role == "front_desk" and page in lab else 200
            assert response.status_code == wanted, (role, page)
            text = response.content.decode()
            assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*src=)", text), page


def test_signed_out_nothing_is_shown(client, bench, delivered):
    for page in ("/bench/", f"/appliance/{delivered.code}/", "/bench/live/"):
        assert client.get(page).status_code == 302


def test_an_unknown_code_is_not_found(bench, signed_in):
    assert signed_in("technician").get("/appliance/K7M2Q9X/").status_code == 404
    assert signed_in("technician").get("/load/B-NONE/").status_code == 404


def test_the_bench_orders_by_the_promise_until_there_is_a_plan(bench, signed_in):
    codes = {}
    for name, hours in (("Late", 5), ("Soon", 1), ("None", 0)):
        person = Patient.objects.create(
            chart_number=name, given_name="A", family_name=name, date_of_birth=dt.date(2010, 1, 1)
        )
        order = bench.order(person)
        if hours:
            due = timezone.now() + dt.timedelta(hours=hours)
            agree_promise(bench.desk, order, due, key=name)
        codes[name] = order.appliances.get().code
    text = signed_in("technician").get("/bench/").content.decode()
    places = [text.index(codes[name]) for name in ("Soon", "Late", "None")]
    assert places == sorted(places)
    assert "No plan yet" in text


def test_no_name_of_a_patient_hangs_on_the_wall(bench, patient, signed_in):
    bench.appliance(patient)
    text = signed_in("technician").get("/bench/").content.decode()
    assert patient.family_name not in text


def test_the_sheet_names_what_a_cause_belongs_to_once(bench, signed_in):
    sheet = signed_in("technician").get("/bench/codes/").content.decode()
    assert "Model: Broke when taken off" in sheet
    assert "Model out of tolerance" in sheet
    assert "Model: Model" not in sheet


def test_a_page_that_is_unchanged_is_left_alone(bench, patient, signed_in):
    client = signed_in("technician")
    appliance = bench.appliance(patient)
    for page, live in [
        ("/bench/", "/bench/live/"),
        (f"/appliance/{appliance.code}/", f"/appliance/{appliance.code}/live/"),
    ]:
        version = client.get(page).context["version"]
        assert client.get(f"{live}?seen={version}").status_code == 204
    start(bench.doctor, appliance, key="other hand")
    answer = client.get(f"/appliance/{appliance.code}/live/?seen={version}")
    assert "Something has changed here" in answer.content.decode()


def test_an_old_page_is_told_who_was_faster(bench, patient, signed_in):
    appliance = bench.appliance(patient)
    seen = appliance.seq
    start(bench.doctor, appliance, key="other hand")
    answer = signed_in("technician").post(
        f"/appliance/{appliance.code}/do/",
        {"action": "start", "seen": seen, "key": "mine"},
        follow=True,
    )
    assert "was moved by Doctor at" in said(answer)
    assert appliance.events.filter(action="start").count() == 1


def test_a_form_sent_twice_has_one_effect(bench, patient, signed_in):
    appliance = bench.appliance(patient)
    form = {"action": "start", "seen": appliance.seq, "key": "once"}
    for _ in range(2):
        signed_in("technician").post(f"/appliance/{appliance.code}/do/", form)
    assert appliance.events.filter(action="start").count() == 1


def test_a_tick_survives_a_reload_and_blocks_nothing_else(bench, patient, signed_in):
    client = signed_in("technician")
    appliance = bench.appliance(patient)
    start(bench.technician, appliance, key="s")
    form = {"item": "prepare-1", "ticks": "prepare-1"}
    tick = f"/bench/tick/appliance:{appliance.code}/"
    assert client.post(tick, form).status_code == 204
    page = client.get(f"/appliance/{appliance.code}/")
    assert [line["ticked"] for line in page.context["subject"].lines] == [True, False]
    assert client.post(tick, {"item": "prepare-1"}).status_code == 204
    page = client.get(f"/appliance/{appliance.code}/")
    assert not any(line["ticked"] for line in page.context["subject"].lines)
    assert client.post(tick, {"item": "other"}).status_code == 404


def test_the_undo_button_takes_back_the_own_last_move(bench, patient, signed_in):
    client = signed_in("technician")
    appliance = bench.appliance(patient)
    client.post(f"/appliance/{appliance.code}/do/", {"action": "start", "key": "s"})
    assert "Undo" in client.get("/bench/timers/").content.decode()
    assert "Undo" not in signed_in("doctor").get("/bench/timers/").content.decode()
    answer = client.post("/bench/undo/", {"key": "u", "next": "https://elsewhere/"}, follow=True)
    assert answer.request["PATH_INFO"] == "/bench/"
    assert "Both stay on record" in said(answer)


@pytest.mark.parametrize(
    ("depth", "regions", "shown", "goes_on"),
    [
        (0.25, ["lower left, tongue side, 14 mm³"], "Filled in the model already", True),
        (0.25, [], "needs no block-out", True),
        (None, ["lower left, tongue side, 14 mm³"], "By hand, these places", False),
    ],
)
def test_block_out_says_what_the_model_leaves_to_do(
    bench, patient, signed_in, depth, regions, shown, goes_on
):
    appliance = bench.appliance(patient)
    report = {"depth_mm": depth, "regions": [{"words": words} for words in regions]}
    appliance.model.report = {**appliance.model.report, "block_out": report}
    appliance.model.save(update_fields=["report"])
    walk(bench, appliance, until="block-out")
    client = signed_in("technician")
    page = client.get(f"/appliance/{appliance.code}/").content.decode()
    assert shown in page
    assert all(words in page for words in regions)
    assert ("go on<" in page.lower()) == goes_on
    if goes_on:
        form = {"action": "skip", "key": "b", "note": re.search(r'"note" value="([^"]+)"', page)[1]}
        client.post(f"/appliance/{appliance.code}/do/", form)
        appliance.refresh_from_db()
        assert appliance.stage.code == "form"


class TestLoadPages:
    def test_a_plate_from_the_bench_to_the_wash(self, bench, patient, signed_in):
        client = signed_in("technician")
        rows = list(bench.order(patient, ("upper", "lower")).appliances.all())
        for row in rows:
            walk(bench, row, until="print")
        page = client.post("/bench/load/", {"stage": "print"}, follow=True)
        load = Load.objects.get(status="filling")
        assert load.items.count() == 2
        out = {"action": "remove", "code": rows[0].code}
        client.post(f"/load/{load.code}/do/", out)
        assert load.items.count() == 1
        client.post(f"/load/{load.code}/do/", {"action": "add", "code": rows[0].code})
        form = {
            "action": "start",
            "key": page.context["key"],
            "lot": bench.lots["resin"].pk,
            "machine": bench.machines["printer"].pk,
        }
        assert "started" in said(client.post(f"/load/{load.code}/do/", form, follow=True))
        card = bench.stages["print"].cards.get()
        form = {"action": "finish", "key": "f", "card": card.pk, "ticks_shown": 1, "ended": "full"}
        assert "Still to check" in said(client.post(f"/load/{load.code}/do/", form, follow=True))
        form["ticks"] = bench.ticks("print")
        client.post(f"/load/{load.code}/do/", form)
        assert {a.stage.code for a in load.appliances.all()} == {"wash"}

    def test_what_came_off_a_plate_goes_on_together(self, bench, patient, signed_in):
        rows = list(bench.order(patient, ("upper", "lower")).appliances.all())
        for row in rows:
            walk(bench, row, until="print")
        plate = bench.plate(rows)
        finish_load(bench.technician, plate, ticks=bench.ticks("print"), key="f")
        client = signed_in("technician")
        assert "with these 2: Wash" in client.get(f"/load/{plate.code}/").content.decode()
        page = client.post(f"/load/{plate.code}/do/", {"action": "onward"}, follow=True)
        basket = Load.objects.get(status="filling")
        assert page.redirect_chain[-1][0] == f"/load/{basket.code}/"
        assert basket.stage.code == "wash"
        assert {a.pk for a in basket.appliances.all()} == {row.pk for row in rows}
        # They are in a basket now: the plate offers nothing more, nor takes them out of it.
        assert "with these" not in client.get(f"/load/{plate.code}/").content.decode()
        client.post(f"/load/{plate.code}/do/", {"action": "onward"})
        assert Load.objects.get(status="filling").items.count() == 2

    def test_a_load_is_filled_up_to_what_the_largest_machine_takes(
        self, bench, patient, signed_in, django_assert_max_num_queries
    ):
        client = signed_in("technician")
        for _ in range(3):
            for row in bench.order(patient, ("upper", "lower")).appliances.all():
                walk(bench, row, until="print")
        other = bench.machines["printer"]
        other.capacity = 5
        other.save()
        Machine.objects.create(code="M-P2", name="Small printer", kind="printer", capacity=3)
        client.post("/bench/load/", {"stage": "print"})
        load = Load.objects.get(status="filling")
        assert load.items.count() == 5
        with django_assert_max_num_queries(60):
            page = client.get(f"/load/{load.code}/").content.decode()
        assert page.count('name="code"') == 6  # 5 to take out, 1 that waits
        form = {"action": "start", "key": "s", "lot": bench.lots["resin"].pk, "machine": other.pk}
        client.post(f"/load/{load.code}/do/", form)
        card = {"card": bench.stages["print"].cards.get().pk, "ticks": bench.ticks("print")}
        form = {"action": "finish", "ended": "full", "key": "f", "ticks_shown": 1}
        client.post(f"/load/{load.code}/do/", form | card)
        assert Appliance.objects.filter(stage__code="wash").count() == 5

    def test_its_timer_is_on_every_page_of_the_bench(self, bench, plate, signed_in):
        client = signed_in("technician")
        for page in ("/bench/", "/bench/codes/", f"/load/{plate.code}/"):
            text = client.get(page).content.decode()
            assert f'data-alarm="{plate.code}-' in text
            assert 'data-silent="no"' in text

    def test_a_run_past_its_time_is_not_said_to_run_until_then(self, bench, plate, signed_in):
        client, printer = signed_in("technician"), bench.machines["printer"]
        addresses = [f"/load/{plate.code}/", "/machines/", f"/machines/{printer.uuid}/"]
        for address in addresses:
            assert "was to end" not in client.get(address).content.decode()
        Load.objects.update(expected_end=timezone.now() - dt.timedelta(minutes=3))
        for address in addresses:
            assert "was to end" in client.get(address).content.decode()

    def test_a_silent_office_is_told_to_the_tablet(self, bench, office, plate, signed_in):
        office.silent = True
        office.save()
        assert 'data-silent="yes"' in signed_in("technician").get("/bench/").content.decode()

    def test_only_causes_that_a_plate_can_have_are_offered(self, bench, plate, signed_in):
        page = signed_in("technician").get(f"/load/{plate.code}/failed/").content.decode()
        offered = re.findall(r'name="cause" value="([^"]*)"', page)
        assert offered[0] == "print-failed"
        assert {"scan-hole", "model-accuracy"} <= set(offered)
        assert not {"form-thin", "trim-short", "fit-tight", "lost", "forming-fault"} & set(offered)

    def test_a_member_fails_with_its_cause(self, bench, plate, signed_in):
        member = plate.appliances.first()
        client = signed_in("technician")
        form = {"cause": "print-failed", "code": member.code, "key": "x", "note": "came loose"}
        client.post(f"/load/{plate.code}/failed/", form)
        member.refresh_from_db()
        assert (member.failures, member.status) == (1, "waiting")


class TestFailurePage:
    def photo(self) -> SimpleUploadedFile:
        image = Image.new("RGB", (3000, 1500), "red")
        exif = Image.Exif()
        exif[0x010F] = "a maker"
        exif[0x8825] = {1: "N"}
        data = io.BytesIO()
        image.save(data, "JPEG", exif=exif)
        return SimpleUploadedFile("patient-name.jpg", data.getvalue(), "image/jpeg")

    def test_cause_photo_and_restart_are_recorded(self, bench, patient, signed_in):
        appliance = bench.appliance(patient)
        walk(bench, appliance, until="trim")
        client = signed_in("technician")
        answer = client.post(
            f"/appliance/{appliance.code}/failed/",
            {
                "cause": "trim-short",
                "restart": "print",
                "photo": self.photo(),
                "key": "x",
                "seen": appliance.seq,
            },
            follow=True,
        )
        assert "starts again at Print" in said(answer)
        appliance.refresh_from_db()
        assert appliance.stage.code == "print"
        photo = Photo.objects.get()
        given = client.get(f"/photos/{photo.pk}/")
        kept = Image.open(io.BytesIO(b"".join(given.streaming_content)))
        assert kept.size == (2000, 1000)
        assert not dict(kept.getexif())

    @pytest.mark.parametrize(
        ("data", "words"), [(b"not a picture", "not a photo"), (b"", "not a photo")]
    )
    def test_what_is_no_photo_is_refused_and_nothing_recorded(
        self, bench, patient, signed_in, data, words
    ):
        appliance = bench.appliance(patient)
        file = SimpleUploadedFile("x.jpg", data or b"\xff\xd8\xff", "image/jpeg")
        answer = signed_in("technician").post(
            f"/appliance/{appliance.code}/failed/",
            {"cause": "print-failed", "photo": file, "key": "x"},
            follow=True,
        )
        assert words in said(answer)
        assert not appliance.events.filter(action="fail").exists()

    def test_the_person_hears_what_it_does_to_the_promise(self, bench, patient, signed_in):
        appliance = bench.appliance(patient)
        agree_promise(
            bench.desk, appliance.order, timezone.now() + dt.timedelta(minutes=30), key="p"
        )
        answer = signed_in("technician").post(
            f"/appliance/{appliance.code}/failed/",
            {"cause": "model-accuracy", "key": "x"},
            follow=True,
        )
        assert "romise" in said(answer)


class TestAgain:
    def test_a_lost_retainer_takes_two_clicks(self, bench, delivered, signed_in):
        client = signed_in("front_desk")
        page = client.get(f"/appliance/{delivered.code}/").content.decode()  # it offers the link
        assert f"/appliance/{delivered.code}/again/" in page
        client.get(f"/appliance/{delivered.code}/again/")  # first click
        answer = client.post(  # second click
            f"/appliance/{delivered.code}/again/",
            {"cause": "lost", "key": "a", "seen": delivered.seq},
            follow=True,
        )
        new = Appliance.objects.get(remake_of=delivered)
        assert answer.request["PATH_INFO"] == f"/appliance/{new.code}/"
        assert (new.order.purpose, new.stage.code) == ("replacement", "print")

    def test_trouble_with_the_fit_is_on_record(self, bench, delivered, signed_in):
        answer = signed_in("front_desk").post(
            f"/appliance/{delivered.code}/trouble/",
            {"cause": "fit-loose", "note": "upper left", "key": "t", "then": "again"},
            follow=True,
        )
        assert answer.request["PATH_INFO"] == f"/appliance/{delivered.code}/again/"
        event = StageEvent.objects.get(action="trouble")
        assert event.cause == RemakeCause.objects.get(code="fit-loose")


def test_both_events_of_an_undo_and_a_failed_attempt_are_shown(bench, patient, signed_in):
    client = signed_in("technician")
    appliance = bench.appliance(patient)
    client.post(f"/appliance/{appliance.code}/do/", {"action": "start", "key": "s"})
    client.post("/bench/undo/", {"key": "u"})
    text = client.get(f"/appliance/{appliance.code}/").content.decode()
    assert "taken back" in text
    assert text.count("started") >= 1


def test_a_load_whose_machine_broke_down_says_what_to_do(bench, plate, signed_in):
    client = signed_in("technician")
    assert "is out of service" not in client.get(f"/load/{plate.code}/").content.decode()
    failed = f"/load/{plate.code}/failed/"
    assert client.get(failed).context["wanted"] == []
    Downtime.objects.create(machine=plate.machine, reason="Screen cracked")
    page = client.get(f"/load/{plate.code}/").content.decode()
    assert "Screen cracked" in page
    assert "choose “Something failed”" in page
    # Its machine's page leads there, and all that was in it is taken to have failed.
    assert plate.code in client.get(f"/machines/{plate.machine.uuid}/").content.decode()
    assert set(client.get(failed).context["wanted"]) == {a.code for a in plate.appliances.all()}


def test_an_old_page_is_told_who_was_faster_also_where_the_next_stage_allows_less(
    bench, patient, signed_in
):
    """Block-out may be left out, what comes after it may not: that is not what went wrong."""
    appliance = bench.appliance(patient)
    walk(bench, appliance, until="block-out")
    seen = appliance.seq
    skip(bench.doctor, appliance, note="The model needs none", key="other hand")
    answer = signed_in("technician").post(
        f"/appliance/{appliance.code}/do/",
        {"action": "skip", "seen": seen, "key": "mine", "note": "The model needs none"},
        follow=True,
    )
    assert "was moved by Doctor at" in said(answer)


@pytest.mark.parametrize("state", ["good", "expired", "none"])
def test_where_no_lot_may_be_used_another_is_asked_for(bench, patient, signed_in, state):
    appliance = bench.appliance(patient)
    walk(bench, appliance, until="print")
    if state == "expired":
        Lot.objects.update(expires_on=dt.date(2020, 1, 31))
    elif state == "none":
        Lot.objects.update(closed_at=timezone.now())
    page = signed_in("technician").get(f"/appliance/{appliance.code}/").content.decode()
    assert ("/stock/new/" in page) is (state != "good")


def test_what_an_appliance_began_after_does_not_lie_ahead_of_it(bench, ready, signed_in):
    done = bench.hand_over(ready, try_in="no_seat", cause=bench.cause("fit-sore"))
    page = signed_in("technician").get(f"/appliance/{done.remake.code}/")
    states = {step.stage.code: step.state for step in page.context["steps"]}
    assert (states["form"], states["trim"], states["finish"]) == ("skipped", "here", "ahead")
    words = " ".join(page.content.decode().split())
    assert "<b>Form</b><small>as before</small>" in words
    assert "<b>Scan</b><small>on file</small>" in words
