"""Step models by moving the crowns of one scan smoothly, independent of the arch generator."""

import numpy as np

from fixtures.arches import make_arch, random_spec
from geometry.frame import find_frame
from geometry.mesh import Mesh
from geometry.reading import write_stl


def base_arch(seed, arch, triangles=16_000):
    spec = random_spec(seed, arch=arch, triangles=triangles, clean=True, palate=False)
    return make_arch(spec, seed).mesh


def apart(tips):
    """Return some of the tips, one for a crown."""
    kept = []
    for tip in tips:
        if all(np.linalg.norm(tip - other) > 7.0 for other in kept):
            kept.append(tip)
    return np.array(kept)


def steps_of(mesh, count, seed, per_step=(0.1, 0.25)):
    """Return meshes, and the largest movement before each.

    Every crown moves as one piece along its own direction; the tissue about it follows.
    """
    frame = find_frame(mesh)
    tips = apart(frame.tips)
    side = mesh.vertices[:, None] - tips[None]
    along = side @ frame.occlusal
    across = np.linalg.norm(side - along[..., None] * frame.occlusal, axis=2)
    weight = np.exp(-((across / 4.0) ** 2)) * np.clip((along + 9.0) / 4.0, 0.0, 1.0)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1.0)
    rng = np.random.default_rng(seed)
    way = rng.normal(size=(len(tips), 3)) * (rng.random(len(tips)) < 0.7)[:, None]
    points, meshes, moved = mesh.vertices.copy(), [mesh], [0.0]
    for _ in range(count - 1):
        turn = way + 0.2 * rng.normal(size=way.shape) * (np.abs(way) > 0)
        field = weight @ turn
        size = float(rng.uniform(*per_step))
        points = points + field * (size / np.linalg.norm(field, axis=1).max())
        meshes.append(Mesh(points, mesh.faces))
        moved.append(size)
    return meshes, moved


def files_of(meshes, pattern):
    return [(pattern.format(k), write_stl(mesh)) for k, mesh in enumerate(meshes, start=1)]


def rigid_steps_of(mesh, count, seed, per_step=(0.1, 0.25)):
    """Return meshes, and the largest movement before each, of crowns that keep their shape.

    About each tip a core of 3 mm moves by the same amount; between cores it fades out.
    """
    frame = find_frame(mesh)
    tips = apart(frame.tips)
    side = mesh.vertices[:, None] - tips[None]
    along = side @ frame.occlusal
    across = np.linalg.norm(side - along[..., None] * frame.occlusal, axis=2)
    own = np.argmin(across, axis=1)
    rows = np.arange(len(own))
    near = np.clip((4.5 - across[rows, own]) / 1.2, 0.0, 1.0)
    weight = near * np.clip((along[rows, own] + 9.0) / 3.0, 0.0, 1.0)
    rng = np.random.default_rng(seed)
    points, meshes, moved = mesh.vertices.copy(), [mesh], [0.0]
    for _ in range(count - 1):
        way = rng.normal(size=(len(tips), 3)) * (rng.random(len(tips)) < 0.7)[:, None]
        size = float(rng.uniform(*per_step))
        way *= size / np.linalg.norm(way, axis=1).max()
        points = points + weight[:, None] * way[own]
        meshes.append(Mesh(points, mesh.faces))
        moved.append(size)
    return meshes, moved
