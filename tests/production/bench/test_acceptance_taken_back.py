"""A doctor takes back the acceptance of a scan; what was begun on it waits and is told."""

from __future__ import annotations

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse
from django.utils import timezone

from clinic.models import AuditEntry
from production.actions.bench.move import finish, finish_load, hold, release, start, undo
from production.actions.chair.accept_scan import accept_scan
from production.actions.chair.scanning import scan_became_usable
from production.actions.chair.take_back_acceptance import take_back_acceptance
from production.actions.errors import Refused
from production.bench.history import disagreements
from production.models import Acceptance
from production.selectors.desk.today import today
from tests.production.bench.test_whole_way import walk

WHY = "the second molar is cut off after all"


@pytest.fixture
def scan(bench, patient):
    """A scan with a stopping finding that the doctor has accepted."""
    found = bench.scan(patient, "upper", "rescan")
    accept_scan(bench.doctor, found, "the hole lies outside")
    return found


@pytest.fixture
def piece(bench, patient, scan):
    """``piece()``: an appliance that waits at “prepare” with that scan and an approved model."""

    def make():
        appliance = bench.appliance(patient)
        appliance.scan = scan
        appliance.model = bench.model(scan)
        appliance.save(update_fields=["scan", "model"])
        return appliance

    return make


def take_back(bench, scan, why=WHY):
    take_back_acceptance(bench.doctor, scan, why)


def stands(appliance):
    appliance.refresh_from_db()
    return appliance.stage.code, appliance.status


def printing(bench, appliance):
    finish(
        bench.technician, appliance, ticks=bench.ticks("prepare"), start_unknown=True, key="prep"
    )
    return bench.plate([appliance])


def test_what_is_not_printed_waits_for_another_scan_and_takes_the_next(bench, patient, scan, piece):
    fresh, prepared = piece(), piece()
    finish(bench.technician, prepared, ticks=bench.ticks("prepare"), start_unknown=True, key="prep")
    take_back(bench, scan)
    assert stands(fresh) == stands(prepared) == ("scan", "waiting")
    assert fresh.events.last().note.endswith(WHY)
    better = bench.scan(patient, "upper")
    scan_became_usable(bench.technician, better)
    assert stands(fresh) == stands(prepared) == ("prepare", "waiting")
    assert fresh.scan == better
    assert list(disagreements()) == []


def test_what_is_printed_is_held_with_the_reason_whoever_lets_it_go_on(bench, client, scan, piece):
    made = piece()
    finish_load(bench.technician, printing(bench, made), ticks=bench.ticks("print"), key="done")
    take_back(bench, scan)
    assert stands(made) == ("wash", "held")
    assert WHY in made.events.last().note
    client.force_login(bench.technician)
    page = client.get(reverse("appliance", args=[made.code])).content.decode()
    told = page[page.index("On hold at") :][:900]
    assert WHY in told
    assert reverse("scan", args=[scan.uuid]) in told
    release(bench.technician, made, key="r")  # by hand it does not get far
    with pytest.raises(Refused, match="stopping finding"):
        start(bench.technician, made, machine=bench.machines["wash"], key="w")
    hold(bench.technician, made, note="again", key="h")
    accept_scan(bench.doctor, scan, "looked again, it is there")
    assert stands(made) == ("wash", "held")  # held by a person's own hand: left to that person
    assert list(disagreements()) == []


def test_accepting_again_releases_what_only_waited_for_that(bench, scan, piece):
    made = piece()
    finish_load(bench.technician, printing(bench, made), ticks=bench.ticks("print"), key="done")
    take_back(bench, scan)
    accept_scan(bench.doctor, scan, "the hole lies outside")
    assert stands(made) == ("wash", "waiting")
    assert Acceptance.objects.filter(scan=scan).count() == 2


def test_what_runs_on_a_machine_runs_to_its_end_and_is_held_then(bench, scan, piece):
    made = piece()
    load = printing(bench, made)
    take_back(bench, scan)
    assert stands(made) == ("print", "running")
    finish_load(bench.technician, load, ticks=bench.ticks("print"), key="done")
    assert stands(made) == ("wash", "held")
    assert list(disagreements()) == []


def test_a_finish_is_taken_back_with_the_hold_that_came_with_it(bench, patient, scan, piece):
    made, other = piece(), bench.appliance(patient, "lower")
    finish(bench.technician, other, ticks=bench.ticks("prepare"), start_unknown=True, key="other")
    finish(bench.technician, made, ticks=bench.ticks("prepare"), start_unknown=True, key="prep")
    load = bench.plate([made, other])
    take_back(bench, scan)
    finish_load(bench.technician, load, ticks=bench.ticks("print"), key="slip")
    assert (stands(made), stands(other)) == (("wash", "held"), ("wash", "waiting"))
    undo(bench.technician, other, key="oops")
    assert stands(made) == stands(other) == ("print", "running")
    finish_load(bench.technician, load, ticks=bench.ticks("print"), key="done")
    assert stands(made) == ("wash", "held")
    undo(bench.technician, made, key="once more")
    assert stands(made) == stands(other) == ("print", "running")
    assert list(disagreements()) == []


def test_a_hold_of_its_own_is_taken_back_alone(bench, scan, piece):
    made = piece()
    finish_load(bench.technician, printing(bench, made), ticks=bench.ticks("print"), key="done")
    take_back(bench, scan)
    undo(bench.doctor, made, key="oops")
    assert stands(made) == ("wash", "waiting")


def test_what_is_in_its_bag_is_not_handed_over(bench, scan, piece):
    made = piece()
    walk(bench, made)
    take_back(bench, scan)
    with pytest.raises(Refused):
        bench.hand_over(made)


def test_what_was_handed_over_stays_so_and_the_doctor_is_told(bench, client, scan, piece):
    made = piece()
    walk(bench, made)
    bench.hand_over(made)
    client.force_login(bench.doctor)
    page = client.post(
        reverse("scan-accept-back", args=[scan.uuid]), {"reason": WHY}, follow=True
    ).content.decode()
    assert stands(made)[1] == "delivered"
    assert made.code in page
    assert "decide whether to call the patient" in page
    assert WHY in page


def test_it_counts_no_more_wherever_it_counted(bench, office, scan, piece):
    piece()
    take_back(bench, scan)
    scan = type(scan).objects.get(pk=scan.pk)
    assert scan.acceptance is None
    assert not scan.usable
    assert [s for s, _ in today(timezone.localdate(), office).scans] == [scan]


def test_it_is_on_record_once_with_what_stood_on_it(bench, scan, piece):
    made = piece()
    take_back(bench, scan)
    take_back(bench, scan, "a second press")
    entry = AuditEntry.objects.get(action="scan acceptance taken back")
    assert entry.detail["reason"] == WHY
    assert made.code in entry.detail["stood"]
    row = Acceptance.objects.get(scan=scan)
    assert (row.taken_back_by, row.taken_back_reason) == (bench.doctor, WHY)


def test_it_needs_a_doctor_and_a_reason_and_keeps_what_was_typed(bench, client, scan):
    with pytest.raises(PermissionDenied):
        take_back_acceptance(bench.technician, scan, WHY)
    client.force_login(bench.doctor)
    answer = client.post(reverse("scan-accept-back", args=[scan.uuid]), {"reason": "no"})
    assert answer.status_code == 422
    assert 'value="no"' in answer.content.decode()
    assert Acceptance.objects.get(scan=scan).taken_back_at is None
