"""How the membrane behaves."""

import numpy as np
import pytest

from geometry.forming import Ground, form_over, form_sheet, round_sheet


def block(height, half=6.0, size=40.0, pitch=0.5):
    g = np.arange(-size, size + pitch, pitch)
    x, y = np.meshgrid(g, g, indexing="ij")
    inside = (np.abs(x) < half) & (np.abs(y) < 2 * half)
    return Ground(-size, -size, pitch, np.where(inside, height, 0.0))


def test_a_flat_platform_leaves_the_sheet_as_it_is():
    sheet = round_sheet(np.zeros(2), 30.0, 2.0, np.zeros((1, 2)), 20.0)
    flat = Ground(-50, -50, 1.0, np.zeros((101, 101)))
    formed = form_sheet(sheet, flat, 0.05, 0.05)
    assert formed.areal_ratio == pytest.approx(1.0, abs=0.01)


def test_volume_is_kept():
    sheet = round_sheet(np.zeros(2), 30.0, 2.0, np.zeros((1, 2)), 20.0)
    formed = form_sheet(sheet, block(10.0), 10.05, 0.05)
    flat = sheet.points[sheet.faces]
    u, v = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum()
    assert formed.flat_area == pytest.approx(area, rel=1e-9)
    assert formed.areal_ratio > 1.1


def test_a_taller_model_gets_a_thinner_sheet():
    means = [form_over(block(h), 1.0).mean for h in (8.0, 14.0, 20.0)]
    assert means[0] > means[1] > means[2]
