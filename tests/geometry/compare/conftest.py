"""One mouth scanned twice, and another mouth of the same kind."""

from __future__ import annotations

import pytest

from fixtures.arches import Arch, ArchSpec, rescan

MOUTH = ArchSpec(arch="lower", triangles=22_000, pose="random", size_sd=0.05, rotation_sd=6.0)


@pytest.fixture(scope="session")
def scans() -> dict[str, Arch]:
    """``later``: every tooth moved by up to 0.5 mm, one lost, another border and noise."""
    return {
        "first": rescan(MOUTH, 5, 1),
        "later": rescan(MOUTH, 5, 2, moved=0.5, lost=45, captured=7.0, noise=0.02),
        "other": rescan(MOUTH, 6, 3),
    }
