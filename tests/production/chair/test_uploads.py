"""Uploads in parts: a dropped connection costs a part, a repeat costs nothing."""

from __future__ import annotations

import datetime as dt
import json
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from production import work
from production.actions.chair.take_scan import take_scan
from production.jobs import JOBS
from production.models import Scan, StoredFile, Work

KEY = "0123456789abcdef0123456789abcdef"
BODY = bytes(range(256)) * 40


@pytest.fixture
def doctor(office, signed_in):
    return signed_in("doctor")


def send(client, patient, offset: int, data: bytes, key: str = KEY):
    address = reverse("upload", args=[patient.uuid, key])
    return client.post(f"{address}?offset={offset}", data, content_type="application/octet-stream")


def done(client, patient, size: int = len(BODY), arch: str = "upper", key: str = KEY):
    return client.post(
        reverse("upload-done", args=[patient.uuid, key]),
        json.dumps({"arch": arch, "size": size}),
        content_type="application/json",
    )


def test_parts_make_one_whole_file_and_ask_for_its_inspection(doctor, patient):
    assert send(doctor, patient, 0, BODY[:5000]).json() == {"arrived": 5000}
    assert send(doctor, patient, 5000, BODY[5000:]).json() == {"arrived": len(BODY)}
    answer = done(doctor, patient)
    scan = Scan.objects.get(uuid=answer.json()["scan"])
    assert scan.file.read() == BODY
    assert Work.objects.filter(kind="inspect", subject_id=scan.pk).count() == 1


def test_a_part_that_arrives_twice_or_overlaps_changes_nothing(doctor, patient):
    send(doctor, patient, 0, BODY[:5000])
    assert send(doctor, patient, 0, BODY[:5000]).json() == {"arrived": 5000}
    assert send(doctor, patient, 4000, BODY[4000:9000]).json() == {"arrived": 9000}
    send(doctor, patient, 9000, BODY[9000:])
    assert Scan.objects.get(uuid=done(doctor, patient).json()["scan"]).file.read() == BODY


def test_a_part_beyond_what_arrived_is_told_where_to_go_on(doctor, patient):
    send(doctor, patient, 0, BODY[:1000])
    answer = send(doctor, patient, 3000, BODY[3000:])
    assert (answer.status_code, answer.json()) == (409, {"arrived": 1000})


def test_an_incomplete_file_does_not_become_a_scan(doctor, patient):
    send(doctor, patient, 0, BODY[:1000])
    assert done(doctor, patient).status_code == 409
    assert not Scan.objects.exists()


def test_finishing_twice_gives_the_same_scan(doctor, patient):
    send(doctor, patient, 0, BODY)
    first, second = done(doctor, patient).json(), done(doctor, patient).json()
    assert first["scan"] == second["scan"]
    assert Scan.objects.count() == 1


def test_the_same_file_for_the_same_arch_is_taken_in_once(doctor, patient):
    send(doctor, patient, 0, BODY)
    first = done(doctor, patient).json()
    other = "f" * 32
    send(doctor, patient, 0, BODY, key=other)
    second = done(doctor, patient, key=other).json()
    assert (second["scan"], second["made"]) == (first["scan"], False)
    assert StoredFile.objects.count() == 1


def test_a_new_scan_of_the_same_arch_replaces_the_open_one(doctor, patient):
    send(doctor, patient, 0, BODY)
    first = done(doctor, patient).json()["scan"]
    other = "e" * 32
    send(doctor, patient, 0, BODY[::-1], key=other)
    second = done(doctor, patient, key=other).json()["scan"]
    assert Scan.objects.get(uuid=first).replaced_by == Scan.objects.get(uuid=second)


@pytest.mark.parametrize("key", ["short", "..%2F..%2Fsecret-file-name", "x" * 65])
def test_a_key_that_could_name_another_file_is_refused(doctor, patient, key):
    address = f"/chair/{patient.uuid}/upload/{key}/"
    answer = doctor.post(address, b"x", content_type="application/octet-stream")
    assert answer.status_code in {400, 404}


def test_an_upload_that_is_too_large_is_refused_with_what_to_do(doctor, patient, settings):
    settings.SCAN_MAX_BYTES = 1000
    answer = send(doctor, patient, 0, BODY)
    assert answer.status_code == 400
    assert "fewer triangles" in answer.json()["problem"]


def test_the_front_desk_cannot_upload(office, signed_in, patient):
    assert send(signed_in("front_desk"), patient, 0, BODY).status_code == 403


def test_two_people_with_the_same_key_do_not_mix_their_files(office, signed_in, patient):
    send(signed_in("doctor"), patient, 0, BODY[:100])
    address = reverse("upload", args=[patient.uuid, KEY])
    assert signed_in("technician").get(address).json() == {"arrived": 0}


def test_after_a_file_that_is_no_scan_the_scan_before_counts(doctor, patient):
    send(doctor, patient, 0, BODY)
    first = Scan.objects.get(uuid=done(doctor, patient).json()["scan"])
    other = "d" * 32
    send(doctor, patient, 0, BODY[::-1], key=other)
    slip = Scan.objects.get(uuid=done(doctor, patient, key=other).json()["scan"])
    first.refresh_from_db()
    assert first.replaced_by == slip
    JOBS["inspect"].refused(Work.objects.get(subject_id=slip.pk, kind="inspect"), "no scan")
    shown = doctor.get(reverse("chair", args=[patient.uuid])).content.decode()
    assert "Until then the scan before it counts" in shown
    assert "Turn and look" not in shown.split(f"scan-{slip.uuid}")[1].split("</article>")[0]
    slip.refresh_from_db()
    assert slip.set_aside_at is not None
    first.refresh_from_db()
    assert first.replaced_by is None


def test_an_inspection_that_nobody_begins_is_told_on_the_page(office, person, patient, client):
    user = person("doctor")
    scan, _ = take_scan(user, patient, "upper", [b"x" * 90], key="waits-long-000001")
    client.force_login(user)
    pages = [reverse("chair", args=[patient.uuid]), reverse("scan", args=[scan.uuid])]
    live = client.get(pages[0]).content.decode()
    seen = re.search(r"seen=(\w+)", live)[1]
    assert "Not begun yet" not in live
    long_ago = timezone.now() - dt.timedelta(minutes=1)
    Work.objects.filter(kind="inspect", subject_id=scan.pk).update(created_at=long_ago)
    assert (
        client.get(reverse("chair-scans", args=[patient.uuid]), {"seen": seen}).status_code == 200
    )
    for page in pages:
        assert "Not begun yet" in client.get(page).content.decode()
    work.claim(Work.objects.get(kind="inspect", subject_id=scan.pk).pk)
    assert "Not begun yet" not in client.get(pages[0]).content.decode()
