"""The direction of removal with the least undercut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.axes import along_basis, basis_along, own_axes
from geometry.mesh import Mesh
from geometry.topology.adjacency import extent
from geometry.topology.coarse import coarsen
from geometry.undercut.crossings import shadow, steep_triangles, void_along
from geometry.undercut.lattice import MOST_CROSSINGS, bearable_pitch, cast, refuse_too_large
from geometry.undercut.measure import base_plane

WITHIN_DEG = 15.0
_SURVEY_CELL_MM, _SURVEY_PITCH_MM = 0.9, 0.35
# Rings of directions around the valley, to which a bowl is fitted: radius in degrees,
# size of the triangles and pitch of the lattice they are judged on.
_RINGS = ((3.0, 0.45, 0.2), (2.0, 0.3, 0.15))
FINE_CELL_MM = 0.3
_MANY_TRIANGLES = 60_000
_LAST_PITCH_MM = 0.1
# Of each of some fifty directions that are only compared with each other.
_FEW_CROSSINGS = 250_000


@dataclass(frozen=True, slots=True)
class BestDirection:
    """Where an appliance comes off with the least to block out.

    Attributes
    ----------
    direction : (3,) float64
        Unit vector.
    volume_mm3 : float
        Undercut along it, same base plane.
    angle_deg : float
        Against the axis it was searched around.
    """

    direction: NDArray[np.float64]
    volume_mm3: float
    angle_deg: float


def cap_of(basis: NDArray[np.float64], within_deg: float, count: int) -> NDArray[np.float64]:
    """Return ``count`` directions spread evenly over a cap, its axis first, shape (count, 3).

    A sunflower: equal areas, each turned by the golden angle. ``basis`` (3, 3): rows u, v
    and the axis.
    """
    number = np.arange(count)
    cosine = 1.0 - (1.0 - np.cos(np.radians(within_deg))) * number / max(count - 1, 1)
    sine = np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
    turn = number * np.pi * (3.0 - np.sqrt(5.0))
    local = np.column_stack([sine * np.cos(turn), sine * np.sin(turn), cosine])
    return np.asarray(local @ basis)


class _Body:
    """What undercut is searched on.

    Parameters
    ----------
    mesh : Mesh
    basis : (3, 3) float64
        Rows u, v and the axis that is searched around.
    plane : (normal (3,), offset)
        The base plane.
    within_deg : float
        No direction farther from the axis will be asked for.
    outward : int, optional
        +1 when the winding's normals point outward, else -1; told by what is seen
        along the axis when not given.
    """

    def __init__(
        self,
        mesh: Mesh,
        basis: NDArray[np.float64],
        plane: tuple[NDArray[np.float64], float],
        within_deg: float,
        own: NDArray[np.float64],
        outward: int | None = None,
    ) -> None:
        points = along_basis(mesh.vertices, basis)
        refuse_too_large(np.diff(extent(points), axis=0)[0], _LAST_PITCH_MM)
        self.shade = shadow(points, mesh.faces, within_deg)
        if outward is None:
            pitch = max(_SURVEY_PITCH_MM, bearable_pitch(self.shade, _FEW_CROSSINGS))
            seen = cast(points, mesh.faces, basis, pitch, (basis @ plane[0], plane[1]))
            outward = seen.outward
        self.mesh, self.plane, self.outward, self.own = mesh, plane, outward, own
        # A little more than the cone, for what rounding does to the outermost.
        most = float(np.sin(np.radians(within_deg + 0.1)))
        self.steep, self.longest = steep_triangles(points, mesh.faces, outward, most)

    def volume(
        self, direction: NDArray[np.float64], pitch: float, crossings: int = _FEW_CROSSINGS
    ) -> float:
        """Undercut along a direction, mm³, by lines so far apart or by so many crossings."""
        basis = basis_along(direction, self.own)
        pitch = max(pitch, bearable_pitch(self.shade, crossings))
        normal, offset = self.plane
        return float(
            void_along(
                self.mesh.vertices, self.mesh.faces, self.steep, self.longest, basis,
                basis @ normal, offset, self.outward, pitch,
            )
        )  # fmt: skip


def survey(
    mesh: Mesh,
    axis: NDArray[np.float64],
    base_z: float | None = None,
    *,
    base_normal: NDArray[np.float64] | None = None,
    count: int = 200,
    within_deg: float = WITHIN_DEG,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Estimate the undercut along many directions on a coarse copy of the surface.

    Returns
    -------
    directions : (count, 3) float64
    volumes_mm3 : (count,) float64
        To compare with each other; ``measure`` gives the exact volume.
    """
    plane = base_plane(axis, base_z, base_normal, mesh.vertices)
    own = own_axes(mesh.vertices)
    basis = basis_along(axis, own)
    body = _Body(coarsen(mesh, _SURVEY_CELL_MM), basis, plane, within_deg, own)
    return _survey(body, cap_of(basis, within_deg, count))


