"""Steps that were exported mirrored: of no other mouth, and in no other place."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.series.mouths import Mouth, Step, crown_distances, lay_on, nearest
from geometry.series.order import usual_distance
from geometry.series.surface import Surface

UNLIKE = 2.0
"""Of the usual distance, step for step: what is nearer is looked at no further."""
NEARER = 0.5
"""Of its distance as it is: so near must a step lie when it is mirrored. Where the mirror image
of a step lay on its mouth at all, on one generated mouth of three, the mirrored step was 7 to 10
times as far from its neighbours as the step itself."""
MOST_STEPS = 3.0
"""Of the usual distance for each step between: as near must one lie that lay on nothing before."""


def mirrored_steps(
    mouth: Mouth, distances: NDArray[np.float64], doubted: Iterable[int]
) -> list[int]:
    """Find those of the doubted steps, and of the ends, that are mirrored.

    Parameters
    ----------
    mouth : Mouth
    distances : (n, n) float64
        Between its steps' crowns, mm.
    doubted : iterable of int
        Places in ``mouth.steps``.
    """
    steps, out = mouth.steps, []
    for k in sorted({0, len(steps) - 1}.union(doubted)):
        # Two, as one of them may be mirrored itself.
        near = sorted((j for j in range(len(steps)) if j != k), key=lambda j: (abs(j - k), j))[:2]
        usual = usual_distance(np.delete(np.delete(distances, k, axis=0), k, axis=1))
        apart = min((distances[k, j] / abs(j - k) for j in near), default=0.0)
        if apart <= UNLIKE * usual:
            continue
        mirror = min(_mirror_distance(steps[k], steps[j]) / abs(j - k) for j in near)
        if mirror < NEARER * apart:
            out.append(k)
    return out


def is_mirrored(step: Step, mouth: Mouth, distances: NDArray[np.float64]) -> bool:
    """Whether a step that lies on no step of a mouth does so when it is mirrored."""
    usual = usual_distance(distances)
    if usual == 0.0:
        return False
    near = nearest(mouth.steps, step)[0]
    apart = max(1, abs((near.step or 0) - (step.step or 0)))
    return _mirror_distance(step, near) < MOST_STEPS * usual * apart


def _mirror_distance(step: Step, other: Step) -> float:
    """Return how far the crowns of a step's mirror image are from another's, mm."""
    mesh = step.surface.mesh
    image = Mesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1].copy())
    mirror = Step(step.file, step.arch, step.step, step.sha256, Surface.of(image))
    pair = Mouth([other])
    motion = lay_on(pair, mirror)
    if motion is None:
        return np.inf
    return float(crown_distances(Mouth([other, mirror.moved(motion)]))[0, 1])
