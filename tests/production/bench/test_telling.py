"""What is told and kept: failures to the desk, what was typed, the end of work by hand."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image

from clinic.models import OpeningHours
from production.actions import agree_promise
from production.actions.bench.move import fail, finish, start
from production.actions.errors import Refused
from production.models import Appliance, Photo, Promise, StageEvent
from production.scheduling import reweighing
from production.selectors.bench.board import runs_now
from production.selectors.desk.today import today
from tests.production.bench.test_whole_way import walk

MINUTE = dt.timedelta(minutes=1)


def said(response) -> str:
    return " ".join(str(m) for m in response.context["messages"])


@pytest.fixture
def always_open(office) -> None:
    OpeningHours.objects.all().delete()
    for weekday in range(1, 8):
        OpeningHours.objects.create(weekday=weekday, opens="00:00", closes="23:59")


@pytest.fixture
def two(bench, patient) -> list[Appliance]:
    """Two orders' appliances, one promised far ahead, one for a time that cannot be kept."""
    rows = [bench.appliance(patient) for _ in range(2)]
    for row, minutes in zip(rows, (9000, 20), strict=True):
        due = timezone.now() + minutes * MINUTE
        agree_promise(bench.desk, row.order, due, key=f"p-{row.code}")
        walk(bench, row, until="wash")
    return rows


class TestAFailedLoad:
    def test_every_promise_of_it_is_weighed_at_once(self, bench, two, signed_in, always_open):
        for row in two:
            row.refresh_from_db()
        page = f"/load/{self.basket(bench, two).code}/failed/"
        form = {"cause": "wash-sticky", "code": [r.code for r in two], "key": "x", "restart": ""}
        client = signed_in("technician")
        words = said(client.post(page, form, follow=True))
        far, near = two
        assert "2 of" in words
        assert "all that was in it" in words
        assert f"{far.code}: the promise of" in words
        assert f"{near.code}: promised" in words
        assert "front desk" in words
        again = said(client.post(page, form, follow=True))  # a flaky tablet sends it twice
        assert f"{near.code}: promised" in again
        assert StageEvent.objects.filter(action="fail").count() == 2

    def test_nobody_waits_for_quotes_and_nothing_is_called_safe_for_that(
        self, bench, two, signed_in, always_open, monkeypatch
    ):
        monkeypatch.setattr(reweighing, "PATIENCE", 0.0)
        load = self.basket(bench, two)
        form = {"cause": "wash-sticky", "code": [r.code for r in two], "key": "x"}
        answer = signed_in("technician").post(f"/load/{load.code}/failed/", form, follow=True)
        assert f"{two[1].code}: promised" in said(answer)
        assert "as it is." in said(answer)

    def test_where_work_restarts_can_be_chosen(self, bench, two, signed_in):
        load = self.basket(bench, two)
        form = {"cause": "wash-sticky", "code": two[0].code, "key": "x", "restart": "prepare"}
        answer = signed_in("technician").post(f"/load/{load.code}/failed/", form, follow=True)
        assert "what is left of it runs on" in said(answer)
        two[0].refresh_from_db()
        assert two[0].stage.code == "prepare"

    def basket(self, bench, rows):
        from production.actions.bench.move import create_load, start_load

        load = create_load(bench.technician, bench.stages["wash"], appliances=rows)
        return start_load(bench.technician, load, machine=bench.machines["wash"], key="basket")


class TestTheDesk:
    def test_a_failure_is_passed_on_until_a_time_is_agreed_on(self, bench, two, office):
        [_, near] = two
        fail(bench.technician, near, cause=bench.cause("wash-sticky"), key="f")

        def told() -> list[tuple[str, bool]]:
            news = today(office.today(), office).news
            return [(n.words, n.untimed) for n in news if "failed at wash" in n.title]

        [(words, late)] = told()
        assert "weighed again" in words
        assert not late
        standing = Promise.objects.filter(order=near.order)
        later = timezone.now() + 3 * MINUTE
        standing.update(p_late=0.01, assessed_at=later)
        assert "can still be kept" in told()[0][0]
        standing.update(p_late=0.9, expected_at=later)
        [(words, late)] = told()
        assert "at risk, likely ready" in words
        assert late  # a button to agree on another time
        agree_promise(bench.desk, near.order, timezone.now() + 900 * MINUTE, key="new")
        assert told() == []

    def test_the_number_of_queries_does_not_grow_with_failures(self, bench, two, office):
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        counts = []
        for row in two:
            fail(bench.technician, row, cause=bench.cause("wash-sticky"), key=f"f-{row.code}")
            with CaptureQueriesContext(
                connection,
            ) as asked:
                today(office.today(), office)
            counts.append(len(asked))
        assert counts[0] == counts[1]


