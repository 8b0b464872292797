"""A tooth that stands alone behind a wide gap belongs to the row."""

import numpy as np

from geometry.dentition.row.archline import find_arch_line, project


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
