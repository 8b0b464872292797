"""Same mouth or not: error rates over generated pairs that no setting was tuned on.

Each mouth gives three pairs: with a later scan (teeth moved by up to 0.5 mm, perhaps one
lost, another border, noise and density, perhaps only 60 to 100 % of the arch), with the
mirror image of that, and with another mouth drawn from the same parameters (the same
arch form and tooth sizes up to individual variation). Run:
``python -m tests.benchmarks.bench_same_mouth [mouths]``.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from fixtures.arches import random_spec, rescan
from geometry.compare import compare, warm
from geometry.mesh import Mesh

MOUTHS, FIRST_SEED = 110, 200_000


def part(mesh: Mesh, direction, share: float) -> Mesh:
    """Keep a share of the vertices, the farthest along a direction."""
    along = mesh.vertices @ direction
    keep = along >= np.quantile(along, 1.0 - share)
    faces = mesh.faces[keep[mesh.faces].all(axis=1)]
    used, faces = np.unique(faces, return_inverse=True)
    return Mesh(mesh.vertices[used], faces.reshape(-1, 3).astype(np.int32))


def equal_error_rate(same, different) -> float:
    """Rate at which as many same pairs are missed as different ones taken for the same."""
    limits = np.unique(np.concatenate([same, different]))
    missed = np.array([(same < limit).mean() for limit in limits])
    taken = np.array([(different >= limit).mean() for limit in limits])
    at = int(np.argmin(np.abs(missed - taken)))
    return float(max(missed[at], taken[at]))


def main() -> None:
    """Three pairs a mouth."""
    warm()
    mouths = int(sys.argv[1]) if len(sys.argv) > 1 else MOUTHS
    probability: dict[str, list[float]] = {"same": [], "mirror": [], "other": []}
    answers: dict[str, list[str]] = {"same": [], "mirror": [], "other": []}
    turns, cpu, failed = [], [], 0
    for seed in range(FIRST_SEED, FIRST_SEED + mouths):
        rng = np.random.default_rng(seed)
        spec = random_spec(seed, triangles=40_000, pose="random")
        first = rescan(spec, seed, 1)
        numbers = [tooth.number for tooth in first.truth.teeth]
        lost = int(rng.choice(numbers)) if rng.random() < 0.4 else None
        later = rescan(
            spec,
            seed,
            2,
            moved=float(rng.choice([0.0, 0.25, 0.5])),
            lost=lost,
            captured=float(rng.uniform(4, 12)),
            noise=float(rng.choice([0.0, 0.01, 0.03])),
        )
        share = float(rng.uniform(0.6, 1.0)) if rng.random() < 0.6 else 1.0
        way = rng.normal(size=2) @ np.stack([later.truth.right, later.truth.anterior])
        seen = part(later.mesh, way, share)
        other = part(rescan(spec, seed + 500_000, 3).mesh, rng.normal(size=3), share)
        mirrored = Mesh(seen.vertices * [-1.0, 1.0, 1.0], seen.faces)
        for kind, mesh in (("same", seen), ("mirror", mirrored), ("other", other)):
            start = time.process_time()
            try:
                result = compare(first.mesh, mesh)
            except ValueError:
                failed += 1
                continue
            cpu.append(time.process_time() - start)
            probability[kind].append(result["probability"])
            answers[kind].append(result["same_mouth"])
            if kind == "same":
                planted = first.truth.pose @ np.linalg.inv(later.truth.pose)
                error = np.array(result["transform"])[:3, :3] @ planted[:3, :3].T
                cosine = np.clip((np.trace(error) - 1) / 2, -1.0, 1.0)
                turns.append(float(np.degrees(np.arccos(cosine))))
    for kind, given in answers.items():
        counts = {word: given.count(word) for word in ("yes", "unsure", "no")}
        print(f"{kind:7s} {len(given)} pairs: {counts}")
    same = np.array(probability["same"])
    different = np.array(probability["mirror"] + probability["other"])
    print(f"pairs {same.size + different.size}, no teeth recognised on {failed}")
    print(f"equal error rate {100 * equal_error_rate(same, different):.2f} %   (target <= 1 %)")
    print(
        f"rotation error of same pairs: median {np.median(turns):.2f}, worst {max(turns):.2f} deg"
    )
    print(f"CPU a pair: median {np.median(cpu):.2f} s")


if __name__ == "__main__":
    main()
