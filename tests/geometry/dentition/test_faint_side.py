"""Inside of front teeth lines mislead: they tell nothing of other lines."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.arches import ArchSpec, make_arch
from geometry.dentition import analysis
from geometry.dentition.row.sheets import STEP_S_MM
from tests.geometry.dentition.conftest import CALM, read


def test_cingula_that_look_like_margins_do_not_move_the_other_lines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken = {}

    def keep(*args):
        taken["args"] = args
        return read_margins(*args)

    read_margins = analysis.read_margins
    monkeypatch.setattr(analysis, "read_margins", keep)
    read(make_arch(ArchSpec(arch="upper", family="loft", captured=9.0, captured_sd=0.5, **CALM), 5))
    sheets, relief, start, stop, tip, usual, numbers, limit = taken["args"]
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
