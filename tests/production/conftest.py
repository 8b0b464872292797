"""What the tests of the office's records share."""

from __future__ import annotations

import datetime as dt

import pytest

from production import storage
from production.models import Machine, Series, SeriesStep


@pytest.fixture
def aligner_series(office, patient) -> Series:
    """Step 3 of 12, both arches, worn since the day before yesterday; a visit in nine days."""
    today = office.today()
    row = Series.objects.create(
        patient=patient, started_on=today - dt.timedelta(days=30), wear_days=14, steps_upper=12,
        steps_lower=12, steps_per_visit=3, next_visit_on=today + dt.timedelta(days=9),
    )  # fmt: skip
    file = storage.store_bytes(b"step", "model/stl")
    SeriesStep.objects.bulk_create(
        SeriesStep(series=row, arch=arch, number=n, file=file)
        for arch in ("upper", "lower")
        for n in range(1, 13)
    )
    return row


@pytest.fixture
def machines(office) -> list[Machine]:
    """A machine of every kind that the usual routes need."""
    return [
        Machine.objects.create(code=code, name=code, kind=kind, capacity=capacity)
        for code, kind, capacity in [
            ("M-P", "printer", 6), ("M-W", "wash", 6), ("M-C", "cure", 6), ("M-F", "forming", 1),
        ]
    ]  # fmt: skip
