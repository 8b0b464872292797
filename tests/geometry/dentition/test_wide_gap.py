"""A tooth that stands alone behind a wide gap belongs to the row."""

import numpy as np
import pytest

from geometry.dentition.archline import ArchLine, find_arch_line, project
from geometry.dentition.spaces import CELL_MM, HALF_MM, crown_distance, look_between


def test_a_last_molar_behind_two_missing_teeth_is_on_the_line() -> None:
    """Invented arch: more than 15 mm are free between the last molar and the teeth before it."""
    turn = np.radians(np.r_[np.arange(-66, 53, 12.0), 84.0])
    middles = np.column_stack([26.0 * np.sin(turn), 45.0 * np.cos(turn) - 45.0])
    grid = np.stack(np.meshgrid(np.arange(-4, 4.1, 0.5), np.arange(-4, 4.1, 0.5)), -1).reshape(
        -1, 2
    )
    crowns = (middles[:, None] + grid).reshape(-1, 2)
    local = np.column_stack([crowns, np.full(len(crowns), -1.0)])
    assert np.linalg.norm(np.diff(middles[-2:], axis=0)) - 8.0 > 15.0

    at = project(find_arch_line(local), middles)

    assert (np.abs(at[:, 1]) < 3.0).all()
    assert (np.diff(at[:, 0]) < 0).all() or (np.diff(at[:, 0]) > 0).all()


def straight_line() -> ArchLine:
    at = np.arange(0.0, 20.0, 0.25)
    return ArchLine(
        points=np.column_stack([at, np.zeros(len(at))]),
        outward=np.tile([0.0, 1.0], (len(at), 1)),
        s=at,
        nearest=np.zeros((1, 1), dtype=np.int32),
        low=np.zeros(2),
    )


def test_a_high_papilla_does_not_narrow_the_gap() -> None:
    """Two square crowns 2 mm apart on a straight row; between them gum rises to both walls."""
    s = np.arange(0.0, 20.0, CELL_MM)
    n = np.arange(int(2 * HALF_MM / CELL_MM) + 2) * CELL_MM - HALF_MM
    gum = -6.2 + 1.5 * np.abs(s - 10.0)
    crown = (np.abs(s - 10.0) > 1.0)[:, None] & (np.abs(n) < 3.0)[None]
    shadow = np.where(crown, 0.0, np.where(np.abs(n) < 3.0, gum[:, None], -99.0))
    line = straight_line()
    first, second = (1.0, 9.0), (11.0, 19.0)
    seen = look_between(shadow, line, first, second, -5.5)
    assert seen.width_mm < 1.5
    assert crown_distance(shadow, line, first, second, seen) == pytest.approx(2.0, abs=0.2)


def test_a_gap_is_not_as_wide_as_the_way_to_the_far_cusp() -> None:
    """The same, the second crown low but for its far end, as a tipped molar stands."""
    s = np.arange(0.0, 20.0, CELL_MM)
    n = np.arange(int(2 * HALF_MM / CELL_MM) + 2) * CELL_MM - HALF_MM
    height = np.where(s < 15.5, -4.6, 0.0)
    height = np.where(s < 11.0, -6.2 + 1.5 * np.abs(s - 10.0), height)
    height = np.where(s < 9.0, 0.0, height)
    shadow = np.where((np.abs(n) < 3.0)[None], height[:, None], -99.0)
    first, second = (1.0, 9.0), (11.0, 19.0)
    seen = look_between(shadow, straight_line(), first, second, -5.5)
    width = crown_distance(shadow, straight_line(), first, second, seen)
    assert width == pytest.approx(2.0, abs=0.2)
