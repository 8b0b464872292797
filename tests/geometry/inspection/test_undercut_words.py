"""Deep undercuts are one note, however many parts of the arch have them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from geometry.inspection.limits import DEFAULT_LIMITS
from geometry.inspection.place import SEXTANTS
from geometry.inspection.undercut_report import undercut_findings
from geometry.mesh import Mesh


def told(parts, known=True):
    """Findings for vertices given as (sextant, facial, depth in mm), one vertex a part."""
    sextants = np.array([SEXTANTS.index(part[0]) if known else -1 for part in parts])
    facial = np.array([part[1] for part in parts])
    points = np.arange(3.0 * len(parts)).reshape(-1, 3)
    found = SimpleNamespace(along=SimpleNamespace(depth_mm=np.array([part[2] for part in parts])))

    def many(places):
        here = (places[:, 0] / 3.0).round().astype(int)
        return sextants[here], facial[here]

    mesh = Mesh(points, np.zeros((0, 3), dtype=np.int32))
    return undercut_findings(found, mesh, SimpleNamespace(many=many), DEFAULT_LIMITS)


def test_several_parts_are_one_note_that_leads_to_the_deepest():
    (note,) = told([("06", False, 1.2), ("08", False, 2.44), ("07", True, 0.9), ("08", True, 0.7)])
    assert (note.code, note.severity) == ("undercut", "note")
    assert (note.sextant, note.side) == ("08", "lingual")
    assert note.at == (3.0, 4.0, 5.0)
    assert note.measured == 2.44
    assert note.message == (
        "Undercut up to 2.4 mm deep, lower right back teeth, tongue side; also lower left back "
        "teeth, tongue side (1.2 mm); lower front teeth, lip side (0.9 mm). Plan block-out there; "
        "nothing to do at the chair."
    )


def test_of_many_parts_the_shallow_ones_are_counted():
    parts = [(sextant, side, 1.0 + k / 10) for k, (sextant, side) in enumerate(
        (sextant, side) for sextant in SEXTANTS[:3] for side in (True, False))]  # fmt: skip
    (note,) = told(parts)
    assert note.message.count("mm)") == 3
    assert "; and 2 more parts. Plan" in note.message


def test_shallow_undercuts_are_no_note_and_unknown_sides_are_not_named():
    assert told([("06", False, 0.6)]) == []
    (note,) = told([("06", False, 1.0), ("03", True, 1.5)], known=False)
    assert "1.5 mm deep, where the picture shows it. Plan" in note.message
    assert note.sextant is None
