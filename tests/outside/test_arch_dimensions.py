"""Arch form and tooth widths against published curves and tables.

- Arch forms in the literature: parabola, half ellipse, semicircle, and the beta function of
  Braun, Hnat, Fender, Legan, "The form of the human dental arch", Angle Orthod 1998;68:29-36
  (from memory). The front of each must be found.
- Mesiodistal widths: Nelson, Wheeler's Dental Anatomy, Table 1-1 (from memory), against the
  ratios of Bolton, Angle Orthod 1958;28:113-130: anterior 77.2 (SD 1.65), overall 91.3
  (SD 1.91) per cent.
"""

from __future__ import annotations

import numpy as np
import pytest

from geometry.dentition.row.crowns import CROWN_SIZES_MM
from geometry.frame.arch.row_curve import fit_row_curve
from geometry.frame.arch.teeth import MESIODISTAL_MM


def curve(width: float, depth: float, exponent: float) -> np.ndarray:
    u = -0.5 * np.cos(np.linspace(0.0, np.pi, 2_001))
    points = np.stack([width * u, depth * np.maximum(0.0, 4 * (0.25 - u * u)) ** exponent], axis=1)
    steps = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    even = np.linspace(0.0, steps[-1], 300)
    return np.stack([np.interp(even, steps, points[:, k]) for k in range(2)], axis=1)


@pytest.mark.parametrize(
    ("width", "depth", "exponent"),
    [(50.0, 40.0, 1.0), (60.0, 40.0, 0.5), (50.0, 25.0, 0.5), (57.0, 42.0, 0.8)],
    ids=["parabola", "half ellipse", "semicircle", "beta function"],
)
def test_front_of_published_arch_forms(width, depth, exponent):
    whole = curve(width, depth, exponent)
    form = fit_row_curve(whole)
    assert form.front @ [0.0, 1.0] > np.cos(np.radians(2.0))
    np.testing.assert_allclose(form.apex, [0.0, depth], atol=1.0)


def test_beta_function_is_recovered():
    form = fit_row_curve(curve(57.0, 42.0, 0.8))
    assert form.front @ [0.0, 1.0] > np.cos(np.radians(1.0))
    assert form.width_mm == pytest.approx(57.0, abs=2.0)
    assert form.depth_mm == pytest.approx(42.0, abs=1.5)


def test_table_of_widths_agrees_with_the_bolton_ratios():
    upper, lower = MESIODISTAL_MM["upper"], MESIODISTAL_MM["lower"]
    anterior = 100 * lower[:3].sum() / upper[:3].sum()
    overall = 100 * lower[:6].sum() / upper[:6].sum()
    assert anterior == pytest.approx(77.2, abs=1.65)
    assert overall == pytest.approx(91.3, abs=1.91)


def test_both_tables_of_the_product_agree():
    for arch, widths in MESIODISTAL_MM.items():
        np.testing.assert_allclose(widths, CROWN_SIZES_MM[arch][:, 1])
