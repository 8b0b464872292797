"""Compiled parts against slow, plain re-tellings of the same thing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from geometry.dentition.gum import margin, section
from geometry.dentition.row import archline, assign, rows, seams, sheets, spaces
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


def told(n: int, groove: dict[int, float], crowns: list[tuple[int, int]]) -> np.ndarray:
    """Columns of a row of teeth that are all of one breadth."""
    columns = np.zeros((5, n))
    columns[assign.GROOVE, list(groove)] = list(groove.values())
    crown = np.zeros(n - 1)
    for start, stop in crowns:
        crown[start:stop] = 1.0
    columns[assign.CROWN_SUM, 1:] = np.cumsum(crown)
    return columns


def expected(widths: list[float], begins: list[float]) -> np.ndarray:
    usual = np.zeros((9, len(widths)))
    usual[assign.WIDTH], usual[assign.BEGINS], usual[assign.PRICE] = widths, begins, np.inf
    usual[assign.BREADTH_SD], usual[assign.EXPECTED_SD] = 1.0, np.inf
    return usual


def test_teeth_are_cut_at_the_grooves() -> None:
    ends = [4, 12, 18, 28]
    columns = told(40, dict.fromkeys(ends, 2.0), [(4, 28)])
    usual = expected([4.0, 3.0, 5.0], [0.0, 0.0, 0.0])
    cost, labels, starts, stops, _ = assign.lay_teeth(columns, usual, 0.5)
    assert labels.tolist() == [0, 1, 2]
    assert starts.tolist() == ends[:3]
    assert stops.tolist() == ends[1:]
    # Hand sum: three teeth of the usual width and 2.0 each, boundaries 1.1 × both grooves.
    assert cost == pytest.approx(3 * 2.0 - 3 * 1.1 * 4.0, abs=1e-9)


def test_a_missing_tooth_is_skipped_in_the_numbers() -> None:
    columns = told(60, dict.fromkeys([6, 14, 22, 30], 2.0), [(6, 14), (22, 30)])
    usual = expected([4.0, 4.0, 4.0], [0.0, 9.0, 9.0])
    usual[assign.BREADTH, 1] = 3.0  # the middle one looks like neither
    _, labels, starts, stops, _ = assign.lay_teeth(columns, usual, 0.5)
    assert labels.tolist() == [0, 2]
    assert starts.tolist() == [6, 22]
    assert stops.tolist() == [14, 30]


def cheaper_of_two(columns, usual, k, i, j, inner, step) -> float:
    """Cost of the usual tooth, or of the other one in its place with its price."""
    alone, swapped = usual.copy(), usual.copy()
    alone[assign.PRICE] = swapped[assign.PRICE] = np.inf
    swapped[[assign.WIDTH, assign.BREADTH]] = usual[[assign.WIDTH_2, assign.BREADTH_2]]
    cost = assign._tooth_cost.py_func(columns, alone, k, i, j, inner, step)
    if np.isinf(usual[assign.PRICE, k]):
        return cost
    other = assign._tooth_cost.py_func(columns, swapped, k, i, j, inner, step)
    return min(cost, usual[assign.PRICE, k] + other)


def every_row(columns: np.ndarray, usual: np.ndarray, step: float):
    """All rows of teeth with their cost, told plainly: list of (tooth, start, stop) each."""
    n, teeth = columns.shape[1], usual.shape[1]
    up = columns[assign.CROWN_SUM]
    inset = int(assign.INSET_MM / step)
    single = []
    for k, i, j in itertools.product(range(teeth), range(n), range(n)):
        dear = np.isinf(usual[assign.PRICE, k])
        widths = usual[[assign.WIDTH] if dear else [assign.WIDTH, assign.WIDTH_2], k] / step
        least, most = assign.NARROWEST * widths.min(), assign.BROADEST * widths.max()
        if np.floor(least) <= j - i <= np.ceil(most):
            inner = max(columns[assign.GROOVE, i + inset : j - inset + 1], default=0.0)
            single.append((k, i, j, cheaper_of_two(columns, usual, k, i, j, inner, step)))

    def passing(m: int, e: int, k: int, i: int) -> float:
        gap, cost = (i - e) * step, 2.0 * step * (up[i] - up[e])
        if k == m + 1:
            return cost + (0.6 + 0.25 * gap if gap > 0 else 0.0)
        room = usual[assign.WIDTH, m + 1 : k].sum()
        off = (gap - 0.85 * room) / (0.35 * room)
        return cost + 2.2 * (k - m - 1) + (0.5 if off > 0 else 0.35) * off * off

    def going_on(row: list, cost: float):
        k, e = row[-1][0], row[-1][2]
        yield row, cost + usual[assign.BEGINS, teeth - 1 - k] + 2.0 * step * (up[-1] - up[e])
        for m, i, j, own in single:
            if m > k and i >= e:
                yield from going_on([*row, (m, i, j)], cost + passing(k, e, m, i) + own)

    for k, i, j, own in single:
        yield from going_on([(k, i, j)], usual[assign.BEGINS, k] + 2.0 * step * up[i] + own)


@pytest.mark.parametrize("price", [np.inf, 0.3])
def test_teeth_and_their_lead_against_every_row(price: float) -> None:
    rng = np.random.default_rng(8)
    columns = told(14, {2: 1.9, 6: 1.2, 10: 2.2}, [(2, 10)])
    columns[assign.BREADTH_SUM, 1:] = np.cumsum(rng.uniform(0.5, 1.5, 13))
    usual = expected([1.9, 2.2, 1.8], [0.1, 0.5, 0.1])
    usual[assign.BREADTH] = [0.8, 1.1, 1.3]
    usual[assign.BREADTH_SD] = 0.4
    usual[[assign.WIDTH_2, assign.BREADTH_2], 1] = [1.4, 0.9]
    usual[assign.PRICE, 1] = price
    rows_of_teeth = list(every_row(columns, usual, 0.5))
    cost, labels, starts, stops, before = assign.lay_teeth(columns, usual, 0.5)
    found, least = min(rows_of_teeth, key=lambda entry: entry[1])
    assert cost == pytest.approx(least)
    assert [tuple(t) for t in zip(labels, starts, stops, strict=True)] == found

    mirrored = columns[:, ::-1].copy()
    for row in (assign.CROWN_SUM, assign.BREADTH_SUM):
        mirrored[row] = mirrored[row, 0] - mirrored[row]
    after = assign.lay_teeth(mirrored, usual[:, ::-1].copy(), 0.5)[4]
    middles = (starts + stops) // 2
    lead = assign.other_numbers(columns, usual, 0.5, before, after, labels, middles)
    for t, (label, middle) in enumerate(zip(labels, middles, strict=True)):
        other = min(
            cost
            for row, cost in rows_of_teeth
            if any(k != label and i < middle < j for k, i, j in row)
        )
        assert lead[t] == pytest.approx(other - least)


def test_a_seam_turns_between_crowns_that_overlap() -> None:
    """Two crowns one behind the other: a straight cut meets one of them everywhere."""
    n, m = np.arange(240) * spaces.CELL_MM, np.arange(122) * spaces.CELL_MM - spaces.HALF_MM
    s, t = np.meshgrid(n, m, indexing="ij")
    front = np.hypot((s - 15.0) / 3.2, (t - 1.4) / 1.3) < 1
    behind = np.hypot((s - 20.0) / 3.2, (t + 1.4) / 1.3) < 1
    shadow = np.where(front | behind, 0.0, -8.0)
    found = seams.find_seams(shadow)
    middle = round(17.5 / spaces.CELL_MM)
    assert found.valley[middle - 4 : middle + 5].max() > 0.9
    inside = [round(at / spaces.CELL_MM) for at in (14.0, 21.0)]
    assert found.valley[inside].max() < 0.1
    assert found.breadth[inside] == pytest.approx(2.5, abs=0.4)
    assert found.stagger[middle] == pytest.approx(2.8, abs=0.6)
    assert found.stagger[inside].max() < 1.0


def test_seams_against_every_way() -> None:
    over = np.random.default_rng(4).uniform(0.1, 1.0, (5, 4))
    got = seams._sweep(over, True)
    for i, j in itertools.product(range(5), range(4)):
        least = min(
            over[way[0], 0]
            + sum(
                over[b, k + 1] * np.hypot(1.0, b - a)
                for k, (a, b) in enumerate(itertools.pairwise(way))
            )
            for way in itertools.product(range(5), repeat=j + 1)
            if way[-1] == i and all(abs(a - b) <= 2 for a, b in itertools.pairwise(way))
        )
        assert got[i, j] == pytest.approx(least)
    assert seams._sweep(over[:, ::-1].copy(), False)[:, ::-1] == pytest.approx(got)


@pytest.mark.parametrize(
    ("absent", "room", "half_breadth", "cusps", "present"),
    [
        (36, 10.0, 4.0, 0.5, True),  # a molar that erupts, with cusps and fissures
        (36, 10.0, 4.0, 0.0, False),  # a ridge as high and as broad: smooth
        (33, 6.0, 1.2, 0.0, True),  # a canine's edge is narrow
        (33, 6.0, 4.0, 0.0, False),  # the ridge of a lost canine is not
        (33, 3.0, 1.2, 0.0, False),  # nor is the papilla in what is left of its space
    ],
)
def test_a_tooth_far_below_the_row_is_no_gap_but_a_ridge_is(
    absent: int, room: float, half_breadth: float, cusps: float, present: bool
) -> None:
    # Neighbours stand at 0; between them the surface stands at -4, over necks at about -8.
    ends = np.array([1.0, 8.0 + room]), np.array([8.0, 18.0 + room])
    at = np.arange(160) * sheets.STEP_S_MM
    top = np.where((at > 8.0) & (at < 8.0 + room), -4.0, 0.0)
    s = np.arange(round(40.0 / spaces.CELL_MM))[:, None] * spaces.CELL_MM
    n = np.arange(round(2.0 * spaces.HALF_MM / spaces.CELL_MM))[None] * spaces.CELL_MM
    n = n - spaces.HALF_MM
    walls = 1.5 * (n / half_breadth) ** 2
    bumps = cusps * np.cos(2.0 * np.pi * s / 5.0) * np.cos(2.0 * np.pi * n / 5.0)
    shadow = np.maximum(-4.0 - walls + bumps, -10.0)
    numbers = np.array([absent - 1, absent + 1])
    row = rows.Row(numbers, *ends, 0.0, 1.0, np.array([9.0, 1.0]), shadow, np.full(2, np.nan))
    found = rows.with_sunken(row, top, "lower")
    whole = [absent - 1, absent, absent + 1] if present else numbers.tolist()
    assert found.numbers.tolist() == whole
    assert found.lead.tolist() == ([9.0, 1.0, 1.0] if present else [9.0, 1.0])
    assert found.stop[-2] == (8.0 + room if present else 8.0)


def test_lowest_point_of_a_section() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(-10, 10, (4000, 3))
    normals = rng.normal(size=(4000, 2))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    foot, out = np.array([1.0, 2.0]), np.array([0.6, 0.8])
    got = section._lowest(points, normals, foot, out, 1.0, 7.0, 0.4)
    d = points[:, :2] - foot
    keep = (np.abs(d @ [0.8, -0.6]) <= 0.4) & (d @ out > 1.0) & (d @ out < 7.0)
    keep &= normals @ out > -section.FACING
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
