"""An office with machines, lots and appliances whose scans and models exist."""

from __future__ import annotations

import itertools

import pytest
from django.utils import timezone

from clinic.models import Patient
from production.actions import open_order
from production.actions.bench.move import attach_model, create_load, deliver, start_load
from production.models import (
    Appliance,
    ApplianceKind,
    Load,
    Lot,
    Machine,
    Material,
    PreparedModel,
    Program,
    RemakeCause,
    Scan,
    Stage,
    StoredFile,
)

MACHINES = [
    ("M-PRINT", "Printer", "printer", 8),
    ("M-WASH", "Wash unit", "wash", 8),
    ("M-CURE", "Curing unit", "cure", 4),
    ("M-FORM", "Forming machine", "forming", 1),
]
_numbers = itertools.count(1)


class Bench:
    """Handles to what the tests of the bench use."""

    def __init__(self, person) -> None:
        self.technician = person("technician")
        self.doctor = person("doctor")
        self.desk = person("front_desk")
        self.kind = ApplianceKind.objects.get(code="retainer")
        self.stages = {s.code: s for s in Stage.objects.all()}
        self.machines = {
            kind: Machine.objects.create(code=code, name=name, kind=kind, capacity=capacity)
            for code, name, kind, capacity in MACHINES
        }
        self.lots = {}
        for kind, name in [
            ("resin", "Model resin grey"),
            ("sheet", "Clear sheet 1.0"),
            ("block_out", "Block-out paste"),
            ("disinfectant", "Soaking disinfectant"),
        ]:
            material = Material.objects.create(
                kind=kind, name=name, unit="ml" if kind == "resin" else "piece"
            )
            self.lots[kind] = Lot.objects.create(material=material, number=f"{name[:3]}-77")
        resin, sheet = self.lots["resin"].material, self.lots["sheet"].material
        for stage, material, name, minutes in [
            ("print", resin, "Models 0.1", 40),
            ("wash", resin, "Two baths", 12),
            ("cure", resin, "Models", 15),
            ("form", sheet, "Clear 1.0", 4),
        ]:
            Program.objects.create(
                stage=self.stages[stage], material=material, name=name, minutes=minutes
            )

    def scan(self, patient: Patient, arch: str, verdict: str = "pass") -> Scan:
        """A scan that was inspected."""
        number = next(_numbers)
        file = StoredFile.objects.create(sha256=f"{number:064x}", size=84)
        return Scan.objects.create(
            patient=patient,
            arch=arch,
            file=file,
            uploaded_by=self.technician,
            upload_key=f"test-{number}",
            status=Scan.Status.INSPECTED,
            verdict=verdict,
            report={"findings": []},
        )

    def model(self, scan: Scan) -> PreparedModel:
        """A print-ready model that was looked at."""
        return PreparedModel.objects.create(
            scan=scan,
            status=PreparedModel.Status.MADE,
            file=scan.file,
            report={"volume_ml": 9.5, "height_mm": 20.0},
            approved_by=self.technician,
            approved_at=timezone.now(),
        )

    def order(self, patient: Patient, arches=("upper",), *, sheet=None, prepared=True):
        """An order whose appliances wait at “prepare” with scan and (if prepared) model."""
        order = open_order(
            self.doctor,
            patient,
            self.kind,
            arches,
            sheet=sheet,
            scans={arch: self.scan(patient, arch) for arch in arches},
            key=f"order-{next(_numbers)}",
        )
        if prepared:
            for appliance in order.appliances.all():
                attach_model(self.technician, appliance, self.model(appliance.scan))
        return order

    def appliance(self, patient: Patient, arch: str = "upper") -> Appliance:
        """One appliance waiting at “prepare”."""
        return self.order(patient, (arch,)).appliances.get()

    def plate(self, rows) -> Load:
        """A plate that prints these appliances."""
        load = create_load(self.technician, self.stages["print"], appliances=rows)
        return start_load(
            self.technician,
            load,
            machine=self.machines["printer"],
            lots=[self.lots["resin"]],
            key=f"{load.code}-s",
        )

    def hand_over(self, appliance: Appliance, **changes):
        """Hand it over as it should be, but for ``changes``."""
        options = {
            "code_on_bag": appliance.code,
            "identity_checked": True,
            "try_in": "seats",
            "key": f"{appliance.code}-hand",
        }
        return deliver(self.desk, appliance, **{**options, **changes})

    def cause(self, code: str) -> RemakeCause:
        """A leaf of the tree of causes."""
        return RemakeCause.objects.get(code=code)

    def ticks(self, stage: str) -> list[str]:
        """Every line of a stage's card."""
        card = self.stages[stage].cards.order_by("-version").first()
        return [item["id"] for item in card.items]


@pytest.fixture
def bench(office, person) -> Bench:
    """The bench of a small office."""
    return Bench(person)


@pytest.fixture
def ready(bench, patient) -> Appliance:
    """An appliance in its bag, to be handed over."""
    # Here, so that pytest meets that file as a test first.
    from tests.production.bench.test_whole_way import walk

    appliance = bench.appliance(patient)
    walk(bench, appliance)
    return appliance
