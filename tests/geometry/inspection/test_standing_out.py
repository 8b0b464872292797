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


@pytest.mark.parametrize(("count", "mm"), [(3, 1.0), (6, 0.6)])
@pytest.mark.parametrize(("y", "side"), [(1.0, "outer"), (-1.0, "inner")])
def test_parts_bonded_to_some_teeth_are_told_together(count, mm, y, side):
    (code, words), *others = told(on_teeth(count, y, mm))
    assert code == "bonded_parts"
    assert f"{side} side of {count} teeth" in words
    assert len(others) == (count if count < 6 else 0)  # a few may be moisture after all


def test_what_stands_on_the_other_side_is_told_beside_them():
    found = told([*on_teeth(8, 1.0, 1.8), ((15.0, -1.0, 0.0), 0.7)], [((5.0, 1.0, 3.0), 0.9)])
    assert [code for code, _ in found] == ["bonded_parts", "bubble"]
    assert "8 teeth, most by 1.8 mm" in found[0][1]
    assert "at tooth 1, lingual" in found[1][1]


@pytest.mark.parametrize(
    "bumps",
    [on_teeth(2, 1.0, 1.8), on_teeth(5, -1.0, 0.9), on_teeth(6, 1.0, 0.4)],
    ids=["few teeth", "lower on some", "low"],
)
def test_elsewhere_each_place_is_told(bumps):
    assert [code for code, _ in told(bumps)] == ["bubble"] * len(bumps)


def test_a_bump_beside_a_spike_is_the_same_place():
    found = told([((5.0, 1.0, 0.0), 0.8), ((25.0, 1.0, 0.0), 0.8)], [((5.5, 1.0, 0.5), 0.6)])
    assert [code for code, _ in found] == ["spike", "bubble"]
