"""A plate: nested by the worker, arranged by hand, never with models too near."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
import shapely
import trimesh
from django.urls import reverse

from geometry.mesh import Mesh
from geometry.reading import write_stl
from production import storage, tasks
from production.actions import open_order
from production.actions.bench.loading import create_load
from production.models import (
    Appliance,
    ApplianceKind,
    LoadItem,
    Machine,
    Plate,
    PreparedModel,
    Scan,
    Stage,
    StageEvent,
    Work,
)


@pytest.fixture
def load(office, person, patient, monkeypatch):
    """Three boxes on a printer's plate."""
    monkeypatch.setattr("production.work.wake", lambda pk, kind: None)
    doctor = person("doctor")
    printer = Machine.objects.create(
        code="M-P", name="Printer", kind="printer", capacity=8, plate_width_mm=100,
        plate_depth_mm=60, minutes_per_mm={"0.1": 2.0},
    )  # fmt: skip
    box = trimesh.creation.box((20.0, 30.0, 15.0))
    box.apply_translation((0, 0, 7.5))
    data = write_stl(Mesh(np.asarray(box.vertices, float), np.asarray(box.faces, np.int32)))
    file = storage.store_bytes(data, "model/stl")
    scan = Scan.objects.create(
        patient=patient, arch="upper", file=file, uploaded_by=doctor, upload_key="k",
        status="inspected", verdict="pass", report={"findings": []},
    )  # fmt: skip
    model = PreparedModel.objects.create(scan=scan, status="made", file=file, report={})
    kind = ApplianceKind.objects.get(code="retainer")
    appliances = []
    for number in range(3):
        order = open_order(doctor, patient, kind, ["upper"], key=f"o{number}")
        appliance = order.appliances.get()
        # Straight to the printer: what lies before is not what is tested here.
        type(appliance).objects.filter(pk=appliance.pk).update(
            scan=scan, model=model, stage=Stage.objects.get(code="print")
        )
        appliance.refresh_from_db()
        appliances.append(appliance)
    made = create_load(person("technician"), Stage.objects.get(code="print"), machine=printer)
    for appliance in appliances:
        LoadItem.objects.create(load=made, appliance=appliance)
    assert StageEvent.objects.count() == 3
    return made


@pytest.fixture
def nested(load, signed_in):
    signed_in("technician").post(reverse("plate-nest", args=[load.code]))
    tasks.perform(Work.objects.get(kind="nest").pk)
    return Plate.objects.get(load=load)


def test_the_worker_nests_all_models_and_writes_the_print_file(nested, load, signed_in):
    assert {p["name"] for p in nested.report["placed"]} == set(
        load.appliances.values_list("code", flat=True)
    )
    assert nested.report["least_gap_mm"] >= 1.99
    assert nested.height_mm == pytest.approx(15.0)
    client = signed_in("technician")
    page = client.get(reverse("plate", args=[load.code])).content.decode()
    assert "3 models on 100 × 60 mm" in page
    file = b"".join(client.get(reverse("plate-file", args=[load.code])).streaming_content)
    assert file[:2] == b"PK"


def post(client, load, placements, **more):
    return client.post(
        reverse("plate-arrange", args=[load.code]),
        json.dumps({"placements": placements} | more),
        content_type="application/json",
    )


def test_an_arrangement_by_hand_is_kept_when_nothing_stands_too_near(nested, load, signed_in):
    placed = nested.report["placed"]
    for number, place in enumerate(placed):
        place |= {"x": 15.0 + 30.0 * number, "y": 30.0, "turn_deg": 0.0}
    assert post(signed_in("technician"), load, placed).json() == {"saved": True}
    assert LoadItem.objects.filter(load=load, position__x=15.0).count() == 1


def test_models_too_near_are_named_and_nothing_is_stored(nested, load, signed_in):
    placed = nested.report["placed"]
    before = nested.file_id
    for number, place in enumerate(placed):
        place |= {"x": 15.0 + 21.0 * number, "y": 30.0, "turn_deg": 0.0}
    answer = post(signed_in("technician"), load, placed)
    assert answer.status_code == 422
    assert "2 mm are needed" in answer.json()["problem"]
    nested.refresh_from_db()
    assert nested.file_id == before


def test_models_too_near_are_moved_apart_when_asked(nested, load, signed_in):
    placed = nested.report["placed"]
    for number, place in enumerate(placed):
        place |= {"x": 15.0 + 21.0 * number, "y": 30.0, "turn_deg": 0.0}
    client = signed_in("technician")
    assert post(client, load, placed).json()["near"]
    assert post(client, load, placed, apart=True).json() == {"saved": True}
    nested.refresh_from_db()
    assert nested.report["least_gap_mm"] >= 2.0 - 1e-6