class TestWhatWasTyped:
    def picture(self, name: str) -> SimpleUploadedFile:
        data = io.BytesIO()
        Image.new("RGB", (30, 20), "red").save(data, "JPEG")
        return SimpleUploadedFile(name, data.getvalue(), "image/jpeg")

    def test_a_refused_photo_loses_neither_the_words_nor_the_good_photo(
        self, bench, patient, signed_in
    ):
        row = bench.appliance(patient)
        walk(bench, row, until="trim")
        client, page = signed_in("technician"), f"/appliance/{row.code}/failed/"
        bad = SimpleUploadedFile("b.jpg", b"no picture", "image/jpeg")
        form = {"cause": "trim-short", "restart": "print", "note": "left <side>", "key": "x"}
        photos = {"photo": [self.picture("a.jpg"), bad]}
        answer = client.post(page, form | photos, follow=True)
        text = answer.content.decode()
        assert "b.jpg: that file is not a photo" in text
        assert not row.events.filter(action="fail").exists()
        assert 'value="trim-short" required checked' in text
        assert 'value="print" checked' in text
        assert 'value="left &lt;side&gt;"' in text
        [kept] = answer.context["kept"]
        client.post(page, form | {"kept": [kept, "999:forged"]})
        assert Photo.objects.get().event.appliance == row

    def test_a_load_keeps_which_of_it_was_chosen(self, bench, two, signed_in):
        load = TestAFailedLoad().basket(bench, two)
        answer = signed_in("technician").post(
            f"/load/{load.code}/failed/",
            {"code": two[1].code, "note": "sticky", "key": "x"},
            follow=True,
        )
        text = answer.content.decode()
        assert f'value="{two[1].code}" checked' in text
        assert f'value="{two[0].code}" checked' not in text
        assert 'value="sticky"' in text

    def test_an_error_at_the_hand_over_keeps_it_unless_the_bag_was_another(
        self, bench, patient, signed_in
    ):
        row = bench.appliance(patient)
        walk(bench, row)
        client, page = signed_in("front_desk"), f"/appliance/{row.code}/handover/"
        form = {"identity": "yes", "birth": "yes", "try_in": "no_seat", "note": "rocks", "key": "h"}
        # Why it does not seat is missing.
        text = client.post(page, form | {"bag": row.code}, follow=True).content.decode()
        assert "read from the bag" in text
        assert 'value="no_seat" checked' in text
        assert 'value="rocks"' in text
        assert 'name="identity" value="yes" required checked' in text
        answer = client.post(page, form | {"bag": "K7M2Q9X", "cause": "fit-tight"}, follow=True)
        text = answer.content.decode()
        assert "another patient" in text
        assert 'name="identity" value="yes" required checked' not in text
        assert "read from the bag" not in text
        row.refresh_from_db()
        assert row.status == "ready"

    def test_trouble_leads_to_making_it_again_for_the_same_cause(self, bench, patient, signed_in):
        row = bench.appliance(patient)
        walk(bench, row)
        bench.hand_over(row)
        client = signed_in("doctor")
        page = client.get(f"/appliance/{row.code}/again/?cause=fit-loose").content.decode()
        assert 'value="fit-loose" required checked' in page
        page = f"/appliance/{row.code}/again/"
        form = {"note": "wide", "restart": "form", "key": "a"}
        text = client.post(page, form, follow=True).content.decode()
        assert 'value="wide"' in text
        assert 'value="form" selected' in text
        assert 'value="wide"' not in client.get(page).content.decode()  # held for one page

    def test_a_note_outlives_another_hands_move(self, bench, patient, signed_in):
        row = bench.appliance(patient)
        form = {"action": "hold", "note": "asks the doctor", "key": "h", "seen": row.seq}
        start(bench.doctor, row, key="other hand")
        page = signed_in("technician").post(f"/appliance/{row.code}/do/", form, follow=True)
        assert "was moved by" in said(page)
        assert 'value="asks the doctor"' in page.content.decode()


class TestWorkByHand:
    @pytest.fixture
    def soaking(self, bench, patient) -> Appliance:
        material = bench.lots["disinfectant"].material
        material.contact_minutes = 5
        material.save()
        row = bench.appliance(patient)
        walk(bench, row, until="finish")
        start(bench.technician, row, lots=[bench.lots["disinfectant"]], key="soak")
        return row

    def test_the_contact_time_has_its_alarm_on_every_page(self, bench, soaking, signed_in):
        began = soaking.events.get(key="soak").at
        [run] = runs_now()
        assert (run.expected_end, run.told) == (began + 5 * MINUTE, True)
        client = signed_in("technician")
        alarm = f'data-alarm="{soaking.code}-{int(run.expected_end.timestamp())}"'
        for page in ("/bench/", f"/appliance/{soaking.code}/", "/bench/ends/"):
            assert alarm in client.get(page).content.decode(), page
        page = client.get(f"/appliance/{soaking.code}/").content.decode()
        assert "must act until" in page
        with pytest.raises(Refused, match="5 min; 5 min are left"):
            finish(bench.technician, soaking, ticks=bench.ticks("finish"), key="f")

    def test_work_that_nothing_has_to_act_in_has_none(self, bench, patient, signed_in):
        row = bench.appliance(patient)
        walk(bench, row, until="trim")
        start(bench.technician, row, key="t")
        [run] = runs_now()
        assert not run.told
        assert row.code not in signed_in("technician").get("/bench/ends/").content.decode()
