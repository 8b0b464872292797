"""Time of the inspection, whole and in parts, beside general libraries.

    python -m tests.benchmarks.bench_inspection [--repeats 5] [--large]

One run, warm, medians; the same mesh for all. Beside it: trimesh (topology), embreex
(undercut by rays), manifold3d (topology). ``--large`` adds a million triangles. Memory is
the peak of a process of its own that does nothing but inspect.
"""

from __future__ import annotations

import argparse
import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import trimesh

from fixtures.arches import random_arch
from geometry.inspection import inspect_scan, warm
from geometry.mesh import Mesh
from geometry.reading import read_mesh, write_stl
from geometry.topology import analyse
from geometry.undercut import measure, survey


def median_ms(work: Callable[[], Any], repeats: int) -> tuple[float, float]:
    """Return the median wall-clock and processor time of ``work``, ms."""
    work()
    walls, processors = [], []
    for _ in range(repeats):
        wall, processor = time.perf_counter(), time.process_time()
        work()
        walls.append((time.perf_counter() - wall) * 1000)
        processors.append((time.process_time() - processor) * 1000)
    return statistics.median(walls), statistics.median(processors)


def show(name: str, figures: tuple[float, float], target: str = "") -> None:
    print(f"{name:46s} {figures[0]:9.1f} ms wall {figures[1]:9.1f} ms cpu   {target}")


def by_trimesh(mesh: Mesh) -> tuple[int, int, bool]:
    """Pieces, border edges and closedness with trimesh."""
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    pieces = trimesh.graph.connected_components(
        body.face_adjacency, nodes=np.arange(len(mesh.faces))
    )
    borders = trimesh.grouping.group_rows(body.edges_sorted, require_count=1)
    return len(pieces), len(borders), bool(body.is_winding_consistent)


def by_manifold(mesh: Mesh) -> Any:
    """Try to make a manifold of the mesh with manifold3d."""
    body = manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32))
    return manifold3d.Manifold(body).status()


def by_rays(mesh: Mesh, up: np.ndarray, pitch: float) -> float:
    """Heights under the lattice lines with Embree: build and cast, all crossings."""
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    side = np.cross(up, [0.36, 0.48, 0.8])
    axes = np.stack([side / np.linalg.norm(side), np.cross(up, side / np.linalg.norm(side)), up])
    local = mesh.vertices @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    x, y = (np.arange(low[k], high[k], pitch) for k in (0, 1))
    grid = np.array(np.meshgrid(x, y, indexing="ij")).reshape(2, -1).T
    origins = np.column_stack([grid, np.full(len(grid), high[2] + 1)]) @ axes
    hits, _, _ = body.ray.intersects_location(origins, np.tile(-up, (len(grid), 1)))
    return float(len(hits))


# What a worker does, without the other libraries; VmHWM is the peak of resident memory.
_INSPECT = """
import sys
from pathlib import Path

def peak():
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024

from geometry.inspection import inspect_scan, warm
if sys.argv[2:]:
    warm()
before = peak()
inspect_scan(Path(sys.argv[1]).read_bytes(), "scan.stl")
print(f"{before:.0f} {peak():.0f}")
"""


def memory(path: Path, *, warmed: bool) -> tuple[float, float]:
    """Return the peak resident memory before and after one inspection, MiB.

    Measured in a new process that only inspects: a warmed worker's, or a command's.
    """
    given = [sys.executable, "-c", _INSPECT, str(path), *(["warm"] if warmed else [])]
    said = subprocess.run(given, check=True, capture_output=True, text=True).stdout.split()
    return float(said[0]), float(said[1])


def bench(triangles: int, repeats: int) -> None:
    arch = random_arch(77, triangles=triangles, arch="upper", palate=True)
    data = write_stl(arch.mesh)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.stl"
        path.write_bytes(data)
        print(f"\n{len(arch.mesh.faces)} triangles, {len(data) / 1e6:.1f} MB binary STL")
        reading = median_ms(path.read_bytes, repeats)
        show("reading the bytes", reading)
        loading = median_ms(lambda: read_mesh(data, "scan.stl"), repeats)
        show("load + weld + hash", loading, f"{loading[0] / reading[0]:.1f} x reading, target 10 x")
        show(
            "  beside it: trimesh load",
            median_ms(lambda: trimesh.load(io.BytesIO(data), file_type="stl"), 2),
        )
        for warmed, who in ((True, "warmed worker"), (False, "command")):
            before, peak = memory(path, warmed=warmed)
            print(
                f"{'peak memory, ' + who:46s} {peak:9.0f} MiB, {before:.0f} before the scan;"
                "   target 600 at 300,000"
            )
    mesh = read_mesh(data, "scan.stl").mesh
    topology = median_ms(lambda: analyse(mesh), repeats)
    show("topology, with crossings", topology)
    show(
        "load + weld + topology",
        (loading[0] + topology[0], loading[1] + topology[1]),
        "target 150 ms at 300,000",
    )
    plain = median_ms(lambda: analyse(mesh, self_intersections=False), repeats)
    show("topology, without crossings", plain)
    theirs = median_ms(lambda: by_trimesh(mesh), 2)
    show(
        "  beside it: trimesh topology",
        theirs,
        f"{theirs[1] / plain[1]:.1f} x ours (cpu), target 5 x",
    )
    theirs = median_ms(lambda: by_manifold(mesh), 2)
    show("  beside it: manifold3d", theirs, f"{theirs[1] / plain[1]:.1f} x ours (cpu)")
    main, up = analyse(mesh, self_intersections=False).main, arch.truth.occlusal
    fill = median_ms(lambda: measure(main, up, pitch_mm=0.1, depths=False), repeats)
    show("undercut fill, 0.1 mm", fill, "target 25 ms at 300,000")
    theirs = median_ms(lambda: by_rays(main, up, 0.1), 2)
    show(
        "  beside it: embreex build and rays",
        theirs,
        f"{theirs[1] / fill[1]:.1f} x ours (cpu), target 5 x",
    )
    show("undercut with depths", median_ms(lambda: measure(main, up, pitch_mm=0.1), repeats))
    show("200 directions", median_ms(lambda: survey(main, up, count=200), 2), "target 500 ms")
    whole = median_ms(lambda: inspect_scan(data, "scan.stl"), repeats)
    show("file to verdict", whole, "target 1000 ms at 300,000, 3500 ms at 1,000,000")
    found = inspect_scan(data, "scan.stl")
    print("parts", found.report["timings_ms"])
    show(
        "view mesh",
        median_ms(found.view_glb, 2),
        f"{len(found.view_glb()) / 1e6:.2f} MB, target 1.5",
    )
    show("picture 960 x 720", median_ms(lambda: found.picture(960, 720), 2))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--large", action="store_true")
    given = parser.parse_args()
    begin = time.perf_counter()
    warm()
    print(f"warm-up {time.perf_counter() - begin:.1f} s; load average {os.getloadavg()[0]:.1f}")
    for triangles in (100_000, 300_000, *((1_000_000,) if given.large else ())):
        bench(triangles, given.repeats)


if __name__ == "__main__":
    main()
