"""Scans that several tests look at, made once."""

import pytest

from fixtures.arches import Arch, random_arch
from geometry.inspection import Inspection, inspect_scan
from geometry.reading import write_stl

PLAIN = {
    "short_places": "none",
    "gaps": "none",
    "recession": False,
    "clean": True,
    "captured": 12.0,
    "captured_sd": 0.3,
    "ragged": 0.2,
    "triangles": 40_000,
}


@pytest.fixture(scope="session")
def lower() -> Arch:
    return random_arch(21, arch="lower", last_tooth=(7, 7), **PLAIN)


@pytest.fixture(scope="session")
def upper() -> Arch:
    return random_arch(22, arch="upper", last_tooth=(7, 7), palate=False, **PLAIN)


@pytest.fixture(scope="session")
def lower_found(lower: Arch) -> Inspection:
    return inspect_scan(write_stl(lower.mesh), "lower.stl", arch="lower")
