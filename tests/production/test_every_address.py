"""Every address as every role: nobody meets an error page, nobody sees what is not theirs."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone

from clinic.models import Absence, Patient, Role, Visit
from clinic.permissions import CAPABILITIES
from production.actions import agree_promise, open_order
from production.actions.bench.loading import create_load
from production.models import (
    AccuracyCheck,
    ApplianceKind,
    Lot,
    Machine,
    MaintenanceTask,
    Material,
    PreparedModel,
    Scan,
    Series,
    SeriesIntake,
    Stage,
    StoredFile,
)

#: Open to everybody who is signed in; each decides by itself what it shows.
UNGUARDED = {"home", "logout", "today", "today-live", "day-sheet"}
PUBLIC = {"login", "healthz", "presence"}


def patterns(resolver: URLResolver | None = None) -> Iterator[URLPattern]:
    """Yield every address of the site."""
    for entry in (resolver or get_resolver()).url_patterns:
        if isinstance(entry, URLResolver):
            yield from patterns(entry)
        else:
            yield entry


@pytest.fixture
def examples(office, person, patient) -> dict[str, dict[str, object]]:
    """One record of every kind, by the name its address uses for it."""
    doctor = person("doctor")
    visit = Visit.objects.create(patient=patient, starts_at=timezone.now())
    file = StoredFile.objects.create(sha256="0" * 64, size=1)
    file.path.parent.mkdir(parents=True, exist_ok=True)
    file.path.write_bytes(b"x")
    scan = Scan.objects.create(
        patient=patient, arch="upper", file=file, view=file, picture=file, uploaded_by=doctor,
        upload_key="k", status="inspected", verdict="pass", overlays={},
        report={"findings": [], "arch": {"value": "upper", "confidence": 0.9},
                "file": {"format": "stl", "triangles": 1}, "engine": "1"},
    )  # fmt: skip
    model = PreparedModel.objects.create(
        scan=scan, status="made", file=file, view=file, picture=file, settings={"text": "X"},
        report={"height_mm": 15.0, "volume_ml": 9.0, "warnings": ["Look"],
                "block_out": {"added_mm3": 4.0, "residual_max_mm": 0.2,
                              "regions": [{"words": "gum: at 27"}]}},
    )  # fmt: skip
    kind = ApplianceKind.objects.get(code="retainer")
    order = open_order(doctor, patient, kind, ["upper"], visit=visit, key="o")
    agree_promise(doctor, order, timezone.now() + dt.timedelta(hours=5), key="p")
    appliance = order.appliances.get()
    machine = Machine.objects.create(
        code="M-P", name="Printer", kind="printer", capacity=4, plate_width_mm=100,
        plate_depth_mm=80,
    )  # fmt: skip
    check = AccuracyCheck.objects.create(
        machine=machine, trueness_mm=0.02, precision_mm=0.03, picture=file
    )
    task = MaintenanceTask.objects.create(machine=machine, name="Film", every_days=7)
    load = create_load(person("technician"), Stage.objects.get(code="print"), machine=machine)
    material = Material.objects.create(kind="sheet", name="Sheet", unit="piece")
    lot = Lot.objects.create(material=material, number="A", quantity=3)
    series = Series.objects.create(patient=patient, started_on=dt.date(2026, 1, 5), steps_upper=3)
    intake = SeriesIntake.objects.create(patient=patient, file=file, taken_by=doctor)
    absence = Absence.objects.create(person=person("technician"))
    whose = {
        "patients/": patient.uuid, "visits/": visit.uuid, "orders/": order.uuid,
        "chair/": patient.uuid, "scans/": scan.uuid, "models/": model.uuid,
        "machines/": machine.uuid,
    }  # fmt: skip
    return {
        "intake": {"series/": intake.uuid},
        "series": {"series/": series.uuid},
        "uuid": whose, "patient": whose, "scan": whose, "model": whose,
        "check": {"accuracy/": check.uuid},
        "key": {"machines/": machine.uuid, "chair/": "0123456789abcdef"},
        "code": {"appliance/": appliance.code, "papers/": appliance.code, "load/": load.code,
                 "settings/card/": "print"},
        "pk": {"stock/": lot.pk, "machines/": task.pk, "settings/": kind.pk, "photos/": 999,
               "plan/people/": absence.pk, "patients/list/": 999},
        "slug": {"settings/": "kinds"}, "name": {"review/": "causes"},
        "what": {"review/": "ready", "machines/": "trueness", "patients/list/": "patients"},
        "context": {"bench/": f"appliance:{appliance.code}"},
    }  # fmt: skip


def fill(route: str, examples: dict[str, dict[str, object]]) -> str:
    """Put an example into every place of a route."""

    def value(match: re.Match[str]) -> str:
        name = match[1].split(":")[-1]
        for prefix, example in examples[name].items():
            if route.startswith(prefix):
                return str(example)
        raise AssertionError(f"no example for <{name}> in {route}")

    return "/" + re.sub(r"<([^>]+)>", value, route)


def test_every_address_as_every_role(examples, signed_in):
    seen = 0
    clients = {role: signed_in(role) for role in Role.values}
    # An error becomes an answer here, so that one broken page does not hide the next.
    for client in clients.values():
        client.raise_request_exception = False
    wrong = []
    for pattern in patterns():
        name = pattern.name or ""
        if name in PUBLIC or name == "logout":
            continue
        address = fill(str(pattern.pattern), examples)
        capability = getattr(pattern.callback, "capability", None)
        if capability is None and name not in UNGUARDED:
            wrong.append(f"{name}: no capability guards it")
        for role, client in clients.items():
            status = client.get(address).status_code
            seen += 1
            allowed = capability is None or role in CAPABILITIES[capability]
            if status >= 500:
                wrong.append(f"{name} {address} as {role}: {status}")
            elif allowed and status == 403:
                wrong.append(f"{name} as {role}: refused though allowed")
            elif not allowed and status not in (403, 405):
                wrong.append(f"{name} as {role}: {status} though not allowed")
    assert wrong == []
    assert seen > 250


def test_strangers_see_only_the_sign_in_the_health_check_and_that_nobody_is_signed_in(examples):
    client = Client()
    for pattern in patterns():
        if pattern.name in PUBLIC:
            continue
        address = fill(str(pattern.pattern), examples)
        answer = client.get(address)
        moved = answer.status_code == 302 and answer.headers["Location"].startswith("/login/")
        assert moved or answer.status_code == 405, address


def test_no_address_holds_a_name_or_chart_number(examples):
    patient = Patient.objects.get()
    for pattern in patterns():
        address = fill(str(pattern.pattern), examples)
        assert patient.chart_number not in address
        assert patient.family_name.lower() not in address.lower()
