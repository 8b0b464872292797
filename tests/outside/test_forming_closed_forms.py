"""The membrane against closed forms for forming into a cavity, and papers for models.

Closed forms: a free bubble of one thickness that freezes where it touches, as for cones
in J. L. Throne, Technology of Thermoforming (Hanser 1996; from memory), derived again by
volume conservation. Areal draw ratio: open box 1 + 2h(a+b)/(ab), cup 1 + 4H/D, cone
1/cos β (mensuration). Papers: taller models give thinner sheets (Ghoraba et al.,
Materials 2024;17:3019); single points of 15–105 % and means of 50–90 % of the nominal
are bounds chosen from Dogramaci et al. 2018, Ghoraba et al. 2024 and others.
"""

import numpy as np
import pytest

from geometry.forming import Ground, form_over, form_sheet, round_sheet


def cavity(depth_of, radius, pitch=0.2):
    g = np.arange(-radius - 4, radius + 4 + pitch, pitch)
    x, y = np.meshgrid(g, g, indexing="ij")
    return Ground(float(g[0]), float(g[0]), pitch, depth_of(np.hypot(x, y)))


def drawn(ground, radius, steps=2500):
    sheet = round_sheet(np.zeros(2), radius, 1.0, np.zeros((1, 2)), 2 * radius)
    return form_sheet(sheet, ground, 0.001, 0.001, drape_steps=0, press_steps=steps)


@pytest.mark.parametrize("degrees", [45.0, 60.0])
def test_cone(degrees):
    beta, radius = np.radians(degrees), 20.0
    formed = drawn(
        cavity(lambda r: np.where(r < radius, (r - radius) * np.tan(beta), 0.0), radius), radius
    )
    assert formed.areal_ratio == pytest.approx(1 / np.cos(beta), rel=0.02)
    share = np.hypot(formed.points[:, 0], formed.points[:, 1]) / radius
    for place in (0.75, 0.5):
        closed = (1 + np.cos(beta)) / 2 * place ** (1 / np.cos(beta) - 1)
        ring = np.abs(share - place) < 0.04
        assert (1 / formed.stretch[ring]).mean() == pytest.approx(closed, abs=0.07)


def test_cylinder_wall_thins_exponentially():
    radius = 20.0
    formed = drawn(cavity(lambda r: np.where(r < radius, -60.0, 0.0), radius), radius)
    r = np.hypot(formed.points[:, 0], formed.points[:, 1])
    wall = (r > 19.4) & (formed.points[:, 2] < -0.5)
    for depth in (5.0, 10.0, 15.0, 20.0):
        here = wall & (np.abs(-formed.points[:, 2] - depth) < 1.0)
        closed = 0.5 * np.exp(-2 * depth / (2 * radius))
        assert (1 / formed.stretch[here]).mean() == pytest.approx(closed, abs=0.11)


@pytest.mark.parametrize("h", [6.0, -8.0], ids=["over", "into"])
def test_areal_ratio_of_a_box_both_ways(h):
    # Four sides are added to the area of a disc, over a block as into a hollow of its size.
    a, b, radius = 16.0, 24.0, 40.0
    g = np.arange(-45, 45.1, 0.4)
    x, y = np.meshgrid(g, g, indexing="ij")
    inside = (np.abs(x) < a / 2) & (np.abs(y) < b / 2)
    ground = Ground(-45.0, -45.0, 0.4, np.where(inside, h, 0.0))
    sheet = round_sheet(np.zeros(2), radius, 1.2, np.zeros((1, 2)), 24.0)
    drape, clear = (800, 0.05) if h > 0.0 else (0, 0.001)
    formed = form_sheet(
        sheet, ground, max(h, 0.0) + clear, clear, drape_steps=drape, press_steps=2500
    )
    closed = 1 + 2 * abs(h) * (a + b) / (np.pi * radius**2)
    assert formed.areal_ratio == pytest.approx(closed, rel=0.04)


def ridge(height):
    """A horseshoe ridge of a dental model's size, tapered like crowns."""
    g = np.arange(-45, 45.1, 0.4)
    x, y = np.meshgrid(g, g, indexing="ij")
    away = np.abs(np.hypot(x, y - 18.0) - 26.0)
    away = np.where(y < 20.0, away, np.hypot(np.abs(x) - 26.0, y - 20.0))
    top = np.clip(height - np.maximum(away - 3.0, 0.0) * 4.0, 0.0, height)
    return Ground(-45.0, -45.0, 0.4, top)


def test_a_taller_model_gives_a_thinner_sheet_within_published_bounds():
    shares = [form_over(ridge(h), h - 8.0) for h in (15.0, 20.0, 25.0)]
    means = [s.mean for s in shares]
    assert means[0] > means[1] > means[2]
    for s in shares:
        assert 0.5 <= s.share.mean() <= 0.95
        assert s.share.min() >= 0.15
        assert s.share.max() <= 1.08