def _survey(
    body: _Body, directions: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    volumes = [body.volume(d, _SURVEY_PITCH_MM) for d in directions]
    return directions, np.array(volumes)


def best_direction(
    mesh: Mesh,
    axis: NDArray[np.float64],
    base_z: float | None = None,
    *,
    base_normal: NDArray[np.float64] | None = None,
    count: int = 30,
    within_deg: float = WITHIN_DEG,
    on_axis_mm3: float | None = None,
    fine: Mesh | None = None,
) -> BestDirection:
    """Find the direction of least undercut within a cone around an axis.

    A coarse survey finds the valley; a bowl fitted to rings of directions around it
    gives its bottom, which is compared with the axis on the surface itself. The base
    plane stays where it is.

    Parameters
    ----------
    mesh : Mesh
    axis : (3,) float64
    base_z, base_normal
        As in ``measure``.
    count : int
        Directions in the survey.
    within_deg : float
    on_axis_mm3 : float, optional
        Volume along the axis, when it was measured already.
    fine : Mesh, optional
        The surface coarsened to ``FINE_CELL_MM``, when there is such a copy already.

    Returns
    -------
    BestDirection
    """
    axis = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    plane = base_plane(axis, base_z, base_normal, mesh.vertices)
    own = own_axes(mesh.vertices)
    basis = basis_along(axis, own)
    if fine is None or len(mesh.faces) <= _MANY_TRIANGLES:
        fine = coarsen(mesh, FINE_CELL_MM) if len(mesh.faces) > _MANY_TRIANGLES else mesh
    coarse = _Body(coarsen(fine, _SURVEY_CELL_MM), basis, plane, within_deg, own)
    directions, volumes = _survey(coarse, cap_of(basis, within_deg, count))
    place = _valley(directions @ basis.T, volumes, within_deg)
    for radius, cell, pitch in _RINGS:
        copy = coarsen(fine, cell) if fine is not mesh and cell > FINE_CELL_MM else fine
        surface = _Body(copy, basis, plane, within_deg, own, coarse.outward)
        place = _bottom(surface, pitch, basis, place, radius, within_deg)
    direction = _direction(place, basis)
    body = _Body(mesh, basis, plane, within_deg, own, coarse.outward)
    volume = body.volume(direction, _LAST_PITCH_MM, MOST_CROSSINGS)
    if on_axis_mm3 is None:
        on_axis_mm3 = body.volume(axis, _LAST_PITCH_MM, MOST_CROSSINGS)
    if on_axis_mm3 <= volume:
        direction, volume = axis, on_axis_mm3
    angle = float(np.degrees(np.arccos(np.clip(direction @ axis, -1.0, 1.0))))
    return BestDirection(direction, volume, angle)


def _bottom(
    surface: _Body,
    pitch: float,
    basis: NDArray[np.float64],
    place: tuple[float, float],
    radius: float,
    within_deg: float,
) -> tuple[float, float]:
    """Return the lowest point of a bowl fitted to a ring of directions and its middle.

    Where the fit has no bottom near the ring, the lowest of the directions tried.
    """
    turns = np.arange(8) * np.pi / 4.0
    ring = [
        _within(place[0] + radius * np.cos(a), place[1] + radius * np.sin(a), within_deg)
        for a in turns
    ]
    places = np.array([place, *ring])
    volumes = np.array([surface.volume(_direction(p, basis), pitch) for p in places])
    u, v = (places - places[0]).T
    terms = np.column_stack([u * u, u * v, v * v, u, v, np.ones_like(u)])
    a, b, c, d, e, _ = np.linalg.lstsq(terms, volumes, rcond=None)[0]
    bend = np.array([[2.0 * a, b], [b, 2.0 * c]])
    best = places[int(np.argmin(volumes))]
    if np.linalg.eigvalsh(bend)[0] > 0.0:
        low = -np.linalg.solve(bend, np.array([d, e]))
        if np.hypot(*low) <= 1.5 * radius:
            best = places[0] + low
    return _within(best[0], best[1], within_deg)


def _valley(
    local: NDArray[np.float64], volumes: NDArray[np.float64], within_deg: float
) -> tuple[float, float]:
    """Return the tilt (towards u and v, degrees) of the least of a smoothed survey."""
    tilt = np.degrees(np.arccos(np.clip(local[:, 2], -1.0, 1.0)))
    turn = np.arctan2(local[:, 1], local[:, 0])
    places = np.column_stack([tilt * np.cos(turn), tilt * np.sin(turn)])
    spread = within_deg / np.sqrt(len(places))
    apart = ((places[:, None] - places[None]) / spread) ** 2
    near = np.exp(-0.5 * apart.sum(axis=2))
    smooth = (near @ volumes) / near.sum(axis=1)
    best = places[int(np.argmin(smooth))]
    return round(float(best[0]), 3), round(float(best[1]), 3)


def _within(u: float, v: float, limit: float) -> tuple[float, float]:
    """Return a tilt drawn back to the rim of the cone when it lies outside."""
    shrink = min(1.0, limit / max(float(np.hypot(u, v)), 1e-9))
    return round(float(u) * shrink, 3), round(float(v) * shrink, 3)


def _direction(place: tuple[float, float], basis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit vector tilted by ``place`` degrees towards u and v."""
    tilt = np.radians(np.hypot(*place))
    turn = np.arctan2(place[1], place[0])
    local = np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)])
    return np.asarray(local @ basis)
