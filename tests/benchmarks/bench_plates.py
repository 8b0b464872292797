"""Models per plate and time, beside a greedy raster placement in the same run.

Horseshoes of 1,836 mm² in several proportions, and mixed horseshoes, on 192 x 120 mm with
a gap of 2 mm; then fresh shapes: one horseshoe twelve times, unlike ones, some with palates,
some partial arches; ten models of 300,000 triangles from mesh to layout and 3MF.
Run: ``python -m tests.benchmarks.bench_plates [seeds]``.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import shapely

from geometry.mesh import Mesh
from geometry.plates import Item, nest, warm
from tests.geometry.plates.bodies import (
    extruded,
    horseshoe,
    palate,
    partial_arch,
    raster_greedy,
)

SEEDS = 3
PLATE, GAP = (192.0, 120.0), 2.0
FORMS = ((62, 52), (66, 60), (70, 55), (74, 50))


def divided(outline: shapely.Polygon, triangles: int) -> Mesh:
    """Return a solid over about this outline with about so many triangles."""
    import trimesh

    halvings = 4
    # Walls and both ends of a prism over n corners have 4 n - 4 triangles.
    corners = triangles // 4 ** (halvings + 1) + 1
    line = outline.exterior
    places = np.linspace(0.0, line.length, corners, endpoint=False)
    solid = extruded(shapely.Polygon(shapely.get_coordinates(line.interpolate(places))))
    body = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
    for _ in range(halvings):
        body = body.subdivide()
    return Mesh(np.array(body.vertices), body.faces.astype(np.int32))


def compared(name: str, outlines: list, seed: int) -> None:
    solids = {id(o): extruded(o) for o in outlines}
    items = [Item(str(k), solids[id(o)]) for k, o in enumerate(outlines)]
    wall, cpu = time.perf_counter(), time.process_time()
    layout = nest(items, PLATE, GAP, seed=seed)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    greedy = raster_greedy(outlines, PLATE, GAP)
    clean = "gaps kept" if not layout.conflicts() else "CONFLICTS"
    print(
        f"{name:22s} seed {seed}: {len(layout.placed):2d} nested, {greedy:2d} by greedy raster; "
        f"{wall:4.1f} s ({cpu:4.1f} s of processor); {clean}",
        flush=True,
    )


def fresh(seed: int) -> list[tuple[str, list]]:
    """Return lists of shapes that no limit was set on."""
    rng = np.random.default_rng([seed, 4242])

    def any_horseshoe() -> shapely.Polygon:
        return horseshoe(rng.uniform(58, 76), rng.uniform(46, 62), rng.uniform(1650, 2000))

    def other(shape: shapely.Polygon, share: float) -> shapely.Polygon:
        return any_horseshoe() if rng.random() < share else shape

    width, depth, area = rng.uniform(58, 76), rng.uniform(46, 62), rng.uniform(1700, 1950)
    palates = [palate(rng.uniform(58, 72), rng.uniform(46, 58)) for _ in range(14)]
    partials = [
        partial_arch(
            rng.uniform(58, 72), rng.uniform(46, 58), rng.uniform(1200, 1800), rng.uniform(-16, 16)
        )
        for _ in range(18)
    ]
    return [
        (f"{area:.0f} mm², {width:.0f} x {depth:.0f}", [horseshoe(width, depth, area)] * 12),
        ("unlike", [any_horseshoe() for _ in range(12)]),
        ("with palates", [other(shape, 0.6) for shape in palates]),
        ("with partial arches", [other(shape, 0.5) for shape in partials]),
    ]


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    warm()
    for seed in range(seeds):
        for form in FORMS:
            compared(f"1836 mm², {form[0]} x {form[1]}", [horseshoe(*form)] * 12, seed)
        rng = np.random.default_rng([seed, 77])
        mixed = [
            horseshoe(rng.uniform(55, 74), rng.uniform(45, 58), rng.uniform(900, 1600))
            for _ in range(12)
        ]
        compared("mixed, 900-1600 mm²", mixed, seed)
        for name, outlines in fresh(seed):
            compared(name, outlines, seed)
    rng = np.random.default_rng(9)
    solids = [
        divided(
            horseshoe(rng.uniform(55, 70), rng.uniform(45, 55), rng.uniform(900, 1300)), 300_000
        )
        for _ in range(10)
    ]
    for plate in ((192.0, 120.0), (220.0, 140.0)):
        wall, cpu = time.perf_counter(), time.process_time()
        layout = nest([Item(str(k), s) for k, s in enumerate(solids)], plate, GAP)
        nested, cpu = time.perf_counter() - wall, time.process_time() - cpu
        size = len(layout.threemf())
        written = time.perf_counter() - wall - nested
        print(
            f"ten models of {np.mean([len(s.faces) for s in solids]):.0f} triangles on "
            f"{plate[0]:g} x {plate[1]:g}: {len(layout.placed)} placed in {nested:.1f} s "
            f"({cpu:.1f} s of processor); 3MF of {size / 2**20:.0f} MiB in {written:.1f} s"
        )


if __name__ == "__main__":
    main()
