"""A new scan may be taken before the technician records the failure that asks for it."""

from __future__ import annotations

import pytest
from django.urls import reverse

from production.actions.bench.move import deliver, fail, fail_in_load, finish, start, undo
from production.actions.chair.prepare_model import prepare_model
from production.actions.errors import Refused
from production.bench.history import disagreements
from production.models import Work


@pytest.fixture
def formed(bench, patient):
    """An appliance that is being printed from its first scan."""
    appliance = bench.appliance(patient)
    finish(
        bench.technician, appliance, ticks=bench.ticks("prepare"), start_unknown=True, key="prep"
    )
    return appliance


def failed(bench, appliance, key="fail"):
    return fail(
        bench.technician,
        appliance,
        cause=bench.cause("scan-moved"),
        restart=bench.stages["scan"],
        key=key,
    )


def stands(appliance):
    appliance.refresh_from_db()
    return appliance.stage.code, appliance.status


def test_work_goes_on_from_the_newer_scan_at_once(bench, patient, formed):
    bench.scan(patient, "upper", "rescan")  # newer, but nobody may build on it
    bench.scan(patient, "lower")
    newer = bench.scan(patient, "upper")
    failed(bench, formed)
    assert stands(formed) == ("prepare", "waiting")
    assert formed.scan == newer
    assert Work.objects.filter(kind="prepare", subject_id=formed.model_id).exists()
    assert list(disagreements()) == []


def test_the_scan_that_failed_never_counts_again(bench, patient, formed):
    first = formed.scan
    failed(bench, formed)
    assert stands(formed) == ("scan", "waiting")
    assert formed.scan == first
    with pytest.raises(Refused, match="new scan was asked for"):
        prepare_model(bench.technician, formed)
    with pytest.raises(Refused, match="new scan was asked for"):
        finish(bench.technician, formed, start_unknown=True, key="as if")


def test_it_waits_where_the_newer_scan_is_not_usable(bench, patient, formed):
    bench.scan(patient, "upper", "rescan")
    failed(bench, formed)
    assert stands(formed) == ("scan", "waiting")


def test_one_undo_takes_back_the_failure_and_brings_scan_and_model_back(bench, patient, formed):
    load = bench.plate([formed])
    before = (formed.scan, formed.model)
    bench.scan(patient, "upper")
    fail_in_load(
        bench.technician,
        load,
        [formed],
        cause=bench.cause("scan-moved"),
        restart=bench.stages["scan"],
        key="all",
    )
    assert stands(formed) == ("prepare", "waiting")
    undo(bench.technician, formed, key="oops")
    assert stands(formed) == ("print", "running")
    assert (formed.scan, formed.model) == before
    load.refresh_from_db()
    assert load.status == "running"
    assert list(disagreements()) == []


def test_the_page_says_what_it_goes_on_with_and_offers_one_undo(bench, client, patient, formed):
    bench.scan(patient, "upper")
    client.force_login(bench.technician)
    page = client.post(
        reverse("fail", args=[formed.code]),
        {"cause": "scan-moved", "restart": "scan", "key": "page"},
        follow=True,
    ).content.decode()
    assert "A newer scan is on file already: it goes on at Prepare" in page
    assert f"{formed.code}: Print failed" in page
    client.post(reverse("bench-undo"), {"key": "back"})
    assert stands(formed) == ("print", "waiting")


def test_what_failed_twice_needs_a_scan_newer_than_the_second(bench, patient, formed):
    bench.scan(patient, "upper")
    failed(bench, formed)
    formed.model = bench.model(formed.scan)
    formed.save(update_fields=["model"])
    failed(bench, formed, key="again")
    assert stands(formed) == ("scan", "waiting")
    with pytest.raises(Refused, match="new scan was asked for"):
        start(bench.technician, formed, key="s") and finish(bench.technician, formed, key="f")


def test_a_remake_goes_on_from_the_scan_taken_when_it_did_not_seat(bench, patient, ready):
    options = {"code_on_bag": ready.code, "identity_checked": True, "try_in": "no_seat"}
    newer = bench.scan(patient, "upper")  # at once, with the patient still in the chair
    cause = bench.cause("fit-tight")
    handed = deliver(bench.desk, ready, **options, cause=cause, key="no")
    new = handed.remake
    assert stands(new) == ("prepare", "waiting")
    assert new.scan == newer
    assert Work.objects.filter(kind="prepare", subject_id=new.model_id).exists()
    assert list(disagreements()) == []


def test_the_page_at_the_chair_follows_what_is_made_from_the_scans(bench, client, patient, formed):
    client.force_login(bench.technician)
    shown = client.get(reverse("chair", args=[patient.uuid])).context["version"]
    address = reverse("chair-scans", args=[patient.uuid])
    assert client.get(address, {"seen": shown}).status_code == 204
    bench.plate([formed])
    page = client.get(address, {"seen": shown}).content.decode()
    assert "Running · Print" in " ".join(page.split())
