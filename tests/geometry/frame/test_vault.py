"""What covers the space between the back teeth, and what it says about the arch.

Depths: generated palates and common anatomy (no source): a palate is deepest in the middle, a
tongue stands up to the biting surfaces, a filling by software is flat.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.arch.vault import Vault, look_between
from geometry.frame.relief import EMPTY, Relief

LEVEL = 3.0  # of the occlusal plane
FORM = RowCurve(np.array([0.6, 0.8]), np.array([5.0, -2.0]), 56.0, 45.0, 0.6, 0.3, 1.0)


def between(depth: Callable[[NDArray[np.float64]], NDArray[np.float64]], reach: float) -> Vault:
    """Look at a surface so deep under the plane, by the place across, to ``reach`` mm of it."""
    cell = 0.5
    columns, rows = np.meshgrid(np.arange(-80.0, 80.0, cell), np.arange(-80.0, 80.0, cell))
    across = FORM.to_arch(np.stack([columns.ravel(), rows.ravel()], axis=1))[:, 0]
    z = LEVEL - depth(across).reshape(columns.shape)
    seen = np.abs(across).reshape(columns.shape) <= reach
    index = np.where(seen, 7, -1).astype(np.int32)
    return look_between(Relief(np.where(seen, z, EMPTY), index, -80.0, -80.0, cell), LEVEL, FORM)


def test_a_palate_is_deepest_in_the_middle() -> None:
    seen = between(lambda x: 18.0 - 0.03 * x * x, 30.0)
    assert seen.palate
    assert not seen.tongue
    assert seen.depth_mm == pytest.approx(18.0, abs=0.1)
    assert seen.hollow_mm == pytest.approx(0.03 * 10.5**2, rel=0.15)


def test_a_tongue_stands_near_the_biting_surfaces() -> None:
    seen = between(lambda x: 2.0 + 0.02 * x * x, 30.0)
    assert seen.tongue
    assert not seen.palate


def test_what_is_closed_flat_is_neither() -> None:
    seen = between(lambda x: np.full_like(x, 11.0), 30.0)
    assert seen.covered
    assert not seen.palate
    assert not seen.tongue


def test_a_horseshoe_has_nothing_there() -> None:
    seen = between(lambda x: 18.0 - 0.03 * x * x, 2.0)
    assert not seen.covered
    assert not seen.palate
