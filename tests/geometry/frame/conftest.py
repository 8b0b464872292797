"""Three arches with known axes, made once."""

from __future__ import annotations

import pytest

from fixtures.arches import Arch, ArchSpec, make_arch

SPECS = {
    "lower": ArchSpec(arch="lower", spee=2.0, wilson=5.0, triangles=22_000, pose="random"),
    "upper": ArchSpec(
        arch="upper", spee=-0.8, form=2.5, family="lobes", triangles=22_000, pose="random"
    ),
    "palate": ArchSpec(
        arch="upper", spee=-0.6, palate=True, palate_depth=18.0, triangles=22_000, pose="random"
    ),
}


@pytest.fixture(scope="session")
def arches() -> dict[str, Arch]:
    """Arches by name; none lies the way the axes of its file do."""
    return {name: make_arch(spec, 40 + k) for k, (name, spec) in enumerate(SPECS.items())}
