"""Compiled parts against slow, plain re-tellings of the same thing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from geometry.dentition import archline, margin, rows, sheets, spaces, tissue
from geometry.dentition.warming import toy_arch


@pytest.fixture(scope="module")
def rolled() -> tuple[np.ndarray, np.ndarray, archline.ArchLine, np.ndarray]:
    mesh, _ = toy_arch()
    line = archline.find_arch_line(mesh.vertices)
    return mesh.vertices, mesh.faces, line, archline.project(line, mesh.vertices[:, :2])


def test_places_along_the_arch_are_the_nearest_ones(rolled) -> None:
    points, _, line, sn = rolled
    for i in range(0, len(points), 97):
        if abs(sn[i, 1]) > 8.0:
            continue
        distance = np.linalg.norm(line.points - points[i, :2], axis=1)
        assert abs(abs(sn[i, 1]) - distance.min()) < 0.15
        assert abs(sn[i, 0] - line.s[distance.argmin()]) < 0.3
        back = archline.place(line, sn[i, 0], sn[i, 1])
        assert np.linalg.norm(back - points[i, :2]) < 0.1


def test_the_arch_line_of_a_horseshoe_is_its_circle(rolled) -> None:
    _, _, line, _ = rolled
    inner = (line.s > 18) & (line.s < line.s[-1] - 18)
    radius = np.linalg.norm(line.points[inner], axis=1)
    assert np.abs(radius - 25.0).max() < 1.0
    assert line.points[0, 0] > 0 > line.points[-1, 0]
    assert (line.outward[inner] * line.points[inner]).sum(1).min() > 0


def slow_facial(points, faces, sn, s, z):
    """Outermost crossing of the ray at (s, z) with faces turned outwards, by linear algebra."""
    corners, flat = points[faces], sn[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    middle = corners[:, :, :2].mean(1)
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    outwards = (normal[:, :2] * middle).sum(1) >= 0.05 * np.linalg.norm(normal, axis=1)
    sides = np.stack([flat[:, 1:, 0] - flat[:, :1, 0], corners[:, 1:, 2] - corners[:, :1, 2]], 1)
    good = outwards & (np.abs(np.linalg.det(sides)) >= 1e-12) & (np.ptp(flat[:, :, 0], 1) <= 4)
    flat, corners, sides = flat[good], corners[good], sides[good]
    aim = np.stack([s - flat[:, 0, 0], z - corners[:, 0, 2]], 1)
    p, q = np.linalg.solve(sides, aim[:, :, None])[:, :, 0].T
    hit = np.minimum(np.minimum(p, q), 1 - p - q) >= -1e-9
    n = flat[:, 0, 1] + p * (flat[:, 1, 1] - flat[:, 0, 1]) + q * (flat[:, 2, 1] - flat[:, 0, 1])
    return n[hit].max() if hit.any() else np.nan


def test_rolled_out_image_against_single_rays(rolled) -> None:
    points, faces, line, sn = rolled
    index = np.clip(np.round(sn[:, 0] / archline.STEP_MM).astype(int), 0, len(line.s) - 1)
    image = sheets.roll_out(points, faces, sn, index, line.outward, float(line.s[-1]))
    checked = 0
    for i in range(120, image.facial.shape[0] - 120, 41):
        for j in range(25, 60, 11):
            want = slow_facial(points, faces, sn, i * sheets.STEP_S_MM, image.z[j])
            if np.isnan(want):
                continue
            checked += 1
            assert image.facial[i, j] == pytest.approx(want, abs=1e-6)
    assert checked > 10


def test_shadow_is_the_highest_surface(rolled) -> None:
    points, faces, line, sn = rolled
    shadow = spaces.shadow_map(sn, np.ascontiguousarray(points[:, 2]), faces, float(line.s[-1]))
    for i, j in [(300, 60), (350, 50), (420, 66), (250, 40)]:
        s, n = i * spaces.CELL_MM, j * spaces.CELL_MM - spaces.HALF_MM
        best = -99.0
        for f in faces:
            m = np.stack([sn[f[1]] - sn[f[0]], sn[f[2]] - sn[f[0]]], axis=1)
            if abs(np.linalg.det(m)) < 1e-12 or np.ptp(sn[f, 0]) > 4:
                continue
            p, q = np.linalg.solve(m, np.array([s, n]) - sn[f[0]])
            if min(p, q, 1 - p - q) >= 0:
                z = points[f, 2]
                best = max(best, z[0] + p * (z[1] - z[0]) + q * (z[2] - z[0]))
        assert shadow[i, j] == pytest.approx(best, abs=1e-6)


def path_cost(unary, slope, stiff, path):
    total = sum(unary[i, j] for i, j in enumerate(path))
    for i in range(1, len(path)):
        off = abs(path[i] - path[i - 1] - slope[i])
        total += stiff[i] * off + 0.15 * stiff[i] * off * off
    return total


def test_margin_path_is_the_cheapest_of_all_paths() -> None:
    rng = np.random.default_rng(5)
    for _ in range(6):
        unary = rng.normal(size=(5, 4))
        slope = rng.uniform(-1.5, 1.5, 5)
        stiff = rng.uniform(0.1, 1.0, 5)
        through, path = margin._trace(unary, slope, stiff, 6)
        every = {p: path_cost(unary, slope, stiff, p)
                 for p in itertools.product(range(4), repeat=5)}
        best = min(every.values())
        assert path_cost(unary, slope, stiff, path) == pytest.approx(best)
        for i in range(5):
            for j in range(4):
                want = min(c for p, c in every.items() if p[i] == j)
                assert through[i, j] == pytest.approx(want)


def test_teeth_are_cut_at_the_grooves() -> None:
    width = np.array([4.0, 3.0, 5.0])
    step = 0.5
    n = 40
    groove = np.zeros(n)
    ends = [4, 12, 18, 28]
    groove[ends] = 2.0
    crown = np.zeros(n)
    crown[4:28] = 1.0
    misfit = np.zeros((3, n + 1))
    cost, labels, starts, stops = rows._assign(groove, crown, misfit, np.zeros(n), width, step,
                                               np.zeros(3))
    assert labels[::-1].tolist() == [0, 1, 2]
    assert starts[::-1].tolist() == ends[:3]
    assert stops[::-1].tolist() == ends[1:]
    # Hand sum: three teeth of the usual width and 2.0 each, boundaries 1.1 × both grooves.
    assert cost == pytest.approx(3 * 2.0 - 3 * 1.1 * 4.0, abs=1e-9)


def test_a_missing_tooth_is_skipped_in_the_numbers() -> None:
    width = np.array([4.0, 4.0, 4.0])
    groove = np.zeros(60)
    groove[[6, 14, 22, 30]] = 2.0
    crown = np.zeros(60)
    crown[6:14] = 1.0
    crown[22:30] = 1.0
    first = np.array([0.0, 9.0, 9.0])
    misfit = np.zeros((3, 61))
    misfit[1] = np.arange(61) * 3.0  # the middle one looks like neither
    _, labels, starts, stops = rows._assign(groove, crown, misfit, np.zeros(60), width, 0.5, first)
    assert labels[::-1].tolist() == [0, 2]
    assert starts[::-1].tolist() == [6, 22]
    assert stops[::-1].tolist() == [14, 30]


@pytest.mark.parametrize(("bump", "present"), [(2.0, True), (-1.0, False)])
def test_a_tooth_far_below_the_row_is_no_gap_but_a_ridge_is(bump: float, present: bool) -> None:
    # 34 and 36 stand at 0; between them either 35 erupts, grooves beside it, or gum sags.
    at = np.arange(120) * sheets.STEP_S_MM
    top = np.zeros(120)
    between = (at > 8.0) & (at < 15.0)
    top[between] = -6.5 + bump * np.cos((at[between] - 11.5) / 3.5 * np.pi / 2)
    row = rows.Row(np.array([34, 36]), np.array([1.0, 15.0]), np.array([8.0, 26.0]), 0.0, 1.0)
    found = rows.with_sunken(row, top, "lower")
    assert found.numbers.tolist() == ([34, 35, 36] if present else [34, 36])
    assert (found.start[1], found.stop[-2]) == ((8.0, 15.0) if present else (15.0, 8.0))


def test_lowest_point_of_a_section() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(-10, 10, (4000, 3))
    normals = rng.normal(size=(4000, 2))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    foot, out = np.array([1.0, 2.0]), np.array([0.6, 0.8])
    got = tissue._lowest(points, normals, foot, out, 1.0, 7.0, 0.4)
    d = points[:, :2] - foot
    keep = (np.abs(d @ [0.8, -0.6]) <= 0.4) & (d @ out > 1.0) & (d @ out < 7.0)
    keep &= normals @ out > -tissue.FACING
    assert got == points[keep, 2].min()


def test_crease_angle_of_a_kinked_wall() -> None:
    # A wall that leans out by 30° below a kink: the turn is 30° there and 0 elsewhere.
    z = sheets.TOP_MM - np.arange(80) * sheets.STEP_Z_MM
    kink = z[40]
    profile = np.where(z < kink, (kink - z) * np.tan(np.radians(30)), 0.0)
    sheet = np.tile(profile, (60, 1))
    angle = margin.crease_angle(sheet, 1.0)[30]
    assert int(np.nanargmax(angle)) == pytest.approx(40, abs=1)
    assert np.degrees(np.nanmax(angle)) == pytest.approx(30, abs=6)
    assert abs(angle[20]) < 0.01
    assert abs(angle[60]) < 0.01


def test_step_of_a_ledge_in_a_leaning_wall() -> None:
    # A ledge of 0.3 mm counts whichever way the wall leans and bends; a mere kink does not.
    z = sheets.TOP_MM - np.arange(80) * sheets.STEP_Z_MM
    ledge = np.where(z <= z[40], 0.3, 0.0)
    kink = np.where(z < z[40], (z[40] - z) * 0.4, 0.0)
    for lean in (-0.5, 0.0, 0.7):
        wall = np.tile(-lean * z, (60, 1))
        step = margin.edge_step(wall + ledge, 1.0)[30]
        assert int(np.nanargmax(step)) == pytest.approx(40, abs=1)
        assert np.nanmax(step) == pytest.approx(0.3, abs=0.08)
        assert abs(margin.edge_step(wall + kink, 1.0)[30, 40]) < 0.05
        assert np.nanmin(margin.edge_step(-wall - ledge, -1.0)[30]) > -0.15
