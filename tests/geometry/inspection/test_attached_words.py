"""What is bonded to the outer side of the teeth is told once, by its teeth."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from geometry.inspection.findings.tissue import attached_findings


def teeth(*numbers: int, attached: tuple[int, ...]) -> SimpleNamespace:
    return SimpleNamespace(
        teeth=[SimpleNamespace(number=n, sextant="07", centre=np.zeros(3)) for n in numbers],
        attached=attached,
    )


def test_teeth_with_something_on_them_are_named_in_one_finding() -> None:
    (found,) = attached_findings(teeth(43, 42, 41, 31, attached=(43, 31)), True)
    assert (found.code, found.severity, found.side) == ("bonded_parts", "check", "facial")
    assert "2 teeth: lower right canine, lower left central incisor." in found.message
    assert "scan again once they are off" in found.message


def test_no_tooth_is_named_where_the_side_is_not_known() -> None:
    (found,) = attached_findings(teeth(43, 42, attached=(43, 42)), False)
    assert "canine" not in found.message
    assert found.sextant is None


def test_of_many_teeth_four_are_named() -> None:
    (found,) = attached_findings(teeth(*range(41, 48), attached=tuple(range(41, 48))), True)
    assert "and 3 more" in found.message
    assert attached_findings(teeth(43, attached=()), True) == []
