"""Frame, arch side, tilt and curve of Spee: how right, and how fast.

Accuracy on generated arches in random poses that no setting was tuned on (seeds from
100,000), speed on one arch refined to about 300,000 and 1,000,000 triangles.
Then the same with what scanners and mouths do to a surface (``fixtures.degraded``).
Run: ``python -m tests.benchmarks.bench_frame [arches]``.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from fixtures.arches import ArchSpec, make_arch, random_arch
from fixtures.degraded import DEGRADED, Known
from geometry.frame import curve_of_spee, find_frame, measure_tilt, warm
from geometry.mesh import Mesh

ARCHES, FIRST_SEED = 300, 100_000


def refined(mesh: Mesh) -> Mesh:
    """Cut every triangle into four."""
    edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    unique, inverse = np.unique(np.sort(edges, axis=1), axis=0, return_inverse=True)
    m, n = mesh.faces.shape[0], mesh.vertices.shape[0]
    middle = (inverse.reshape(3, m) + n).astype(np.int32)
    vertices = np.vstack([mesh.vertices, mesh.vertices[unique].mean(axis=1)])
    a, b, c = mesh.faces.T
    ab, bc, ca = middle
    faces = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return Mesh(vertices, np.concatenate([np.stack(f, axis=1) for f in faces]).astype(np.int32))


def angle(a, b) -> float:
    """Degrees between two unit vectors."""
    return float(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))))


def spread(name: str, values, target: str) -> None:
    """Print median, 95th percentile and worst."""
    v = np.abs(np.asarray(values))
    print(
        f"{name:28s} median {np.median(v):5.2f}  p95 {np.percentile(v, 95):5.2f}  "
        f"worst {v.max():5.2f}   (target {target}, n {v.size})"
    )


def accuracy(count: int) -> None:
    """Random arches of every kind, each in a random pose."""
    occlusal, anterior, pitch, roll, spee = [], [], [], [], []
    right = unknown = failed = 0
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        arch = random_arch(seed, triangles=60_000, pose="random")
        try:
            frame = find_frame(arch.mesh)
        except ValueError:
            failed += 1
            continue
        truth = arch.truth
        occlusal.append(angle(frame.occlusal, truth.occlusal))
        anterior.append(angle(frame.anterior, truth.anterior))
        right += frame.found_arch == truth.arch
        unknown += frame.found_arch == "unknown"
        known = find_frame(arch.mesh, arch=truth.arch)
        tilt = measure_tilt(known)
        pitch.append(tilt.pitch_deg - truth.tilt["pitch"])
        roll.append(tilt.roll_deg - truth.tilt["roll"])
        if truth.arch == "lower":
            found = curve_of_spee(known)
            for side, value in (("left", found.left_mm), ("right", found.right_mm)):
                if value is not None and np.isfinite(truth.spee[side]):
                    spee.append(value - truth.spee[side])
    n = len(occlusal)
    print(f"{count} arches, no frame on {failed}")
    spread("occlusal axis, deg", occlusal, "0.3 / 0.7 / 1.5")
    spread("anterior axis, deg", anterior, "within 5")
    spread("pitch, deg", pitch, "within 0.7")
    spread("roll, deg", roll, "within 0.7")
    spread("curve of Spee, mm", spee, "within 0.3")
    print(f"   within 0.3 mm: {np.mean(np.abs(spee) <= 0.3):.3f}")
    print(
        f"arch side right {right / n:.3f}, unknown {unknown / n:.3f}, "
        f"wrong {(n - right - unknown) / n:.3f}   (target >= 0.98 right)"
    )


def degraded(count: int) -> None:
    """Axes and arch of scans with flaps, attachments, noise and the like."""
    for name, spoil in DEGRADED.items():
        occlusal, anterior, answers = [], [], []
        for seed in range(FIRST_SEED, FIRST_SEED + count):
            arch = random_arch(seed, triangles=60_000, pose="random")
            teeth = arch.truth.teeth
            known = Known(
                arch.truth.occlusal,
                arch.truth.anterior,
                np.concatenate([tooth.tips for tooth in teeth]),
                np.concatenate([[tooth.number] * len(tooth.tips) for tooth in teeth]),
            )
            frame = find_frame(spoil(arch.mesh, known, np.random.default_rng(seed)))
            occlusal.append(angle(frame.occlusal, arch.truth.occlusal))
            anterior.append(angle(frame.anterior, arch.truth.anterior))
            answers.append(frame.found_arch == arch.truth.arch)
        print(f"{name}: arch right on {sum(answers)} of {count}")
        spread("  occlusal axis, deg", occlusal, "0.3 / 0.7 / 1.5")
        spread("  anterior axis, deg", anterior, "within 5")


def speed() -> None:
    """CPU and wall time of one frame; the best of five, since others share the machine."""
    start = time.perf_counter()
    warm()
    print(f"warm-up {time.perf_counter() - start:.1f} s")
    mesh = make_arch(ArchSpec(triangles=75_000, pose="random"), 1).mesh
    for _ in range(3):
        find_frame(mesh)
        cpu, wall = [], []
        for _ in range(5):
            c, w = time.process_time(), time.perf_counter()
            find_frame(mesh)
            cpu.append(time.process_time() - c)
            wall.append(time.perf_counter() - w)
        print(
            f"{mesh.faces.shape[0]:9,d} triangles: best CPU {1e3 * min(cpu):6.1f} ms, "
            f"best wall {1e3 * min(wall):6.1f} ms, median wall {1e3 * np.median(wall):6.1f} ms"
        )
        if mesh.faces.shape[0] < 1_000_000:
            mesh = refined(mesh)


def main() -> None:
    """Speed, accuracy, then degraded scans of a tenth of the arches."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else ARCHES
    speed()
    accuracy(count)
    degraded(max(1, count // 10))


if __name__ == "__main__":
    main()
