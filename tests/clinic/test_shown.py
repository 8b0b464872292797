"""Numbers as pages show them."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from clinic.templatetags.show import countdown, not_more


@pytest.mark.parametrize(
    ("value", "shown"),
    [(8.15, "8.1"), (9.96, "9.9"), (10.0, "10.0"), (0.3, "0.3"), (-0.05, "−0.1"), (None, "–")],
)
def test_the_least_is_never_shown_as_more_than_it_is(value, shown):
    assert not_more(value) == shown


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(65.2, "1:05"), (4800, "1 h 20"), (-130, "over by 2:10"), (-7500, "over by 2 h 05"), (0, "0:00")],
)
def test_a_countdown_begins_as_the_page_goes_on_counting(monkeypatch, seconds, shown):
    now = timezone.now()
    monkeypatch.setattr(timezone, "now", lambda: now)
    assert countdown(now + dt.timedelta(seconds=seconds)) == shown
