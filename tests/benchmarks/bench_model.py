"""Prepared models of arches nobody tuned on: what is asked of them, counted, and the time.

Closedness, genus, deviation and residual undercut (by the lattice that shapes the fill, and
by rays) on random mouths in random poses; CPU seconds at
300,000 triangles beside a plain manifold3d union of the same solid and fill. Run:
``python -m tests.benchmarks.bench_model [arches] [first seed]``. Kinds of scans of the second
generator (holes, ragged, noisy, closed, islands, palates, partial) beside plain ones:
``python -m tests.benchmarks.bench_model kinds [mouths of each] [first seed]``.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import manifold3d
import numpy as np
import trimesh

from fixtures.arches import ArchSpec, make_arch, random_arch
from fixtures.mouths import Spec, make_mouth, part_of, patient, scan_of
from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model import ModelSettings, prepare, preview
from geometry.reading.weld import weld_indexed
from geometry.topology.intersections import find_intersections
from tests.geometry.model.rays import deeper_than

ARCHES, FIRST_SEED = 24, 5000
OF_EACH, FIRST_MOUTH = 3, 100


def judge(solid: Mesh) -> tuple[bool, int, int]:
    """Closed by another library, genus, crossings."""
    body = manifold3d.Manifold(
        manifold3d.Mesh64(solid.vertices.copy(), solid.faces.astype(np.uint64))
    )
    closed = body.status() == manifold3d.Error.NoError and len(body.decompose()) == 1
    return closed, body.genus(), find_intersections(solid)[0] or 0


def study(count: int, first: int) -> None:
    """Prepare random mouths and count what holds."""
    held: Counter[str] = Counter()
    left, by_rays, deviation, p99 = [], [], [], []
    for seed in range(first, first + count):
        arch = random_arch(seed, triangles=60_000, pose="random")
        try:
            made = prepare(arch.mesh, ModelSettings())
            unfilled = prepare(arch.mesh, ModelSettings(block_out=None, trim=made.cut_z))
        except GeometryError as error:
            held["refused"] += 1
            print(f"  seed {seed}: refused: {error}")
            continue
        closed, genus, crossings = judge(made.solid)
        fill = made.report["block_out"]
        share = fill["undercut_after_mm3"] / max(fill["undercut_before_mm3"], 0.5)
        right = (made.transform[:3, :3] @ arch.truth.right)[0]
        wanted = 1.0 if arch.truth.arch == "upper" else -1.0
        held["made"] += 1
        held["closed"] += closed
        held["genus 0"] += genus == 0
        held["no crossings"] += crossings == 0
        held["residual <= 3 %"] += share <= 0.03
        held["not mirrored, arch told right"] += right * wanted > 0.9
        held["deviation max <= 0.005"] += made.report["surface_deviation_mm"]["max"] <= 0.005
        left.append(share)
        first, rest = (
            deeper_than(trimesh.Trimesh(m.solid.vertices, m.solid.faces, process=False), 0.25)
            for m in (unfilled, made)
        )
        if first > 2.0:
            by_rays.append(rest / first)
            held["residual by rays <= 3 %"] += by_rays[-1] <= 0.03
        deviation.append(made.report["surface_deviation_mm"]["max"])
        p99.append(made.report["surface_deviation_mm"]["p99"])
    print(dict(held))
    print(
        f"residual undercut by rays, {len(by_rays)} arches with more than 2 mm³: median "
        f"{np.median(by_rays):.4f}, worst {max(by_rays):.4f}"
    )
    print(
        f"residual undercut: median {np.median(left):.4f}, worst {max(left):.4f}; "
        f"deviation max: median {np.median(deviation):.4f}, worst {max(deviation):.4f} mm, "
        f"p99 worst {max(p99):.6f} mm"
    )


def _closed(base: str, spec: Spec) -> Spec:
    return replace(spec, closed=base, islands=0, flaps=0)


KINDS: dict[str, Callable[[Spec, np.random.Generator], Spec]] = {
    "plain": lambda spec, rng: spec,
    "holes": lambda spec, rng: replace(spec, holes=3),
    "ragged, flaps": lambda spec, rng: replace(spec, ragged=2.0, flaps=3),
    "noise 0.03-0.05": lambda spec, rng: replace(spec, noise=float(rng.uniform(0.03, 0.05))),
    "closed, flat base": lambda spec, rng: _closed("flat", spec),
    "closed, horseshoe": lambda spec, rng: _closed("horseshoe", spec),
    "islands": lambda spec, rng: replace(spec, islands=3),
    "full palate": lambda spec, rng: replace(spec, arch="upper", palate="full"),
    "half arch": lambda spec, rng: part_of(spec, rng, 0.5),
    "about three teeth": lambda spec, rng: part_of(spec, rng, 0.3),
}


def kinds(count: int, first: int) -> None:
    """Prepare scans of each kind, random mouths in random poses, the arch stated."""
    for name, kind in KINDS.items():
        held: Counter[str] = Counter()
        worst, border = 0.0, 0.0
        for seed in range(first, first + count):
            rng = np.random.default_rng(seed)
            who = patient(rng, "upper" if name == "full palate" else "")
            spec = kind(replace(scan_of(who, rng, plain=True), triangles=45_000), rng)
            vertices, faces, truth = make_mouth(spec)
            scan = weld_indexed(vertices.astype(np.float32), faces.astype(np.int32))
            try:
                made = prepare(scan, ModelSettings(arch=truth.arch))
            except GeometryError as error:
                held["refused"] += 1
                print(f"  {name}, seed {seed}: refused: {error}")
                continue
            closed, genus, crossings = judge(made.solid)
            report = made.report
            fill = report["block_out"]
            right = float((made.transform[:3, :3] @ truth.right)[0])
            held["made"] += 1
            held["closed, genus 0, no crossings"] += closed and genus == 0 and crossings == 0
            held["on z = 0"] += made.solid.vertices[:, 2].min() == 0.0
            held["residual <= 3 %"] += fill["undercut_after_mm3"] <= 0.03 * max(
                fill["undercut_before_mm3"], 0.5
            )
            held["faces front"] += right * (1.0 if truth.arch == "upper" else -1.0) > 0.9
            held["deviation <= 0.005"] += report["surface_deviation_mm"]["max"] <= 0.005
            for place in report["mended"]:
                if place["what"] == "border":
                    border = max(border, place["deviation_mm"])
                elif place["what"] != "loose":
                    worst = max(worst, place["deviation_mm"])
        print(
            f"{name:18s} {dict(held)}; named places up to {worst:.2f} mm off, border "
            f"{border:.2f} mm",
            flush=True,
        )


def speed() -> None:
    """CPU seconds at 300,000 triangles: model, preview, and a bare union."""
    for name, spec in (
        ("clean", ArchSpec(triangles=300_000, noise=0.0)),
        ("ordinary", ArchSpec(triangles=300_000, arch="lower", undercut=0.7)),
    ):
        mesh = make_arch(spec, 9).mesh
        prepare(mesh, ModelSettings())
        clock, wall = time.process_time(), time.perf_counter()
        made = prepare(mesh, ModelSettings())
        took = time.process_time() - clock, time.perf_counter() - wall
        preview(mesh, ModelSettings())
        clock, again = time.process_time(), time.perf_counter()
        preview(mesh, ModelSettings(height=16.0))
        nudge = time.process_time() - clock, time.perf_counter() - again
        body = manifold3d.Manifold(
            manifold3d.Mesh64(made.solid.vertices.copy(), made.solid.faces.astype(np.uint64))
        )
        clock = time.process_time()
        (body + body.translate((0.05, 0.03, 0.02))).num_tri()
        union = time.process_time() - clock
        print(
            f"{name}: {len(mesh.faces)} triangles, model {took[0]:.1f} s CPU ({took[1]:.1f} s by "
            f"the clock), preview after a nudge {nudge[0]:.1f} s CPU ({nudge[1]:.1f} s), a bare "
            f"manifold3d union of two such solids {union:.1f} s CPU"
        )


def main() -> None:
    if sys.argv[1:2] == ["kinds"]:
        count = int(sys.argv[2]) if len(sys.argv) > 2 else OF_EACH
        kinds(count, int(sys.argv[3]) if len(sys.argv) > 3 else FIRST_MOUTH)
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else ARCHES
    first = int(sys.argv[2]) if len(sys.argv) > 2 else FIRST_SEED
    study(count, first)
    speed()


if __name__ == "__main__":
    main()
