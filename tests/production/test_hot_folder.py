"""An approved model lies in the printer's folder, whole, under a neutral name."""

from __future__ import annotations

import pytest
from django.urls import reverse

from clinic.models import Office
from production import storage, tasks
from production.actions import open_order
from production.actions.bench.finishing import card_of, finish
from production.actions.bench.loading import create_load, start_load
from production.actions.chair.prepare_model import approve_model
from production.actions.chair.scanning import attach_model
from production.actions.errors import Refused
from production.hot_folder import folder_for
from production.models import (
    ApplianceKind,
    Load,
    Lot,
    Machine,
    Material,
    Plate,
    PreparedModel,
    Scan,
    Stage,
    Work,
)

BODY = b"solid bytes of a print file"


@pytest.fixture
def appliance(office, person, patient, monkeypatch):
    """An appliance with a made model that nobody has looked at."""
    monkeypatch.setattr("production.work.wake", lambda pk, kind: None)
    file = storage.store_bytes(BODY, "model/stl")
    doctor = person("doctor")
    scan = Scan.objects.create(
        patient=patient, arch="upper", file=file, uploaded_by=doctor, upload_key="k",
        status="inspected", verdict="pass", report={"findings": []},
    )  # fmt: skip
    kind = ApplianceKind.objects.get(code="retainer")
    order = open_order(doctor, patient, kind, ["upper"], scans={"upper": scan}, key="o")
    made = PreparedModel.objects.create(
        scan=scan, status="made", file=file, report={}, settings={"text": "K7M2-P"}
    )
    found = order.appliances.get()
    attach_model(person("technician"), found, made)
    found.refresh_from_db()
    return found


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "printer"
    made.mkdir()
    Office.objects.update(hot_folder=str(made))
    return made


def ticks():
    """Every line of the card at “prepare”."""
    return [item["id"] for item in card_of(Stage.objects.get(code="prepare")).items]


def approve(appliance, signed_in):
    client = signed_in("technician")
    client.post(reverse("model-approve", args=[appliance.model.uuid]))
    send = Work.objects.get(kind="send")
    tasks.perform(send.pk)
    return client.get(reverse("model", args=[appliance.model.uuid])).content.decode()


def test_approving_lays_the_whole_file_into_the_folder(appliance, folder, signed_in):
    page = approve(appliance, signed_in)
    assert [p.name for p in folder.iterdir()] == ["model-K7M2-P.stl"]
    assert (folder / "model-K7M2-P.stl").read_bytes() == BODY
    assert "In the printer" in page


def test_without_a_folder_nothing_is_copied_and_nothing_said(appliance, signed_in):
    page = approve(appliance, signed_in)
    appliance.model.refresh_from_db()
    assert appliance.model.sent_at is None
    assert "printer's folder" not in page


def test_a_folder_that_is_away_is_named_and_the_file_can_be_sent_again(
    appliance, folder, signed_in
):
    folder.rmdir()
    page = approve(appliance, signed_in)
    assert "is not there" in page
    folder.mkdir()
    signed_in("technician").post(reverse("model-send", args=[appliance.model.uuid]))
    tasks.perform(Work.objects.filter(kind="send").latest("pk").pk)
    appliance.model.refresh_from_db()
    assert appliance.model.sent_at is not None
    assert appliance.model.sent_problem == ""
    assert len(list(folder.iterdir())) == 1


def test_a_printer_s_own_folder_comes_before_the_office_s(office, tmp_path):
    assert folder_for() is None
    own = Machine.objects.create(code="M-P", name="P", kind="printer", hot_folder=str(tmp_path))
    assert folder_for() == folder_for(own) == tmp_path
    Office.objects.update(hot_folder="/shared")
    assert str(folder_for()) == "/shared"
    assert folder_for(own) == tmp_path


def test_a_plate_is_sent_to_its_printer(appliance, folder, signed_in, person):
    load = create_load(person("technician"), Stage.objects.get(code="print"))
    file = storage.store_bytes(b"plate", "model/3mf")
    Plate.objects.create(load=load, file=file, picture=file, report={"placed": []}, height_mm=15)
    signed_in("technician").post(reverse("plate-send", args=[load.code]))
    tasks.perform(Work.objects.get(kind="send-plate").pk)
    assert (folder / f"plate-{load.code}.3mf").read_bytes() == b"plate"
    page = signed_in("technician").get(reverse("plate", args=[load.code])).content.decode()
    assert f"plate-{load.code}.3mf" in page


def test_preparing_ends_only_with_an_approved_model(appliance, person):
    technician = person("technician")
    with pytest.raises(Refused, match="approve"):
        finish(technician, appliance, key="f", start_unknown=True, ticks=ticks())
    approve_model(technician, appliance.model)
    appliance.refresh_from_db()
    finish(technician, appliance, key="f", start_unknown=True, ticks=ticks())
    appliance.refresh_from_db()
    assert appliance.stage.code == "print"


def test_the_manager_can_lift_the_approval_for_a_kind(appliance, person):
    ApplianceKind.objects.update(approve_model=False)
    appliance.refresh_from_db()
    finish(person("technician"), appliance, key="f", start_unknown=True, ticks=ticks())
    appliance.refresh_from_db()
    assert appliance.stage.code == "print"


def test_no_print_starts_with_a_model_that_was_changed_after_the_approval(appliance, person):
    technician = person("technician")
    type(appliance).objects.filter(pk=appliance.pk).update(stage=Stage.objects.get(code="print"))
    appliance.refresh_from_db()
    printer = Machine.objects.create(code="M-P", name="P", kind="printer", capacity=4)
    resin = Material.objects.create(kind="resin", name="Resin", unit="ml")
    lot = Lot.objects.create(material=resin, number="1", quantity=500)
    load = create_load(technician, Stage.objects.get(code="print"), appliances=[appliance])
    with pytest.raises(Refused, match="approve"):
        start_load(technician, load, machine=printer, lots=[lot], key="s")
    load.refresh_from_db()
    assert load.status == Load.Status.FILLING