def test_a_model_taken_off_by_hand_leaves_the_others_where_they_are(nested, load, signed_in):
    places = nested.report["placed"]
    gone, *rest = places
    client = signed_in("technician")
    assert post(client, load, rest, out=[gone["name"]]).json() == {"saved": True}
    nested.refresh_from_db()
    assert nested.report["placed"] == [r | {"index": k} for k, r in enumerate(rest)]
    assert nested.report["unplaced"] == []
    assert not load.appliances.filter(code=gone["name"]).exists()
    # Undone: it stands again where it stood.
    assert post(client, load, places, back=[gone["name"]]).json() == {"saved": True}
    nested.refresh_from_db()
    assert sorted(nested.report["placed"], key=lambda p: p["name"]) == [
        p | {"index": k} for k, p in enumerate(sorted(places, key=lambda p: p["name"]))
    ]
    assert load.appliances.filter(code=gone["name"]).exists()


def test_the_last_model_taken_off_leaves_no_plate(nested, load, signed_in):
    names = [p["name"] for p in nested.report["placed"]]
    assert post(signed_in("technician"), load, [], out=names).json() == {"saved": True}
    assert not Plate.objects.filter(load=load).exists()
    assert not load.items.exists()


def test_what_has_moved_on_is_not_put_back(nested, load, signed_in):
    gone, *rest = nested.report["placed"]
    client = signed_in("technician")
    post(client, load, rest, out=[gone["name"]])
    Appliance.objects.filter(code=gone["name"]).update(stage=Stage.objects.get(code="form"))
    answer = post(client, load, [gone, *rest], back=[gone["name"]])
    assert answer.status_code == 409
    assert "not waiting for" in answer.json()["problem"]
    assert load.items.count() == 2


def test_codes_are_written_on_their_own_models(nested, load):
    for place in nested.report["placed"]:
        ring = shapely.Polygon(nested.report["outlines"][place["name"]])
        assert ring.contains(shapely.Point(nested.report["spots"][place["name"]]))


def test_a_model_without_a_place_can_be_taken_off(nested, load, signed_in):
    code = nested.report["placed"][0]["name"]
    report = nested.report | {
        "placed": nested.report["placed"][1:],
        "unplaced": [{"index": 0, "name": code, "reason": "the plate is full"}],
    }
    Plate.objects.filter(pk=nested.pk).update(report=report)
    page = signed_in("technician").get(reverse("plate", args=[load.code])).content.decode()
    assert "is not on the plate: the plate is full" in page
    assert f'name="out" value="{code}"' in page
    assert "The load has changed" not in page


def test_a_plate_begun_without_a_printer_asks_for_one_and_nests_there(load, signed_in):
    type(load).objects.filter(pk=load.pk).update(machine=None)
    client = signed_in("technician")
    page = client.get(reverse("plate", args=[load.code])).content.decode()
    assert "On which printer?" in page
    printer = Machine.objects.get()
    client.post(reverse("plate-nest", args=[load.code]), {"machine": printer.pk})
    tasks.perform(Work.objects.get(kind="nest").pk)
    load.refresh_from_db()
    assert load.machine == printer
    assert (
        "3 models on 100 × 60 mm" in client.get(reverse("plate", args=[load.code])).content.decode()
    )


def test_only_a_printer_takes_a_plate(load, signed_in):
    other = Machine.objects.create(code="M-W", name="Wash unit", kind="wash", capacity=2)
    answer = signed_in("technician").post(
        reverse("plate-nest", args=[load.code]), {"machine": other.pk}, follow=True
    )
    assert "Wash unit does not do print" in answer.content.decode()
    load.refresh_from_db()
    assert load.machine.name == "Printer"


def test_a_model_taken_off_is_nested_without_until_the_plate_is_empty(nested, load, signed_in):
    client = signed_in("technician")
    for left in (2, 1, 0):
        code = load.appliances.values_list("code", flat=True)[0]
        client.post(reverse("plate-nest", args=[load.code]), {"out": code})
        for row in Work.objects.filter(kind="nest", status=Work.Status.PENDING):
            tasks.perform(row.pk)
        plate = Plate.objects.filter(load=load).first()
        assert (len(plate.report["placed"]) if plate else 0) == left


def test_the_plate_comes_as_one_stl_too(nested, load, signed_in):
    answer = signed_in("technician").get(reverse("plate-file", args=[load.code]), {"as": "stl"})
    file = io.BytesIO(b"".join(answer.streaming_content))
    read = trimesh.load(file, file_type="stl")  # by a library that did not write it
    assert read.is_watertight
    assert read.volume == pytest.approx(3 * 20.0 * 30.0 * 15.0, rel=1e-5)
    assert answer["Content-Disposition"].endswith(f'filename="plate-{load.code}.stl"')


def test_a_printer_without_plate_size_is_told(load, signed_in):
    Machine.objects.update(plate_width_mm=None)
    signed_in("technician").post(reverse("plate-nest", args=[load.code]))
    tasks.perform(Work.objects.get(kind="nest").pk)
    page = signed_in("technician").get(reverse("plate", args=[load.code])).content.decode()
    assert "plate size of Printer is not known" in page


@pytest.mark.parametrize("body", ["", "[]", '{"placements": [{"name": "x"}]}', "{"])
def test_a_broken_request_is_refused(nested, load, signed_in, body):
    answer = signed_in("technician").post(
        reverse("plate-arrange", args=[load.code]), body, content_type="application/json"
    )
    assert answer.status_code in {400, 422}
