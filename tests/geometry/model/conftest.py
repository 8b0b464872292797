"""A few generated arches, made and prepared once for the tests of this package."""

from __future__ import annotations

from functools import cache

from fixtures.arches import Arch, ArchSpec, make_arch
from geometry.model import ModelSettings, PreparedModel, prepare

SPECS: dict[str, tuple[ArchSpec, int]] = {
    "upper": (ArchSpec(triangles=40_000, noise=0.0, pose="random"), 31),
    "lower": (
        ArchSpec(
            arch="lower",
            triangles=40_000,
            undercut=1.0,
            spee=2.5,
            pose="random",
            missing=(36,),
            spaces={(41, 31): 1.6},
        ),
        32,
    ),
    "ragged": (
        ArchSpec(
            triangles=40_000,
            ragged=1.2,
            palate=True,
            holes=(1.4,),
            islands=2,
            pose="random",
            captured=7.0,
            short={(16, "facial"): 2.0},
        ),
        33,
    ),
}


@cache
def arch(name: str) -> Arch:
    spec, seed = SPECS[name]
    return make_arch(spec, seed)


@cache
def model(name: str, **settings: object) -> PreparedModel:
    return prepare(arch(name).mesh, ModelSettings(**settings))  # type: ignore[arg-type]
