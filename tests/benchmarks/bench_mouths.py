"""Frame and same-mouth on the second generator, which no setting was tuned on.

Frames: whole, partial (60 to 95 %), short (35 to 60 %) and closed scans of new patients. Pairs:
each patient's first scan with a later one (teeth moved by up to 0.5 mm, perhaps one lost,
perhaps 60 to 95 % of the arch), with the mirror image of that, with a mouth of the same arch
form and other teeth, and with another patient.
Run: ``python -m tests.benchmarks.bench_mouths [patients]``.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fixtures.mouths import MouthTruth, Spec, make_mouth, part_of, patient, scan_of
from geometry.compare import compare
from geometry.frame import find_frame
from geometry.mesh import Mesh
from tests.benchmarks.bench_frame import angle, spread
from tests.benchmarks.bench_same_mouth import equal_error_rate

PATIENTS, FIRST_SEED = 60, 5_000
TRIANGLES = 60_000


def made(spec: Spec) -> tuple[Mesh, MouthTruth]:
    """The scan as a mesh of the product, not too fine."""
    vertices, faces, truth = make_mouth(replace(spec, triangles=min(spec.triangles, TRIANGLES)))
    return Mesh(vertices, np.ascontiguousarray(faces.astype(np.int32))), truth


KINDS: dict[str, Callable[[Spec, np.random.Generator], Spec]] = {
    "whole": lambda who, rng: scan_of(who, rng),
    "60 to 95 %": lambda who, rng: part_of(scan_of(who, rng), rng, float(rng.uniform(0.6, 0.95))),
    "35 to 60 %": lambda who, rng: part_of(scan_of(who, rng), rng, float(rng.uniform(0.35, 0.6))),
    "closed": lambda who, rng: replace(
        scan_of(who, rng, plain=True), closed=str(rng.choice(["flat", "horseshoe"]))
    ),
}


def frames(patients: int) -> None:
    """Errors of the axes and answers on the arch, by kind of scan."""
    for kind, scan in KINDS.items():
        occlusal, anterior, answers, flipped, failed = [], [], [], 0, 0
        for seed in range(FIRST_SEED, FIRST_SEED + patients):
            rng = np.random.default_rng([seed, 1])
            mesh, truth = made(scan(patient(rng), rng))
            try:
                frame = find_frame(mesh)
            except ValueError:
                failed += 1
                continue
            occlusal.append(angle(frame.occlusal, truth.occlusal))
            anterior.append(angle(frame.anterior, truth.anterior))
            flipped += occlusal[-1] > 60.0
            answers.append(
                "right"
                if frame.found_arch == truth.arch
                else "unknown"
                if frame.found_arch == "unknown"
                else "wrong"
            )
        print(f"{kind}: {patients} scans, no frame on {failed}, upside down {flipped}")
        spread("  occlusal axis, deg", occlusal, "0.3 / 0.7 / 1.5")
        spread("  anterior axis, deg", anterior, "within 5")
        print("  arch:", {word: answers.count(word) for word in ("right", "unknown", "wrong")})


def pairs(patients: int) -> None:
    """Answers on pairs of scans."""
    probability: dict[str, list[float]] = {"same": [], "mirror": [], "twin": [], "other": []}
    answers: dict[str, list[str]] = {kind: [] for kind in probability}
    cpu = []
    for seed in range(FIRST_SEED, FIRST_SEED + patients):
        rng = np.random.default_rng([seed, 2])
        who = patient(rng)
        first, _ = made(scan_of(who, rng))
        later = replace(scan_of(who, rng), moved=float(rng.choice([0.0, 0.25, 0.5])))
        if rng.random() < 0.4:
            quadrant = rng.choice([1, 2] if who.arch == "upper" else [3, 4])
            later = replace(
                later, missing=later.missing | {int(10 * quadrant + rng.integers(1, 8))}
            )
        if rng.random() < 0.5:
            later = part_of(later, rng, float(rng.uniform(0.6, 0.95)))
        again, _ = made(later)
        tried = {
            "same": again,
            "mirror": Mesh(again.vertices * [-1.0, 1.0, 1.0], again.faces),
            "twin": made(replace(later, seed=int(rng.integers(2**31))))[0],
            "other": made(scan_of(patient(rng, who.arch), rng))[0],
        }
        for kind, mesh in tried.items():
            start = time.process_time()
            result = compare(first, mesh)
            cpu.append(time.process_time() - start)
            probability[kind].append(result["probability"])
            answers[kind].append(result["same_mouth"])
    for kind, given in answers.items():
        print(f"{kind:7s}", {word: given.count(word) for word in ("yes", "unsure", "no")})
    different = np.concatenate([probability[kind] for kind in ("mirror", "twin", "other")])
    rate = equal_error_rate(np.array(probability["same"]), different)
    print(f"equal error rate {100 * rate:.2f} % of {len(cpu)} pairs, CPU {np.median(cpu):.2f} s")


def main() -> None:
    """Frames, then pairs."""
    patients = int(sys.argv[1]) if len(sys.argv) > 1 else PATIENTS
    frames(patients)
    pairs(patients)


if __name__ == "__main__":
    main()
