"""The bench timeline: hours in their places on any clock, and no promise hidden by another."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from production.actions import open_order
from production.models import ApplianceKind, Promise
from production.selectors.plan.timeline import PX_PER_MINUTE, Block, timeline
from production.views.plan.timeline import SPANS


@pytest.mark.parametrize(
    ("zone", "moment", "labels"),
    [
        ("Asia/Kolkata", "2026-06-01T09:47", ["09:00", "10:00", "11:00"]),
        ("Asia/Kathmandu", "2026-06-01T09:12", ["09:00", "10:00", "11:00"]),
        # The clocks of Dublin went back at 02:00 on 25 October 2026 (EU directive 2000/84/EC).
        ("Europe/Dublin", "2026-10-25T00:40", ["00:00", "01:00", "01:00", "02:00"]),
    ],
)
def test_hours_stand_where_they_are(office, zone, moment, labels):
    now = dt.datetime.fromisoformat(moment).replace(tzinfo=ZoneInfo(zone))
    with timezone.override(zone):
        view = timeline(now)
    assert [label for _, label in view.hours][: len(labels)] == labels
    steps = {round(b - a, 6) for (a, _), (b, _) in zip(view.hours, view.hours[1:], strict=False)}
    assert steps == {60 * PX_PER_MINUTE}
    minutes = (view.now_x - view.hours[0][0]) / PX_PER_MINUTE
    assert minutes == pytest.approx(int(moment[-2:]) + 60 * (labels[0] != moment[11:13] + ":00"))


def test_a_promise_at_risk_lies_on_top_of_one_of_the_same_time(office, person, patient):
    now = timezone.now()
    kind = ApplianceKind.objects.get(code="retainer")
    for key, risk in (("a", 0.9), ("b", 0.01)):
        order = open_order(person("doctor"), patient, kind, ["upper"], key=key)
        Promise.objects.create(
            order=order, due_at=now + dt.timedelta(hours=2), p_late=risk, p_kept_at_agreement=0.95
        )
    calm, risky = timeline(now).marks
    assert (calm.risky, risky.risky) == (False, True)
    assert abs(calm.x - risky.x) > 10


@pytest.mark.parametrize(
    ("width", "codes", "by_hand", "label", "sign"),
    [
        (140.0, ["K7M2Q9X"], True, "Trim K7M2Q9X", ""),
        (50.0, ["K7M2Q9X"], True, "Trim", ""),
        (30.0, ["K7M2Q9X"], True, "", "trim"),
        (10.0, ["K7M2Q9X"], True, "", ""),
        (90.0, ["K7M2Q9X"], False, "K7M2Q9X", ""),
        (30.0, ["K7M2Q9X"], False, "", ""),  # the row names the machine
        (30.0, ["K7M2Q9X", "A1B2C3D"], False, "2", ""),
    ],
)
def test_a_block_says_as_much_as_it_has_room_for(width, codes, by_hand, label, sign):
    now = timezone.now()
    block = Block("trim", 0.0, 0.0, width, codes, "Trim", now, now, False, by_hand, "trim")
    assert (block.label, block.sign) == (label, sign)
    assert label in block.spoken  # WCAG 2.2, success criterion 2.5.3


def test_the_near_hours_are_drawn_wider_and_stay_so_when_the_plan_changes(office, signed_in):
    client = signed_in("technician")
    page = client.get("/plan/", {"span": "near"}).content.decode()
    assert "span=near" in page
    assert client.get("/plan/", {"span": "nonsense"}).status_code == 200
    now = timezone.now()
    (day, wide) = (timeline(now, *SPANS[name]) for name in ("day", "near"))
    assert wide.scale > 1.8 * day.scale
    assert wide.width < day.width
    # On a phone there is room for little: it should not go to what is over.
    assert wide.now_x is not None
    assert wide.now_x - wide.x(wide.start) <= 30 * wide.scale
    assert all(label.endswith(":00") for picture in (day, wide) for _, label in picture.hours)
