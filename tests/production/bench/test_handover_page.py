"""The hand-over page: the bag, the patient, the fit, and what the desk sees of the bench."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import Patient
from clinic.templatetags.show import clock
from production.actions import agree_promise
from production.models import Load
from tests.production.bench.test_pages import said
from tests.production.bench.test_whole_way import walk


@pytest.fixture
def plate(bench, patient) -> Load:
    row = bench.appliance(patient, "lower")
    walk(bench, row, until="print")
    return bench.plate([row])


class TestHandoverPage:
    def test_bag_scanned_then_identity_then_fit(self, bench, ready, signed_in):
        client = signed_in("front_desk")
        page = f"/appliance/{ready.code}/handover/"
        asked = client.get(page).content.decode()
        assert "Code on the bag" in asked
        assert 'value="fit-loose"' in asked
        assert 'value="lost"' not in asked  # what is in the hand was not lost
        scan = {"text": ready.code, "context": f"handover:{ready.code}", "key": "k"}
        # The front desk does not work at the bench, but scans the bag in front of the patient.
        answer = client.post("/bench/scan/", scan, follow=True)
        assert "read from the bag" in answer.content.decode()
        form = {"identity": "yes", "birth": "yes", "try_in": "seats", "key": "h"}
        answer = client.post(page, form, follow=True)
        ready.refresh_from_db()
        assert ready.status == "delivered"
        assert "care card" in said(answer)

    def test_a_patient_who_comes_early_hears_when(self, bench, patient, signed_in):
        appliance = bench.appliance(patient)
        due = timezone.now() + dt.timedelta(days=2)
        agree_promise(bench.desk, appliance.order, due, key="p")
        page = signed_in("front_desk").get(f"/appliance/{appliance.code}/handover/")
        assert "not ready for hand-over" in page.content.decode()
        assert f"Promised for <b>{clock(due)}</b>" in page.content.decode()
        assert f"/orders/{appliance.order.uuid}/" in page.content.decode()

    def test_a_scan_that_does_not_fit_stays_at_the_hand_over(self, bench, ready, signed_in):
        client, page = signed_in("front_desk"), f"/appliance/{ready.code}/handover/"
        stranger = Patient.objects.create(
            chart_number="H-2", given_name="Bo", family_name="Else", date_of_birth="2009-09-09"
        )
        other = bench.appliance(stranger)
        for text, words in (("WRONG11", "slip in it"), (other.code, "of another patient")):
            scan = {"text": text, "context": f"handover:{ready.code}", "key": text}
            answer = client.post("/bench/scan/", scan, follow=True)
            assert answer.request["PATH_INFO"] == page
            assert words in said(answer)
            assert "read from the bag" not in answer.content.decode()

    def test_another_bag_is_stopped(self, bench, ready, signed_in):
        form = {"bag": "K7M2Q9X", "identity": "yes", "birth": "yes", "try_in": "seats", "key": "h"}
        answer = signed_in("front_desk").post(
            f"/appliance/{ready.code}/handover/", form, follow=True
        )
        assert "another patient" in said(answer)

    def test_a_namesake_with_something_ready_is_pointed_out(self, bench, ready, signed_in):
        twin = Patient.objects.create(
            chart_number="twin",
            given_name="Ivo",
            family_name="brandt",
            date_of_birth=dt.date(2011, 5, 5),
        )
        other = bench.appliance(twin)
        walk(bench, other)
        text = signed_in("doctor").get(f"/appliance/{ready.code}/handover/").content.decode()
        assert "Look twice" in text
        assert other.code in text

    def test_the_desk_hands_over_without_the_timers_of_the_bench(
        self, bench, ready, plate, signed_in
    ):
        address = f"/appliance/{ready.code}/handover/"
        for role, shown in (("technician", True), ("front_desk", False)):
            client = signed_in(role)
            page = client.get(address).content.decode()
            assert ("Running now" in page) is shown
            poll = re.search(r'hx-get="(/bench/timers/[^"]*)"', page)[1].replace("&amp;", "&")
            assert client.get(poll).status_code == 204
            again = client.get(re.sub("seen=[^&]*", "seen=", poll)).content.decode()
            assert ("Running now" in again) is shown


def test_a_review_of_one_day_draws_no_chart_of_a_single_point(bench, ready, signed_in):
    bench.hand_over(ready)
    page = signed_in("manager").get(reverse("review")).content.decode()
    assert "Handed over on one day only" in page
    assert "lead-range" not in page
    assert "chart/failures.svg" not in page
    assert "All in one week or month" in page
