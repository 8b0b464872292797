"""How well and how fast margin, captured tissue, gaps and teeth are read on unseen arches.

Run by ``manage.py bench tissue``, which reads a few; the study is
``python -m tests.benchmarks.bench_tissue --arches 300``. Every arch is drawn with
everything varied, in a random pose, and read in the frame found by the product; the
truth is the generator's. Nothing was tuned on seeds from 5000 on. ``--mouths N`` reads scans
of the second generator instead, whole arches with planted short places among them.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np

from fixtures.arches import random_arch
from fixtures.mouths import make_mouth, patient, scan_of
from geometry.dentition import Dentition, analyse, warm
from geometry.errors import GeometryError
from geometry.frame import find_frame
from geometry.mesh import Mesh
from geometry.topology import analyse as analyse_topology

SIDES = ("facial", "lingual")
SHORT_MM = 3.0
GAP_MM = 0.7
SMALL_GAP_MM = 0.3


@dataclass
class Tally:
    """Everything counted over the arches read."""

    arches: int = 0
    unread: int = 0
    uncertain: int = 0
    numbers_right: int = 0
    height_errors: list[float] = field(default_factory=list)
    margin_errors: list[float] = field(default_factory=list)
    places: list[tuple[bool, bool, bool]] = field(default_factory=list)
    gap_errors: list[float] = field(default_factory=list)
    gaps_missed: int = 0
    closed_arches: int = 0
    closed_with_gap: int = 0
    openings: list[tuple[float, bool]] = field(default_factory=list)
    milliseconds: list[float] = field(default_factory=list)


def mouth(seed: int, triangles: int) -> SimpleNamespace:
    """A scan of the second generator, told as the first one tells its own.

    Residual roots are no teeth; open embrasures are not known.
    """
    rng = np.random.default_rng([seed, 919])
    spec = scan_of(patient(rng), rng)
    vertices, faces, truth = make_mouth(replace(spec, triangles=min(spec.triangles, triangles)))
    teeth = [
        SimpleNamespace(number=t.fdi, tips=t.tips, captured=t.captured_mm, margin_mid=t.margin)
        for t in truth.teeth
        if t.seen and not t.root
    ]
    gaps = [SimpleNamespace(width=g.width_mm, centre=g.centre) for g in truth.gaps]
    known = SimpleNamespace(
        right=truth.right,
        anterior=truth.anterior,
        occlusal=truth.occlusal,
        origin=truth.origin,
        teeth=teeth,
        gaps=gaps,
        embrasures=None,
        captured_by_sextant=truth.captured_by_sextant,
    )
    mesh = Mesh(vertices, np.ascontiguousarray(faces.astype(np.int32)))
    return SimpleNamespace(mesh=mesh, truth=known)


def read(arch: Any, tally: Tally) -> Dentition | None:
    """Read one arch as the inspection does; None when it has no frame."""
    topology = analyse_topology(arch.mesh, self_intersections=False)
    try:
        frame = find_frame(arch.mesh)
    except GeometryError:
        return None
    clock = time.process_time()
    found = analyse(arch.mesh, frame, topology)
    tally.milliseconds.append(1000 * (time.process_time() - clock))
    return found


def count(arch: Any, tally: Tally) -> None:
    """Read one arch and add what came of it."""
    truth = arch.truth
    tally.arches += 1
    found = read(arch, tally)
    if found is None or not found.teeth:
        tally.unread += 1
        return
    tally.uncertain += found.status == "uncertain"
    numbers = sorted(t.number for t in found.teeth)
    tally.numbers_right += numbers == sorted(t.number for t in truth.teeth)
    axes = np.stack([truth.right, truth.anterior], axis=1)
    places = np.array([(t.centre - truth.origin) @ axes for t in found.teeth])
    for tooth in truth.teeth:
        away = np.linalg.norm(places - (tooth.tips.mean(0) - truth.origin) @ axes, axis=1)
        mine = found.teeth[int(np.argmin(away))]
        if away.min() > 4.0:
            continue
        for side in SIDES:
            place = mine.side(side)
            tally.height_errors.append(abs(place.captured_mm - tooth.captured[side]))
            tally.margin_errors.append(float((place.at - tooth.margin_mid[side]) @ truth.occlusal))
    short, doubtful = found.short_places(), found.uncertain_places()
    for sextant, sides in truth.captured_by_sextant().items():
        for side, value in sides.items():
            key = (sextant, side)
            tally.places.append((value < SHORT_MM, key in short, key in doubtful))
    count_gaps(arch, found, tally)


def count_gaps(arch: Any, found: Dentition, tally: Tally) -> None:
    """Match gaps by place; compare open embrasures by neighbours."""
    truth = arch.truth
    for gap in truth.gaps:
        if gap.width < GAP_MM:
            continue
        near = [
            g
            for g in found.gaps
            if np.linalg.norm(g.centre - gap.centre) < max(4.0, 0.7 * gap.width)
        ]
        if near:
            best = min(near, key=lambda g: float(np.linalg.norm(g.centre - gap.centre)))
            tally.gap_errors.append(abs(best.width_mm - gap.width))
        else:
            tally.gaps_missed += 1
    if all(gap.width < SMALL_GAP_MM for gap in truth.gaps):
        tally.closed_arches += 1
        tally.closed_with_gap += bool(found.gaps)
    if truth.embrasures is None:
        return
    mine = {e.between for e in found.embrasures}
    heights = {e.between: e.open_height for e in truth.embrasures}
    pairs = [(a.number, b.number) for a, b in pairwise(truth.teeth)]
    tally.openings += [(heights.get(pair, 0.0), pair in mine) for pair in pairs]


def share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} % of {int(whole)}" if whole else "none"


def report(tally: Tally) -> Iterator[str]:
    """Lines of the table."""
    short = np.array([p[0] for p in tally.places])
    said = np.array([p[1] for p in tally.places])
    doubt = np.array([p[2] for p in tally.places])
    high = np.array([o[0] for o in tally.openings])
    lit = np.array([o[1] for o in tally.openings])
    yield f"arches                          {tally.arches}, not readable {tally.unread}"
    yield f"all tooth numbers right         {share(tally.numbers_right, tally.arches)}"
    yield (
        "captured height, error mm       median {:.2f}, p95 {:.2f}, p99 {:.2f}".format(
            *np.percentile(tally.height_errors, [50, 95, 99])
        )
    )
    yield (
        f"margin, error mm                median {np.median(tally.margin_errors):.2f}, "
        f"|p95| {np.percentile(np.abs(tally.margin_errors), 95):.2f}"
    )
    yield f"short places (< 3 mm): recall   {share((short & said).sum(), short.sum())}"
    yield f"                    precision   {share((short & said).sum(), said.sum())}"
    yield f"places uncertain                {share(doubt.sum(), len(doubt))}"
    yield f"arches uncertain                {share(tally.uncertain, tally.arches)}"
    wide = len(tally.gap_errors) + tally.gaps_missed
    yield f"gaps ≥ 0.7 mm found             {share(len(tally.gap_errors), wide)}"
    if tally.gap_errors:
        yield (
            "gap width, error mm             median {:.2f}, p95 {:.2f}, worst {:.2f}".format(
                *np.percentile(tally.gap_errors, [50, 95, 100])
            )
        )
    yield f"closed arches with a gap told   {share(tally.closed_with_gap, tally.closed_arches)}"
    if tally.openings:
        yield f"embrasures open ≥ 1.5 mm found  {share((lit & (high >= 1.5)).sum(), (high >= 1.5).sum())}"
        yield f"closed embrasures told open     {share((lit & (high < 0.1)).sum(), (high < 0.1).sum())}"
    yield (
        f"processor time                  median {np.median(tally.milliseconds):.0f} ms, "
        f"worst {max(tally.milliseconds):.0f} ms"
    )


def speed(triangles: int, repeats: int) -> str:
    """Processor time of one large arch, warm."""
    arch = random_arch(6, triangles=triangles)
    tally = Tally()
    for _ in range(repeats):
        read(arch, tally)
    return (
        f"{len(arch.mesh.faces)} triangles: median {np.median(tally.milliseconds):.0f} ms "
        f"of processor time over {repeats} runs"
    )


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--arches", type=int, default=12)
    parser.add_argument("--mouths", type=int, default=0, help="of the second generator instead")
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--triangles", type=int, default=300_000, help="for the speed figure")
    options = parser.parse_args(argv)
    warm()
    tally = Tally()
    if options.mouths:
        for seed in range(options.first, options.first + options.mouths):
            count(mouth(seed, 60_000), tally)
    else:
        for seed in range(options.first, options.first + options.arches):
            count(random_arch(seed, triangles=(36_000, 44_000, 60_000)[seed % 3]), tally)
    for line in report(tally):
        print(line)
    print(speed(options.triangles, 5))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
