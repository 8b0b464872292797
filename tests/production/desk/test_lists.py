"""Patients and visits from a list: what is read, what is left out and why, what is stored."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from clinic.lists.dates import Order, apart, order_of, read, read_time
from clinic.lists.sheet import ListError, decode, read_sheet
from clinic.models import AuditEntry, OpeningHours, Patient, Visit
from production.actions import open_order
from production.models import ApplianceKind

PATIENTS = reverse("from-list", args=["patients"])
VISITS = reverse("from-list", args=["visits"])
TODAY = dt.date(2026, 11, 25)
LIST = """\
Chart No.;Last name;First name;DOB;Mobile;Height
K-1;Ferro;Ada;17.04.2009;0151 5;160
K-2;O'Neil;"Ben; junior";03.05.2011;;171
"""


@pytest.fixture
def desk(office, signed_in, monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: dt.datetime(2026, 11, 25, 9, tzinfo=dt.UTC))
    return signed_in("front_desk")


class TestText:
    def test_quotation_marks_commas_and_line_breaks_as_rfc_4180_has_them(self):
        # RFC 4180, 2.5 to 2.7
        sheet = read_sheet('"aaa","b""bb","c\r\ncc"\r\nzzz,"y,y",xxx\r\n')
        assert sheet.header == ["aaa", 'b"bb', "c cc"]
        assert [(row.line, row.cells) for row in sheet.rows] == [(3, ["zzz", "y,y", "xxx"])]

    @pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
    def test_any_usual_mark_between_cells(self, mark):
        assert read_sheet(f"a{mark}b\n1{mark}2\n\n").rows[0].cells == ["1", "2"]

    @pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    def test_letters_of_files_in_the_usual_codes(self, code):
        assert decode("Zoë Müller".encode(code)) == "Zoë Müller"

    @pytest.mark.parametrize(
        ("data", "words"),
        [
            (b"PK\x03\x04rest", "save it as CSV"),
            (b"a,b\0c", "no list as text"),
            (b"", "empty"),
            (b"a,b\n", "one line only"),
            (b'a,b\n1,"2\n3,4\n', "quotation mark that is not closed"),
            (b"a\n" + b"1\n" * 20_001, "split it"),
        ],
    )
    def test_what_is_no_list_is_refused_with_what_to_do(self, data, words):
        with pytest.raises(ListError, match=words):
            read_sheet(decode(data))


class TestDates:
    def test_the_list_itself_shows_whether_the_day_or_the_month_comes_first(self):
        assert order_of(["03/04/2009", "17/04/2009"]) == Order.DAY
        assert order_of(["03/04/2009", "04/17/2009"]) == Order.MONTH
        assert order_of(["03/04/2009"]) == Order.OPEN
        assert order_of(["17/04/2009", "04/17/2009"]) == Order.MIXED
        assert order_of(["2009-04-17", "17 Apr 2009", ""]) is None

    @pytest.mark.parametrize(
        ("text", "order", "date"),
        [
            ("2009-04-17", None, dt.date(2009, 4, 17)),  # ISO 8601
            ("17 Apr 2009", None, dt.date(2009, 4, 17)),
            ("4/17/2009", Order.MONTH, dt.date(2009, 4, 17)),
            ("4/5/09", Order.MONTH, dt.date(2009, 4, 5)),
            ("4.5.98", Order.DAY, dt.date(1998, 5, 4)),
            ("4/5/2009", Order.OPEN, None),
            ("30.2.2009", Order.DAY, None),
        ],
    )
    def test_dates_of_birth(self, text, order, date):
        assert read(text, order, TODAY, born=True) == date

    @pytest.mark.parametrize(
        ("text", "time"),
        [
            ("9:40", dt.time(9, 40)),
            ("09.40", dt.time(9, 40)),
            ("12:05 AM", dt.time(0, 5)),
            ("2:30 p.m.", dt.time(14, 30)),
            ("2 pm", dt.time(14)),
            ("14:30:00", dt.time(14, 30)),
            ("25:00", None),
            ("13 pm", None),
            ("14", None),
        ],
    )
    def test_times_of_day(self, text, time):
        assert read_time(text) == time

    def test_a_cell_with_both_comes_apart(self):
        assert apart("2026-12-01T09:40:00") == ("2026-12-01", "09:40:00")
        assert apart("1.12.2026 9:40") == ("1.12.2026", "9:40")
        assert apart("12/1/2026, 2:30 PM") == ("12/1/2026", "2:30 PM")
        assert apart("17 Apr 2009") == ("17 Apr 2009", "")


class TestPatients:
    def test_reading_shows_and_stores_nothing_taking_in_stores_all(self, desk):
        page = desk.post(PATIENTS, {"file": SimpleUploadedFile("list.csv", LIST.encode())})
        told = page.content.decode()
        assert "Ferro, Ada" in told
        assert "17 Apr 2009" in told
        assert "Take in 2 patients" in told
        assert not Patient.objects.exists()
        assert desk.post(PATIENTS, {"text": LIST, "step": "take"}).status_code == 302
        ada = Patient.objects.get(chart_number="K-1")
        assert (ada.family_name, ada.phone) == ("Ferro", "0151 5")
        assert Patient.objects.get(chart_number="K-2").given_name == "Ben; junior"
        (entry,) = AuditEntry.objects.filter(action="list.taken_in")
        assert sorted(entry.detail["ids"]) == sorted(Patient.objects.values_list("pk", flat=True))

    def test_reading_it_a_second_time_adds_nothing_and_changes_nothing(self, desk):
        desk.post(PATIENTS, {"text": LIST, "step": "take"})
        again = LIST.replace("0151 5", "999").replace("Ferro", "FERRO")
        told = desk.post(PATIENTS, {"text": again, "step": "take"}).content.decode()
        assert "All of it is here already" in told
        assert Patient.objects.get(chart_number="K-1").phone == "0151 5"
        assert Patient.objects.count() == 2

    @pytest.mark.parametrize(
        ("row", "why"),
        [
            ("T-1001,Ferro,Ada,2009-04-17", "its chart number is that of"),
            ("K-9,{family},{given},{born}", "has the chart number T-1001"),
            ("K-1,Adler,Eva,2008-01-01", "has this chart number too"),
            (",Adler,Eva,2008-01-01", "no chart number"),
            ("K-9,Adler,,2008-01-01", "no given name"),
            ("K-9,Adler,Eva,", "no date of birth"),
            ("K-9,Adler,Eva,2008-02-30", "is no date of birth"),
            ("K-9,Adler,Eva,2031-01-01", "in the future"),
            ("K-9,Adler,Eva,1801-01-01", "years ago"),
            ("K-9,Adler, Eva,Maria,2008-01-01", "quotation marks"),
            ("K-9" * 20 + ",Adler,Eva,2008-01-01", "chart number: Ensure"),
        ],
    )
    def test_a_row_that_cannot_be_taken_is_left_out_with_its_line_and_reason(
        self, desk, patient, row, why
    ):
        row = row.format(
            family=patient.family_name, given=patient.given_name, born=patient.date_of_birth
        )
        text = f"id,last name,first name,birthday\nK-1,Ferro,Ada,2009-04-17\n{row}\n"
        told = desk.post(PATIENTS, {"text": text}).content.decode()
        assert why in told
        assert '<td data-head="Line">3</td>' in told
        assert "Take in 1 patient<" in told
        left = desk.post(PATIENTS, {"text": text, "step": "odd"})
        assert left["Content-Type"].startswith("text/csv")
        assert why in left.content.decode()

    def test_dates_that_could_be_either_way_round_are_asked_about(self, desk):
        text = 'id,name,dob\nK-1,"Ferro, Ada",03/04/2009\n'
        told = desk.post(PATIENTS, {"text": text, "step": "take"}).content.decode()
        assert "Does the day or the month come first" in told
        assert not Patient.objects.exists()
        desk.post(PATIENTS, {"text": text, "step": "take", "order": "month"})
        assert Patient.objects.get().date_of_birth == dt.date(2009, 3, 4)

    def test_a_column_that_no_name_tells_is_asked_for_and_can_be_said(self, desk):
        text = "kartei,last name,first name,dob\nK-1,Ferro,Ada,2009-04-17\n"
        told = desk.post(PATIENTS, {"text": text}).content.decode()
        assert "Which column is the chart number?" in told
        said = {"column0": "chart_number", "column1": "family_name", "column2": "given_name"}
        desk.post(PATIENTS, {"text": text, "step": "take", "column3": "date_of_birth", **said})
        assert Patient.objects.get().chart_number == "K-1"

    def test_what_no_list_is_says_what_to_do(self, desk):
        page = desk.post(PATIENTS, {"file": SimpleUploadedFile("list.xlsx", b"PK\x03\x04")})
        assert page.status_code == 422
        assert "save it as CSV" in page.content.decode()

    def test_only_those_who_may_add_patients(self, office, signed_in):
        assert signed_in("technician").get(PATIENTS).status_code == 403


class TestTakingBack:
    def test_what_nothing_rests_on_goes_the_rest_stays(self, desk, person, office):
        desk.post(PATIENTS, {"text": LIST, "step": "take"})
        kept = Patient.objects.get(chart_number="K-1")
        open_order(
            person("doctor"), kept, ApplianceKind.objects.get(code="retainer"), ["upper"], key="o"
        )
        (entry,) = AuditEntry.objects.filter(action="list.taken_in")
        assert "2 patients" in desk.get(PATIENTS).content.decode()
        desk.post(reverse("list-back", args=[entry.pk]))
        assert list(Patient.objects.all()) == [kept]
        assert "Take back" not in desk.get(PATIENTS).content.decode()
        desk.post(reverse("list-back", args=[entry.pk]))  # twice does no harm
        assert list(Patient.objects.all()) == [kept]

    def test_after_a_day_it_is_not_offered_any_more(self, desk, monkeypatch):
        desk.post(PATIENTS, {"text": LIST, "step": "take"})
        later = timezone.now() + dt.timedelta(days=1, hours=1)
        monkeypatch.setattr(timezone, "now", lambda: later)
        (entry,) = AuditEntry.objects.filter(action="list.taken_in")
        desk.post(reverse("list-back", args=[entry.pk]))
        assert Patient.objects.count() == 2


class TestVisits:
    HEAD = "Chart number,Date,Time,Appointment type,Notes\n"

    def test_visits_are_read_on_the_offices_clock_with_what_they_are_for(
        self, desk, patient, office
    ):
        text = self.HEAD + (
            "T-1001,12/03/2026,2:30 PM,Deband upper/lower,\n"
            "T-1001,12/17/2026,9:00 AM,Aligner review,step 6\n"
            "T-1001,12/18/2026,9:00 AM,New patient exam,\n"
        )
        told = desk.post(VISITS, {"text": text}).content.decode()
        assert "Take in 2 visits" in told
        assert "“New patient exam”: say above what it is" in told
        desk.post(VISITS, {"text": text, "step": "take", "word2": "New patient exam", "kind2": "-"})
        first, second = Visit.objects.all()
        assert (first.kind, second.kind, second.note) == ("debond", "aligner", "step 6")
        assert first.starts_at.astimezone(office.zone).isoformat()[:16] == "2026-12-03T14:30"
        told = desk.post(VISITS, {"text": text, "step": "take"}).content.decode()
        assert Visit.objects.count() == 2
        assert "<b>2</b> here already" in told

    @pytest.mark.parametrize(
        ("row", "why"),
        [
            ("X-1,2026-12-03,9:00,Scan,", "nobody here has the chart number X-1"),
            ("T-1001,2026-11-24,9:00,Scan,", "is past"),
            ("T-1001,2046-12-03,9:00,Scan,", "more than three years away"),
            ("T-1001,2026-12-03,,Scan,", "no time of day"),
            ("T-1001,soon,9:00,Scan,", "“soon” is no date"),
            (",2026-12-03,9:00,Scan,", "no chart number"),
        ],
    )
    def test_a_row_that_cannot_be_booked_is_left_out_with_its_reason(self, desk, patient, row, why):
        told = desk.post(VISITS, {"text": self.HEAD + row + "\n", "step": "take"})
        assert why in told.content.decode()
        assert not Visit.objects.exists()

    def test_what_the_list_has_at_another_time_is_moved_with_its_order_and_back(
        self, desk, patient, person
    ):
        old = dt.datetime(2026, 12, 3, 15, 0, tzinfo=dt.UTC)
        visit = Visit.objects.create(patient=patient, kind="debond", starts_at=old)
        other = Visit.objects.create(
            patient=patient, kind="aligner", starts_at=old + dt.timedelta(days=1)
        )
        kind = ApplianceKind.objects.get(code="retainer")
        order = open_order(person("doctor"), patient, kind, ["upper"], visit=visit, key="o")
        text = self.HEAD + ("T-1001,2026-12-01,9:00,Scan,\nT-1001,2026-12-04,2:30 PM,Debond,\n")
        told = desk.post(VISITS, {"text": text}).content.decode()
        assert "Take in 1 visit, move 1" in told
        assert "1 planned visit in the days of the list" in told  # the aligner check
        desk.post(VISITS, {"text": text, "step": "take"})
        visit.refresh_from_db()
        assert visit.starts_at.date() == dt.date(2026, 12, 4)
        assert order.visit == visit
        assert set(Visit.objects.values_list("kind", flat=True)) == {"debond", "scan", "aligner"}
        (entry,) = AuditEntry.objects.filter(action="list.taken_in")
        desk.post(reverse("list-back", args=[entry.pk]))
        assert set(Visit.objects.values_list("pk", "starts_at")) == {
            (visit.pk, old), (other.pk, other.starts_at),
        }  # fmt: skip

    def test_two_of_a_kind_are_not_taken_for_each_other(self, desk, patient):
        at = dt.datetime(2026, 12, 3, 15, 0, tzinfo=dt.UTC)
        for days in (0, 1):
            Visit.objects.create(
                patient=patient, kind="check", starts_at=at + dt.timedelta(days=days)
            )
        text = self.HEAD + "T-1001,2026-12-03,8:15,Check,\nT-1001,2026-12-04,8:15,Check,\n"
        told = desk.post(VISITS, {"text": text}).content.decode()
        assert "Take in 2 visits<" in told
        assert "2 planned visits in the days of the list" in told

    def test_a_cancelled_visit_can_come_back_by_the_list(self, desk, patient):
        text = self.HEAD + "T-1001,2026-12-03,9:00,Scan,\n"
        desk.post(VISITS, {"text": text, "step": "take"})
        Visit.objects.update(status=Visit.Status.CANCELLED)
        desk.post(VISITS, {"text": text, "step": "take"})
        assert Visit.objects.filter(status=Visit.Status.PLANNED).count() == 1

    def test_a_visit_while_the_office_is_closed_is_told_and_may_stand(self, desk, patient):
        OpeningHours.objects.all().delete()
        OpeningHours.objects.create(weekday=4, opens=dt.time(8), closes=dt.time(17))
        rows = "T-1001,2026-12-03,9:00,Scan,\nT-1001,2026-12-03,17:00,Scan,\n"
        told = desk.post(VISITS, {"text": self.HEAD + rows}).content.decode()
        assert "1 of them is at a time at which the office is closed" in told
        assert "Thu 3 Dec, 17:00" in told
        assert "Take in 2 visits" in told

    def test_taking_back_leaves_a_visit_that_has_begun(self, desk, patient):
        rows = "T-1001,2026-12-03,9:00,Scan,\nT-1001,2026-12-04,9:00,Scan,\n"
        desk.post(VISITS, {"text": self.HEAD + rows, "step": "take"})
        begun = Visit.objects.earliest("starts_at")
        Visit.objects.filter(pk=begun.pk).update(status=Visit.Status.ARRIVED)
        (entry,) = AuditEntry.objects.filter(action="list.taken_in")
        desk.post(reverse("list-back", args=[entry.pk]))
        assert list(Visit.objects.all()) == [begun]
