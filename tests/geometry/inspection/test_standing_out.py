"""What stands out of the teeth: told place by place, or as brackets where it is on many of them."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.inspection.limits import DEFAULT_LIMITS
from geometry.inspection.place import Place
from geometry.inspection.sampling_findings import sampling_findings
from geometry.sampling import Bump, Sampling
from geometry.sampling.measure import Spike


def tooth_by_tooth(at) -> Place:
    """Each tooth is 10 mm wide; the outer side lies at y > 0."""
    side = "facial" if at[1] > 0 else "lingual"
    return Place("04", side, f"at tooth {int(at[0] // 10)}, {side}")


def told(bumps, spikes=()) -> list[tuple[str, str]]:
    sampling = Sampling(0.3, 0.01, tuple(Spike(np.array(at), mm) for at, mm in spikes))
    found = sampling_findings(
        sampling,
        tuple(Bump(np.array(at), mm) for at, mm in bumps),
        tooth_by_tooth,
        DEFAULT_LIMITS,
    )
    return [(one.code, one.message) for one in found]


def on_teeth(count: int, y: float, mm: float):
    return [((10.0 * k + 5.0, y, 0.0), mm) for k in range(count)]


def test_parts_on_the_outer_side_of_many_teeth_are_one_finding():
    found = told([*on_teeth(8, 1.0, 1.8), ((15.0, -1.0, 0.0), 0.7)], [((5.0, 1.0, 3.0), 0.9)])
    assert [code for code, _ in found] == ["bonded_parts", "bubble"]
    assert "8 teeth, most by 1.8 mm" in found[0][1]
    assert "at tooth 1, lingual" in found[1][1]


@pytest.mark.parametrize(
    "bumps",
    [on_teeth(5, 1.0, 1.8), on_teeth(6, -1.0, 1.8), on_teeth(6, 1.0, 0.4)],
    ids=["few teeth", "inner side", "low"],
)
def test_elsewhere_each_place_is_told(bumps):
    assert [code for code, _ in told(bumps)] == ["bubble"] * len(bumps)


def test_a_bump_beside_a_spike_is_the_same_place():
    found = told([((5.0, 1.0, 0.0), 0.8), ((25.0, 1.0, 0.0), 0.8)], [((5.5, 1.0, 0.5), 0.6)])
    assert [code for code, _ in found] == ["spike", "bubble"]
