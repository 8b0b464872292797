"""Numbers as pages show them."""

from __future__ import annotations

import pytest

from clinic.templatetags.show import not_more


@pytest.mark.parametrize(
    ("value", "shown"),
    [(8.15, "8.1"), (9.96, "9.9"), (10.0, "10.0"), (0.3, "0.3"), (-0.05, "−0.1"), (None, "–")],
)
def test_the_least_is_never_shown_as_more_than_it_is(value, shown):
    assert not_more(value) == shown
