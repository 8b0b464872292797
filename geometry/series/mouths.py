"""Lay step models on each other; what cannot be laid on any other is another arch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

import fast_simplification
import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.frame import Frame, find_frame
from geometry.mesh import Mesh
from geometry.series.fitting import Fit, fit, offsets_of
from geometry.series.surface import Surface

MOST_TRIANGLES = 90_000
"""Larger models are reduced by quadric error; that moves their surface by micrometres."""
POINTS = 2500
FEW = 4
"""Every fourth point does for a first look."""

SHARED_MM, SHARED_SHARE = 0.002, 0.2
CROWN_POINTS = 1500
NEAR_MM = 0.75
SAME_ARCH_SHARE = 0.8
"""Of the points near a step's teeth, lying so near to the step before. On generated mouths
other arches reached 0.69, steps up to six apart at least 0.89."""
MANY = 3
"""Steps of one mouth, on which one that was left alone is tried again."""
CROWN_HEIGHT_MM = 6.0
JUDGED_HEIGHT_MM = 9.0
"""How far from the occlusal plane a point still counts when it is judged whose mouth it is."""

FAR_MM = 2.0
MOST_MM = 1.0
"""A point counts as no farther away than this, so that no few of them decide."""
_ROUGH = [(4.0, 1.5, 15), (2.5, 0.6, 15), (2.0, 0.25, 12)]
_FINE = [(2.0, 0.25, 15), (1.0, 0.1, 10), (1.0, 0.04, 15)]
"""At last so finely that what did not move decides, not the mean of what did."""


@dataclass
class Step:
    """A step model.

    Attributes
    ----------
    file : str
    arch, step
        From the name; None where it says nothing.
    surface : Surface
        In the coordinates of its mouth.
    """

    file: str
    arch: str | None
    step: int | None
    sha256: str
    surface: Surface
    _frame: Frame | None = None
    _tried: bool = False

    @property
    def frame(self) -> Frame | None:
        """The anatomical frame, None when no teeth are recognised."""
        if not self._tried:
            self._tried = True
            try:
                self._frame = find_frame(self.surface.mesh)
            except GeometryError:
                self._frame = None
        return self._frame

    def moved(self, motion: NDArray[np.float64]) -> Step:
        """Return the step laid elsewhere."""
        if np.array_equal(motion, np.eye(4)):
            return self
        surface = Surface.of(self.surface.mesh.transformed(motion))
        return Step(self.file, self.arch, self.step, self.sha256, surface)


@dataclass
class Mouth:
    """Steps that lie on each other, in common coordinates."""

    steps: list[Step] = field(default_factory=list)

    @property
    def frame(self) -> Frame | None:
        """The frame of the first step that has one."""
        return next((s.frame for s in self.steps if s.frame is not None), None)


def reduced(mesh: Mesh) -> Mesh:
    """Return the mesh with no more triangles than the check needs."""
    if len(mesh.faces) <= MOST_TRIANGLES:
        return mesh
    middle = mesh.vertices.mean(axis=0)
    points, faces = fast_simplification.simplify(
        (mesh.vertices - middle).astype(np.float32),
        mesh.faces.astype(np.int32),
        1.0 - MOST_TRIANGLES / len(mesh.faces),
    )
    return Mesh(points.astype(np.float64) + middle, faces.astype(np.int32))


def lay_on(mouth: Mouth, step: Step) -> NDArray[np.float64] | None:
    """Return the motion that lays ``step`` on the latest step of a mouth, None without one.

    What lies near the teeth decides; bases of models are alike in all mouths.
    """
    target = mouth.steps[-1].surface
    frame = mouth.frame
    points, normals = step.surface.scatter(POINTS)

    def share(found: Fit, points: NDArray[np.float64], limit: float) -> float:
        """Share of the points near the teeth that lie within the limit."""
        near = np.ones(len(points), dtype=np.bool_)
        if frame is not None:
            moved = points @ found.motion[:3, :3].T + found.motion[:3, 3]
            near = (moved - frame.origin) @ frame.occlusal > -JUDGED_HEIGHT_MM
        if near.sum() < 0.1 * len(points):
            return 0.0
        return Fit(found.motion, found.offsets[near]).share_within(limit)

    still = Fit(np.eye(4), offsets_of(target, points, normals, FAR_MM)[0])
    # Files that share their coordinates keep them: the best fit of a whole whose teeth
    # have moved is a little beside the truth.
    if share(still, points, SHARED_MM) > SHARED_SHARE:
        return still.motion
    starts = []
    if np.isfinite(still.offsets).mean() > 0.5:
        starts.append((still.motion, _ROUGH[1:]))
    latest = mouth.steps[-1].frame or frame
    if latest is not None and step.frame is not None:
        for turn in (0.0, 4.0, -4.0):
            starts.append((onto(latest, step.frame, np.radians(turn)), _ROUGH))
    few, few_normals = points[::FEW], normals[::FEW]
    for start, schedule in starts:
        found = fit(target, few, few_normals, start, schedule)
        if share(found, few, NEAR_MM) < SAME_ARCH_SHARE - 0.05:
            continue
        found = fit(target, points, normals, found.motion, _FINE)
        if share(found, points, NEAR_MM) >= SAME_ARCH_SHARE:
            return found.motion
    return None


def onto(target: Frame, source: Frame, turn: float) -> NDArray[np.float64]:
    """Motion that lays one frame on another, turned about the occlusal axis."""

    def axes(frame: Frame) -> NDArray[np.float64]:
        across = np.cross(frame.anterior, frame.occlusal)
        return np.stack([across, frame.anterior, frame.occlusal])

    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    motion = np.eye(4)
    motion[:3, :3] = axes(target).T @ spin @ axes(source)
    motion[:3, 3] = target.origin - motion[:3, :3] @ source.origin
    return motion


def sort_into_mouths(steps: list[Step]) -> list[Mouth]:
    """Put steps that lie on each other together, largest mouth first.

    Each step is tried on the latest steps of the mouths, those first that have most steps
    named as of its arch.
    """

    def rank(mouth: Mouth, step: Step) -> tuple[int, int]:
        return -sum(other.arch == step.arch for other in mouth.steps), -len(mouth.steps)

    mouths: list[Mouth] = []
    for step in steps:
        ranked = sorted(mouths, key=partial(rank, step=step))
        for mouth in ranked:
            motion = lay_on(mouth, step)
            if motion is not None:
                mouth.steps.append(step.moved(motion))
                break
        else:
            mouths.append(Mouth([step]))
    mouths.sort(key=lambda m: -len(m.steps))
    # One that came after a step that lies askew may yet lie on those nearest in number.
    for alone in [mouth for mouth in mouths[1:] if len(mouth.steps) == 1]:
        step = alone.steps[0]
        for mouth in mouths:
            if len(mouth.steps) < MANY:
                continue
            tried = (lay_on(Mouth([near]), step) for near in nearest(mouth.steps, step)[:2])
            motion = next((found for found in tried if found is not None), None)
            if motion is not None:
                mouth.steps.append(step.moved(motion))
                mouths.remove(alone)
                break
    return mouths


def nearest(steps: Sequence[Step], step: Step) -> list[Step]:
    """Return the steps, those nearest to one in number first."""
    return sorted(steps, key=lambda one: abs((one.step or 0) - (step.step or 0)))


def crown_distances(mouth: Mouth) -> NDArray[np.float64]:
    """Return (n, n): root mean square distance of the crowns of each pair of steps, mm.

    The larger one of the two directions.
    """
    frame = mouth.frame
    samples = []
    for step in mouth.steps:
        among = None
        if frame is not None:
            middle = step.surface.mesh.triangles.mean(axis=1)
            among = (middle - frame.origin) @ frame.occlusal > -CROWN_HEIGHT_MM
        samples.append(step.surface.scatter(CROWN_POINTS, among))
    n = len(mouth.steps)
    out = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            if i != j:
                points = samples[i][0]
                feet, face = mouth.steps[j].surface.nearest(points, MOST_MM)
                apart = np.where(face >= 0, np.linalg.norm(points - feet, axis=1), MOST_MM)
                out[i, j] = np.sqrt(np.mean(apart**2))
    return np.maximum(out, out.T)
