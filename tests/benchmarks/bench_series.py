"""Series of step models: planted swaps found, and the time of a long series.

Swaps: 20-step series of the arch generator, 0.1 to 0.25 mm per step, as they are and with
noise, other triangles and another pose in every step; each pair of neighbours is swapped
in turn. Time: 40 steps of 300,000 triangles from disk.
Run: ``python -m tests.benchmarks.bench_series [mouths]``.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import fast_simplification
import numpy as np
from scipy.spatial.transform import Rotation

from fixtures.arches import random_spec, step_series
from geometry.mesh import Mesh
from geometry.reading import write_stl
from geometry.series import check_series
from geometry.series.mouths import Step, crown_distances, sort_into_mouths
from geometry.series.order import judge_order
from geometry.series.surface import Surface
from tests.geometry.series.steps import base_arch, rigid_steps_of

MOUTHS, FIRST_SEED, STEPS = 3, 901, 20
LONG, TRIANGLES = 40, 300_000


def disturbed(mesh: Mesh, rng: np.random.Generator) -> Mesh:
    """Return the step re-exported: noise of 0.02 mm, other triangles, another pose."""
    noisy = mesh.vertices + rng.normal(0.0, 0.02, mesh.vertices.shape)
    points, faces = fast_simplification.simplify(
        noisy.astype(np.float32), mesh.faces, float(rng.uniform(0.1, 0.4))
    )
    pose = np.eye(4)
    pose[:3, :3] = Rotation.random(random_state=int(rng.integers(2**31))).as_matrix()
    pose[:3, 3] = rng.normal(size=3) * 20.0
    return Mesh(points.astype(np.float64), faces.astype(np.int32)).transformed(pose)


def swaps_found(meshes: list[Mesh]) -> tuple[int, bool]:
    """Return how many swapped neighbours were found, and whether the right order passed."""
    steps = [Step(str(k), "x", k, str(k), Surface.of(m)) for k, m in enumerate(meshes)]
    mouths = sort_into_mouths(steps)
    if len(mouths) > 1:
        return 0, False
    distances = crown_distances(mouths[0])
    clean = judge_order(distances)
    found = 0
    for k in range(len(meshes) - 1):
        order = np.arange(len(meshes))
        order[[k, k + 1]] = order[[k + 1, k]]
        seen = judge_order(distances[np.ix_(order, order)])
        found += seen.swapped == [(k, k + 1)] and not seen.misplaced and not seen.doubled
    return found, not (clean.swapped or clean.misplaced or clean.doubled)


def main() -> None:
    mouths = int(sys.argv[1]) if len(sys.argv) > 1 else MOUTHS
    for seed in range(FIRST_SEED, FIRST_SEED + mouths):
        spec = random_spec(seed, triangles=20_000, clean=True)
        series = [arch.mesh for arch in step_series(spec, seed, STEPS)]
        rng = np.random.default_rng(seed)
        for name, meshes in (
            ("as made", series), ("noise, triangles, poses", [disturbed(m, rng) for m in series])
        ):  # fmt: skip
            found, clean = swaps_found(meshes)
            print(
                f"mouth {seed}, {name:24s} {found} of {STEPS - 1} swapped neighbours found; "
                f"right order {'passes' if clean else 'is doubted'}",
                flush=True,
            )
    meshes, moved = rigid_steps_of(base_arch(FIRST_SEED, "upper", TRIANGLES), LONG, 3)
    with tempfile.TemporaryDirectory() as folder:
        for k, mesh in enumerate(meshes, start=1):
            (Path(folder) / f"upper_{k:02d}.stl").write_bytes(write_stl(mesh))
        triangles = len(meshes[0].faces)
        del meshes
        wall, cpu = time.perf_counter(), time.process_time()
        report = check_series(folder)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    arch = report["arches"]["upper"]
    off = [m["mm"] - moved[m["to"] - 1] for m in arch["movements"]]
    print(
        f"{LONG} steps of {triangles} triangles: {wall:.0f} s ({cpu:.0f} s of processor), "
        f"largest memory of this process {memory:.0f} MB; problems: {report['problems'] or 'none'}"
    )
    print(f"largest movement against the truth: mean {np.mean(off):+.3f}, sd {np.std(off):.3f} mm")


if __name__ == "__main__":
    main()
