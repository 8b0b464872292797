"""Inside of front teeth lines mislead: they tell nothing of other lines."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch
from geometry.dentition import analysis
from geometry.dentition.gum.tissue import read_margins
from geometry.dentition.row.sheets import STEP_S_MM
from tests.geometry.dentition.conftest import CALM, read


def _read_with(monkeypatch: pytest.MonkeyPatch, arch: str) -> tuple:
    """What the margins of a calm arch are read from."""
    taken = {}

    def keep(*args):
        taken["args"] = args
        return read_margins(*args)

    monkeypatch.setattr(analysis, "read_margins", keep)
    read(make_arch(ArchSpec(arch=arch, family="loft", captured=9.0, captured_sd=0.5, **CALM), 5))
    return taken["args"]


def test_cingula_that_look_like_margins_do_not_move_the_other_lines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sheets, relief, start, stop, tip, usual, numbers, limit = _read_with(monkeypatch, "upper")
    wall = sheets.lingual.copy()
    at = np.arange(len(wall)) * STEP_S_MM
    front = numbers % 10 <= 3
    for a, b, top in zip(start[front], stop[front], tip[front], strict=True):
        own = (at > a + 0.5) & (at < b - 0.5)
        # Inwards is down: a ledge of .4 mm, six millimetres below the edge.
        wall[own] -= 0.4 * np.clip((top - 6.0 - sheets.z) / 0.3, 0.0, 1.0)
    told = [
        read_margins(which, relief, start, stop, tip, usual, numbers, limit)
        for which in (sheets, replace(sheets, lingual=wall))
    ]
    lines = [each.readings for each in told]
    inside, outside, back = (
        np.array([
            [each[side][k].margin_z for k in np.flatnonzero(teeth)] for each in lines
        ])
        for side, teeth in (("lingual", front), ("facial", front), ("facial", ~front))
    )  # fmt: skip
    assert (inside[1] - inside[0] > 1.0).sum() >= 3
    assert told[1].ratio == pytest.approx(told[0].ratio, abs=0.005)
    assert outside[1] == pytest.approx(outside[0], abs=0.05)
    assert back[1] == pytest.approx(back[0], abs=0.05)


def test_inside_of_a_lower_front_tooth_follows_its_longer_outside(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sheets, *rest = _read_with(monkeypatch, "lower")
    _, start, stop, tip, _, numbers, _ = rest
    at = np.arange(len(sheets.top)) * STEP_S_MM
    k = int(np.flatnonzero(numbers == 31)[0])
    own = (at > start[k]) & (at < stop[k])
    down = tip[k] - sheets.z
    # Inside an even slope from edge to border, on which nothing ends; outside an edge of gum.
    inside = sheets.lingual.copy()
    inside[own] = np.where(np.isnan(inside[own]), np.nan, -2.0 - 0.2 * down)
    told = []
    for length in (8.0, 10.0):
        outside = sheets.facial.copy()
        wall = 2.0 + 0.1 * down + 0.5 * np.clip((down - length) / 0.3, 0.0, 1.0)
        outside[own] = np.where(np.isnan(outside[own]), np.nan, wall)
        walls = replace(sheets, lingual=inside, facial=outside)
        readings = read_margins(walls, *rest).readings
        told.append([readings[side][k].margin_z for side in ("facial", "lingual")])
    outer, inner = np.subtract(*told)
    assert outer == pytest.approx(2.0, abs=0.3)
    assert inner > 0.7 * outer
