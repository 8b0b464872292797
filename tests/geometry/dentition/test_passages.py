"""Free space between neighbouring crowns, and which of them do not touch."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.row import passages
from geometry.dentition.row.archline import ArchLine, find_arch_line, project
from geometry.dentition.row.gaps import believed, find_gaps
from geometry.dentition.row.passages import LEVEL_MM, Passage, find_passages
from geometry.dentition.row.rows import Row
from geometry.dentition.row.spaces import CELL_MM, HALF_MM, shadow_map
from geometry.dentition.warming import toy_arch

RADIUS = 4.0


def straight_line(length: float) -> ArchLine:
    at = np.arange(0.0, length, 0.25)
    return ArchLine(
        points=np.column_stack([-at, np.zeros(len(at))]),
        outward=np.tile([0.0, 1.0], (len(at), 1)),
        s=at,
        nearest=np.zeros((1, 1), dtype=np.int32),
        low=np.zeros(2),
    )


def sheet(points: np.ndarray) -> np.ndarray:
    """Triangles of a grid of points (n, m, 3), their normals along first × second way."""
    n, m = points.shape[:2]
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij"))
    corner = lambda a, b: points[i + a, j + b]  # noqa: E731
    one = np.stack([corner(0, 0), corner(1, 0), corner(0, 1)], axis=1)
    return np.concatenate([one, np.stack([corner(1, 0), corner(1, 1), corner(0, 1)], axis=1)])


def two_balls(apart: float, gum: float, lift: float = 0.0, collar: float = 0.0) -> Passage:
    """The passage between two spheres whose middles lie at height 0, gum level between them.

    The second may stand ``lift`` higher, with gum so far out around it up to ``lift`` − 1.
    """
    turn, rise = np.linspace(0, 2 * np.pi, 181), np.linspace(np.arcsin(gum / RADIUS), 1.57, 120)
    t, u = np.meshgrid(turn, rise, indexing="ij")
    ball = RADIUS * np.stack([np.cos(u) * np.cos(t), np.cos(u) * np.sin(t), np.sin(u)], axis=-1)
    s, n = np.meshgrid(np.arange(5.0, 35.0), np.arange(-9.0, 10.0), indexing="ij")
    floor = np.stack([s, n, np.full(s.shape, gum)], axis=-1)
    middles = np.array([20.0 - apart / 2, 20.0 + apart / 2])
    parts = [sheet(ball + [middles[0], 0, 0]), sheet(ball + [middles[1], 0, lift]), sheet(floor)]
    if collar:
        radius = RADIUS + np.array([collar, collar, -3.0])
        level = np.array([gum, lift - 1.0, lift - 1.0])
        t, r = np.meshgrid(turn, radius, indexing="ij")
        up = np.broadcast_to(level, t.shape)
        parts.append(sheet(np.stack([r * np.cos(t) + middles[1], r * np.sin(t), up], axis=-1)))
    corners = np.concatenate(parts).reshape(-1, 3)
    # The row runs against the first axis, to the patient's left.
    faces = np.arange(len(corners), dtype=np.int32).reshape(-1, 3)[:, ::-1].copy()
    sn, height = np.ascontiguousarray(corners[:, :2]), np.ascontiguousarray(corners[:, 2])
    shadow = shadow_map(sn, height, faces, 40.0)
    ends = middles - RADIUS, middles + RADIUS
    half = np.array([0.0, lift])
    (found,) = find_passages(sn, height, faces, shadow, straight_line(40.0), *ends, half)
    return found


def test_width_between_two_balls_is_theirs_also_below_where_they_are_widest() -> None:
    found = two_balls(9.0, -2.0)
    assert found.bottom == pytest.approx(-2.0, abs=0.11)
    z = found.bottom + LEVEL_MM * np.arange(len(found.widths))
    inner = (z > -1.7) & (z < 3.0)
    true = 9.0 - 2 * np.sqrt(RADIUS**2 - z[inner] ** 2)
    assert found.widths[inner] == pytest.approx(true, abs=0.04)
    assert found.middles[inner] == pytest.approx(np.tile([-20.0, 0.0], (inner.sum(), 1)), abs=0.12)


def gaps_of(
    passage: Passage,
    grain: float = 0.3,
    papilla: float = -2.0,
    edge: float | tuple[float, float] = RADIUS,
    crown: float = 8.0,
    numbers: tuple[int, int] = (16, 15),
    shadow: np.ndarray | None = None,
):
    """What is said of two crowns, 8 mm long unless told otherwise."""
    ends = np.array([0.0, 9.0]), np.array([8.0, 17.0])
    seen = np.zeros((1, 1)) if shadow is None else shadow
    row = Row(np.array(numbers), *ends, 0.0, 1.0, np.ones(2), seen, np.full(2, np.nan))
    tip, length = np.broadcast_to(edge, 2), believed(np.full(2, crown), row)
    return find_gaps([passage], row, tip, length, np.array([papilla]), grain, lambda local: local)


@pytest.mark.parametrize(("apart", "gum", "width"), [
    (8.0, -2.0, None), (8.2, -2.0, None), (8.8, -2.0, 0.8), (10.5, -2.0, 2.5),
    # Gum as high as the contact: the walls that are seen tell a gap from a touch.
    (8.0, 0.4, None), (9.3, 0.4, 1.3),
])  # fmt: skip
def test_balls_that_touch_are_no_gap_others_have_their_distance(apart, gum, width) -> None:
    found = gaps_of(two_balls(apart, gum), papilla=gum)
    assert len(found) == (0 if width is None else 1)
    for gap in found:
        assert gap.width_mm == pytest.approx(width, abs=0.2)
        assert gap.between == (16, 15)
        assert gap.centre == pytest.approx([-20.0, 0.0, RADIUS - 0.45 * 8.0], abs=0.2)


def test_gum_that_climbs_up_one_of_two_uneven_crowns_does_not_narrow_a_wide_space() -> None:
    uneven = two_balls(18.0, -3.0, lift=3.0, collar=2.0)
    # At the height at which the lower crown is widest there is gum around the higher one.
    at = round((0.0 - uneven.bottom) / LEVEL_MM)
    assert uneven.widths[at] == pytest.approx(8.0, abs=0.2)
    (gap,) = gaps_of(uneven, papilla=-3.0, edge=(RADIUS, RADIUS + 3.0), numbers=(16, 14))
    assert gap.kind == "missing"
    assert gap.width_mm == pytest.approx(10.0, abs=0.15)


def opening(*widths: float, bottom: float = -1.0) -> Passage:
    """A passage with given widths every 0.4 mm from its bottom."""
    at = np.arange(0.0, 0.4 * (len(widths) - 1) + 0.01, LEVEL_MM)
    told = np.interp(at, 0.4 * np.arange(len(widths)), widths)
    return Passage(bottom, told, np.zeros((len(told), 2)), np.inf)


def test_a_smeared_contact_opens_like_a_v_and_a_gap_like_a_u() -> None:
    vee = opening(0.3, 0.75, 1.15, 1.55, 1.95, 2.35, 2.75, 3.15, 3.55, 3.95, 4.35, 4.75)
    yoo = opening(0.7, 1.1, 1.15, 1.2, 1.25, 1.3, 1.4, 1.5, 1.7, 2.0, 3.0, 4.0)
    assert gaps_of(vee, papilla=-1.0, edge=3.0) == ()
    (gap,) = gaps_of(yoo, papilla=-1.0, edge=3.0)
    assert gap.width_mm == pytest.approx(1.1, abs=0.15)
    # Triangles as coarse as that smear a contact over to such a width.
    assert gaps_of(yoo, grain=0.6, papilla=-1.0, edge=3.0) == ()
    # Joined well above the papilla they are joined by the crowns.
    assert gaps_of(yoo, papilla=-2.0, edge=3.0) == ()


def one_before_the_other(step: float) -> np.ndarray:
    """Two front teeth from above, edges so far apart across the row, mm; the gap at 8 to 9 mm."""
    across = np.arange(-HALF_MM, HALF_MM + 0.01, CELL_MM)
    edges = [3.0 - 2.5 * np.abs(across - at) for at in (-0.5 * step, 0.5 * step)]
    return np.repeat(np.maximum(edges, -6.0), round(8.5 / CELL_MM), axis=0)


def test_teeth_that_stand_before_each_other_are_apart_where_a_millimetre_parts_them() -> None:
    # An open distance is what a sheet is drawn into, whichever way it lies. Common practice.
    told = {"papilla": -1.0, "edge": 3.0, "numbers": (21, 22)}
    wide = opening(0.8, 1.4, 1.5, 1.5, 1.5, 1.5, 1.6, 1.7, 1.9, 2.2, 3.0, 4.0)
    narrow = opening(0.7, 0.8, 0.8, 0.85, 0.9, 0.95, 1.0, 1.1, 1.3, 1.6, 2.4, 3.5)
    for step in (0.0, 6.5):
        (gap,) = gaps_of(wide, shadow=one_before_the_other(step), **told)
        assert 1.0 < gap.width_mm < 1.6
    assert len(gaps_of(narrow, shadow=one_before_the_other(0.0), **told)) == 1
    assert gaps_of(narrow, shadow=one_before_the_other(6.5), **told) == ()


SLOT = (1.1, 1.25, 1.25, 1.25, 1.25, 1.25, 1.25, 1.25, 1.3, 1.6, 2.4, 4.0, 6.0)


def test_parallel_walls_part_crowns_also_where_the_papilla_was_read_too_low() -> None:
    slot = opening(*SLOT)
    (gap,) = gaps_of(slot, papilla=-2.3, edge=3.0)
    assert gap.width_mm == pytest.approx(1.25, abs=0.05)
    # A narrower one is told down to the papilla, and not far above it.
    narrow = opening(*(0.6 * w for w in SLOT))
    (gap,) = gaps_of(narrow, papilla=-1.0, edge=3.0)
    assert gap.width_mm == pytest.approx(0.75, abs=0.05)
    assert gaps_of(narrow, papilla=-2.3, edge=3.0) == ()
    # Coarse triangles smear a contact over, and a shallow notch is between corners of edges.
    assert gaps_of(slot, grain=0.4, papilla=-2.3, edge=3.0) == ()
    assert gaps_of(slot, papilla=-2.3, edge=1.0) == ()


def test_a_leaf_of_gum_that_stands_up_in_a_gap_does_not_close_it() -> None:
    leaf = (0.2, 0.4, 0.5, 1.4, *[1.3] * 8, 1.6, 2.4, 4.0)
    (gap,) = gaps_of(opening(*leaf, bottom=-1.5), papilla=-1.2, edge=3.0)
    assert gap.width_mm == pytest.approx(1.3, abs=0.05)
    # Its flank is smooth, and the crowns are nearer to each other further up.
    flank = (0.2, 0.6, 0.9, 1.2, 1.5, 1.4, 1.35, 1.3, 1.3, 1.35, 1.4, 1.5, 2.0, 3.0)
    (gap,) = gaps_of(opening(*flank, bottom=-1.9), papilla=-1.6, edge=3.0)
    assert gap.width_mm == pytest.approx(1.3, abs=0.05)
    # A contact opens from a slit as well, but on and on; and a leaf is no higher than the papilla.
    vee = opening(0.2, 0.4, 0.5, 1.2, 1.6, 2.0, 2.4, 2.8, 3.2, 3.6, 4.0, 4.4, bottom=-1.5)
    assert gaps_of(vee, papilla=-1.2, edge=3.0) == ()
    assert gaps_of(opening(*leaf, bottom=-1.5), papilla=-4.0, edge=3.0) == ()


def in_two_rows(across: float) -> np.ndarray:
    """A row from above: an edge up to the contact, and one so far outside of it from there on."""
    at = np.arange(-HALF_MM, HALF_MM + 0.01, CELL_MM)
    s = np.arange(0.0, 20.0, CELL_MM)
    off = np.abs(at[None, :] - np.where(s < 8.5, 0.0, across)[:, None])
    return np.where(off < 0.6, 0.0, -6.0)


@pytest.mark.parametrize(("across", "told"), [(0.5, 1), (2.5, 0)])
def test_where_one_tooth_stands_before_the_other_a_narrow_passage_is_no_space(across, told) -> None:
    narrow = opening(0.6, 0.8, 0.9, 0.9, 0.9, 0.9, 0.9, 1.2, 1.6, 2.4, 4.0, 6.0, bottom=-5.0)
    shadow = in_two_rows(across)
    found = gaps_of(narrow, papilla=-5.0, edge=0.0, crown=10.0, numbers=(12, 11), shadow=shadow)
    assert len(found) == told


def test_a_gum_line_read_far_too_high_parts_no_crowns() -> None:
    # Crowns that touch half way down, their gum line taken for the bulge below the contact.
    widths = (0.4, 0.8, 1.1, 1.3, 1.5, 1.6, 1.7, 1.8, 1.9, 2.0, 2.1, 2.2, 2.4, 2.6)
    touching, front = opening(*widths, bottom=-5.4), in_two_rows(0.0)
    for crown, told in ((8.4, 1), (6.4, 0)):
        found = gaps_of(touching, 0.3, -4.4, 0.0, crown, (11, 21), front)
        assert len(found) == told


def test_what_ends_where_crowns_touch_is_a_gap_only_with_a_wide_bottom() -> None:
    vee = (0.2, 0.6, 0.9, 1.15, 1.35, 1.5, 1.65, 1.8, 2.0, 2.3, 2.7, 3.2, 3.8)
    crown, front = 8.4, in_two_rows(0.0)
    for bottom, told in ((-5.6, 1), (-4.9, 0)):
        found = gaps_of(opening(*vee, bottom=bottom), 0.3, bottom, 0.0, crown, (11, 21), front)
        assert len(found) == told


def test_crowns_that_part_above_a_deep_slit_are_as_far_apart_as_the_slit_is_wide() -> None:
    # Scanned through far below the contact, no gum lies where the walls begin to part.
    slit = opening(
        *(0.6, 0.7, 0.8, 0.9, 1.0, 1.3, 1.8, 2.4, 3.0, 3.6, 4.2, 4.8, 5.4, 6.0, 6.5, 7.0),
        bottom=-2.9,
    )
    (gap,) = gaps_of(slit, papilla=-1.5)
    assert gap.width_mm == pytest.approx(1.4, abs=0.1)


def test_a_step_of_gum_at_the_bottom_of_a_gap_does_not_narrow_it() -> None:
    step = opening(0.7, 0.8, 2.4, *[2.4] * 8, 2.6, 3.5, 4.5, bottom=-1.2)
    (gap,) = gaps_of(step, papilla=-1.2)
    assert gap.width_mm == pytest.approx(2.4, abs=0.05)


def test_neither_gum_nor_a_far_cusp_is_taken_for_the_width() -> None:
    flank = opening(0.3, 0.9, 1.6, 2.0, 2.0, 2.0, 2.0, 2.0, 2.1, 2.4, 3.0, 4.0, 4.0, bottom=-2.2)
    (gap,) = gaps_of(flank, papilla=-2.0)
    assert gap.width_mm == pytest.approx(2.0, abs=0.1)
    tipped = opening(0.3, 0.9, 1.6, 2.0, 2.0, 6.5, 6.5, 6.5, 6.5, 6.5, 6.5, bottom=-2.2)
    (gap,) = gaps_of(tipped, papilla=-2.0)
    assert gap.width_mm == pytest.approx(2.0, abs=0.1)


def slow_walls(points, faces, sn, s_range, n, z):
    """Crossings of the ray at (n, z) with the surface between two arc lengths, and their sides."""
    flat = np.column_stack([sn, points[:, 2]])[faces]
    met = []
    for corners in flat:
        m = np.stack([corners[1, 1:] - corners[0, 1:], corners[2, 1:] - corners[0, 1:]], axis=1)
        if abs(np.linalg.det(m)) < 1e-9 or np.ptp(corners[:, 0]) > 4:
            continue
        p, q = np.linalg.solve(m, np.array([n, z]) - corners[0, 1:])
        if min(p, q, 1 - p - q) >= 0:
            s = corners[0, 0] + p * (corners[1, 0] - corners[0, 0])
            s += q * (corners[2, 0] - corners[0, 0])
            if s_range[0] < s < s_range[1]:
                met.append((s, np.linalg.det(m) < 0))
    return sorted(met)


def test_rays_along_the_arch_against_linear_algebra() -> None:
    mesh, _ = toy_arch()
    line = find_arch_line(mesh.vertices)
    sn = project(line, mesh.vertices[:, :2])
    middles = np.array([30.0, 38.0, 46.0])
    columns = round(2 * passages.REACH_MM / passages.ACROSS_MM) + 1
    levels = round((passages.TOP_MM - passages.LOWEST_MM) / LEVEL_MM) + 1
    count = np.zeros((2, columns, levels), dtype=np.int64)
    at = np.empty((*count.shape, passages.WALLS))
    leaving = np.empty((*count.shape, passages.WALLS), dtype=np.bool_)
    height = np.ascontiguousarray(mesh.vertices[:, 2])
    passages._meet(sn, height, mesh.faces, middles, count, at, leaving)
    some = np.argwhere(count > 0)[::40]
    assert len(some) > 20
    for k, i, j in some:
        n, z = i * passages.ACROSS_MM - passages.REACH_MM, passages.TOP_MM - j * LEVEL_MM
        want = slow_walls(mesh.vertices, mesh.faces, sn, middles[k : k + 2], n, z)
        met = count[k, i, j]
        got = sorted(zip(at[k, i, j, :met], leaving[k, i, j, :met], strict=True))
        assert [side for _, side in got] == [side for _, side in want]
        assert [s for s, _ in got] == pytest.approx([s for s, _ in want], abs=1e-6)
