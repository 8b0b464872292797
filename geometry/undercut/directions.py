"""The direction of removal with the least undercut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.topology.coarse import coarsen
from geometry.undercut.lattice import along_basis, basis_along, cast
from geometry.undercut.measure import base_plane

WITHIN_DEG = 15.0
_COARSE_CELL_MM, _COARSE_PITCH_MM = 0.9, 0.35
# Rings of directions around the valley, to which a bowl is fitted: radius in degrees.
_RINGS_DEG = (2.0, 1.5)
_RING_CELL_MM, _RING_PITCH_MM = 0.45, 0.25
_MANY_TRIANGLES = 60_000
_LAST_PITCH_MM = 0.1


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


def cap_of(axis: NDArray[np.float64], within_deg: float, count: int) -> NDArray[np.float64]:
    """Return ``count`` directions spread evenly over a cap, the axis first, shape (count, 3).

    A sunflower: equal areas, each turned by the golden angle.
    """
    basis = basis_along(axis)
    number = np.arange(count)
    cosine = 1.0 - (1.0 - np.cos(np.radians(within_deg))) * number / max(count - 1, 1)
    sine = np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
    turn = number * np.pi * (3.0 - np.sqrt(5.0))
    local = np.column_stack([sine * np.cos(turn), sine * np.sin(turn), cosine])
    return np.asarray(local @ basis)


def _volume(
    mesh: Mesh,
    direction: NDArray[np.float64],
    plane: tuple[NDArray[np.float64], float],
    pitch: float,
) -> float:
    basis = basis_along(direction)
    lattice = cast(
        along_basis(mesh.vertices, basis), mesh.faces, basis, pitch, (basis @ plane[0], plane[1])
    )
    return float(lattice.void.sum() * pitch**2)


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
    coarse = coarsen(mesh, _COARSE_CELL_MM)
    directions = cap_of(axis, within_deg, count)
    volumes = np.array([_volume(coarse, d, plane, _COARSE_PITCH_MM) for d in directions])
    return directions, volumes


def best_direction(
    mesh: Mesh,
    axis: NDArray[np.float64],
    base_z: float | None = None,
    *,
    base_normal: NDArray[np.float64] | None = None,
    count: int = 40,
    within_deg: float = WITHIN_DEG,
    on_axis_mm3: float | None = None,
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

    Returns
    -------
    BestDirection
    """
    axis = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    plane = base_plane(axis, base_z, base_normal, mesh.vertices)
    directions, volumes = survey(
        mesh, axis, plane[1], base_normal=plane[0], count=count, within_deg=within_deg
    )
    basis = basis_along(axis)
    place = _valley(directions @ basis.T, volumes, within_deg)
    surface = coarsen(mesh, _RING_CELL_MM) if len(mesh.faces) > _MANY_TRIANGLES else mesh
    for radius in _RINGS_DEG:
        place = _bottom(surface, basis, plane, place, radius, within_deg)
    direction = _direction(place, basis)
    volume = _volume(mesh, direction, plane, _LAST_PITCH_MM)
    if on_axis_mm3 is None:
        on_axis_mm3 = _volume(mesh, axis, plane, _LAST_PITCH_MM)
    if on_axis_mm3 <= volume:
        direction, volume = axis, on_axis_mm3
    angle = float(np.degrees(np.arccos(np.clip(direction @ axis, -1.0, 1.0))))
    return BestDirection(direction, volume, angle)


def _bottom(
    surface: Mesh,
    basis: NDArray[np.float64],
    plane: tuple[NDArray[np.float64], float],
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
    volumes = np.array(
        [_volume(surface, _direction(p, basis), plane, _RING_PITCH_MM) for p in places]
    )
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
