"""A row of primary teeth is short, and whole all the same."""

from __future__ import annotations

from dataclasses import replace

from geometry.dentition import Dentition
from geometry.inspection import Inspection
from geometry.inspection.findings.arch import front_findings, plane_findings
from geometry.inspection.limits import Limits


def numbered(dentition: Dentition, to_primary: int) -> Dentition:
    """Return the ten front teeth of a row, under the numbers of primary ones or their own."""
    teeth = [tooth for tooth in dentition.teeth if tooth.number % 10 <= 5]
    assert len(teeth) == 10
    teeth = [replace(tooth, number=tooth.number + to_primary) for tooth in teeth]
    return replace(dentition, teeth=tuple(teeth))


def test_a_short_row_is_whole_where_it_ends_with_second_primary_molars(
    lower_found: Inspection,
) -> None:
    # ISO 3950: 75 and 85 are the lower second primary molars, the last of the primary teeth.
    frame, dentition = lower_found.frame, lower_found.dentition
    assert frame is not None
    assert dentition is not None
    short = frame.tip_places[:, 0]
    part = replace(frame, tip_places=frame.tip_places * 30.0 / abs(short).max(), tilt_sd_deg=3.0)
    child, adult = numbered(dentition, 40), numbered(dentition, 0)
    assert child.primary_row
    assert not adult.primary_row
    assert front_findings(part, child, Limits()) == []
    (told,) = front_findings(part, adult, Limits())
    assert told.code == "front_unsure"


def test_what_no_scan_can_show_more_of_does_not_make_the_plane_doubtful(
    lower_found: Inspection,
) -> None:
    frame = lower_found.frame
    assert frame is not None
    part = replace(frame, tilt_sd_deg=3.0, unseen_tilt_deg=2.8)
    assert [found.code for found in plane_findings(part, Limits())] == ["plane_unsure"]
    assert plane_findings(part.of_whole_row(), Limits()) == []
    # What the teeth themselves leave open stays.
    assert plane_findings(replace(part, unseen_tilt_deg=0.5).of_whole_row(), Limits()) != []
