"""Small generated arches that the tests of this package share."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from fixtures.arches import Arch, ArchSpec, make_arch
from geometry.dentition import Dentition, analyse
from geometry.topology import analyse as analyse_topology

Reading = tuple[Arch, Dentition]

CALM = {"triangles": 30_000, "noise": 0.005, "rotation_sd": 2.0, "crowding": 0.1, "ragged": 0.2}


def read(arch: Arch) -> Dentition:
    """Analyse a generated arch in its true frame."""
    return analyse(arch.mesh, arch.truth, analyse_topology(arch.mesh, self_intersections=False))


@pytest.fixture(scope="session")
def reader() -> Callable[[Arch], Dentition]:
    return read


@pytest.fixture(scope="session")
def planted() -> Reading:
    """Lower arch: short facial tissue at 46, 1.4 mm space, missing 35, lost papilla 45–44."""
    spec = ArchSpec(
        arch="lower", family="loft", captured=9.0, captured_sd=0.5, spaces={(44, 43): 1.4},
        missing=(35,), short={(46, "facial"): 1.5}, open_embrasures={(45, 44): 5.0}, **CALM,
    )
    arch = make_arch(spec, 3)
    return arch, read(arch)


@pytest.fixture(scope="session")
def whole() -> Reading:
    """Upper arch of the other family with a palate, no gap, nothing short, in a random pose."""
    spec = ArchSpec(arch="upper", family="lobes", palate=True, captured=9.0, captured_sd=0.5,
                    pose="random", **CALM)
    arch = make_arch(spec, 12)
    return arch, read(arch)
