"""A finding on the page: its words, and its limit where that has a unit."""

from __future__ import annotations

from typing import Any

import pytest
from django.template.loader import render_to_string

FINDING: dict[str, Any] = {
    "css": "check",
    "icon": "warning",
    "number": 1,
    "message": "Stated as upper, but it looks like the lower arch.",
    "limit": 0.9,
    "unit": None,
}


@pytest.mark.parametrize(("unit", "shown"), [("mm", True), (None, False)])
def test_a_limit_is_shown_with_its_unit_or_not_at_all(unit: str | None, shown: bool) -> None:
    page = render_to_string("chair/finding.html", {"f": FINDING | {"unit": unit}})
    assert FINDING["message"] in page
    assert ("(limit 0.90 mm)" in page) == shown
    assert "None" not in page
