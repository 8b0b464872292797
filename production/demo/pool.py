"""Scans for the demo: generated once, inspected and prepared once by the real geometry.

The history has far more scans than mouths worth generating, so its patients share
the pool's files; today's patients have mouths of their own.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings

from clinic.models import Patient, User, Visit
from fixtures.arches import make_arch, random_spec
from geometry.reading import write_stl
from production import storage
from production.inspecting import Inspected, inspect_stored
from production.models import PreparedModel, Scan, StoredFile
from production.preparing import Prepared, default_settings, prepare_stored

TRIANGLES = 60_000
#: Seeds of the pool's mouths. The first two pass, the last has a frenum that asks for a look.
POOL = {"upper": (102, 105, 100), "lower": (104, 102, 100)}


@dataclass(frozen=True)
class Mouth:
    """One arch of the pool with everything computed from it."""

    arch: str
    file: StoredFile
    inspected: Inspected
    prepared: Prepared


def scan_bytes(arch: str, seed: int, *, faulty: bool = False, triangles: int = TRIANGLES) -> bytes:
    """Return an STL file of a generated arch; a faulty one has a hole and too little tissue.

    Files are kept in the data folder, so that a second demo starts faster.
    """
    path = Path(settings.DATA_DIR) / "arches" / f"{arch}-{seed}-{int(faulty)}-{triangles}.stl"
    if path.exists():
        return path.read_bytes()
    spec = random_spec(
        seed, arch=arch, gaps="none", short_places="none", recession=False, clean=True
    ).but(
        triangles=triangles,
        captured=13.0,
        captured_sd=0.4,
        noise=0.008,
        pose="tilt",
        tilt=(4.0, -2.0),
        last_tooth=(7, 7),
        holes=(2.2,) if faulty else (),
        palate=False,
    )
    if faulty:
        spec = spec.but(short={(46 if arch == "lower" else 16, "lingual"): 1.0})
    data = write_stl(make_arch(spec, seed).mesh)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return data


def make_pool(user: User, patient: Patient) -> dict[str, list[Mouth]]:
    """Generate, inspect and prepare the pool. ``patient`` only lends the rows a name."""
    pool: dict[str, list[Mouth]] = {"upper": [], "lower": []}
    for arch, mouths in pool.items():
        for seed in POOL[arch]:
            file = storage.store_bytes(scan_bytes(arch, seed), "application/octet-stream")
            scan = Scan(patient=patient, arch=arch, file=file, uploaded_by=user)
            inspected = inspect_stored(scan)
            model = PreparedModel(scan=scan, settings=default_settings("", arch))
            mouths.append(Mouth(arch, file, inspected, prepare_stored(model)))
    return pool


def scan_on_record(
    mouth: Mouth, patient: Patient, user: User, visit: Visit, at: dt.datetime
) -> Scan:
    """Put a pool scan on a patient's record as it would have been taken in at ``at``."""
    return Scan.objects.create(
        patient=patient,
        visit=visit,
        arch=mouth.arch,
        file=mouth.file,
        uploaded_by=user,
        uploaded_at=at,
        upload_key=f"demo-{visit.pk}-{mouth.arch}",
        status=Scan.Status.INSPECTED,
        verdict=mouth.inspected.report["verdict"],
        report=mouth.inspected.report,
        overlays=mouth.inspected.overlays,
        view=mouth.inspected.view,
        picture=mouth.inspected.picture,
        inspected_at=at + dt.timedelta(seconds=2),
    )


def model_on_record(
    mouth: Mouth, user: User, at: dt.datetime, *, scan: Scan | None, source: StoredFile | None
) -> PreparedModel:
    """Put a pool model on record, made from ``scan`` or from a step's own file."""
    model = PreparedModel(
        scan=scan,
        source=source,
        settings=default_settings("", mouth.arch),
        made_by=user,
        made_at=at,
        approved_by=user,
        approved_at=at,
    )
    mouth.prepared.fill(model)
    model.save()
    return model
