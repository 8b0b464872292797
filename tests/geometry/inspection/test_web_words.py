"""Which gaps are looked at for films, and what is said of one."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from geometry.inspection.findings.webs import (
    grooves_of,
    not_bonded,
    web_findings,
    without_films,
)
from geometry.inspection.place import Place
from geometry.sampling import Bump
from geometry.sampling.webs import Web

FRAME = SimpleNamespace(occlusal=np.array([0.0, 0.0, 1.0]))


def tooth(number: int, x: float) -> SimpleNamespace:
    facial, lingual = np.array([x, 4.0, -8.0]), np.array([x, -4.0, -7.0])
    sides = {"facial": SimpleNamespace(at=facial), "lingual": SimpleNamespace(at=lingual)}
    return SimpleNamespace(
        number=number, centre=np.array([x, 0.0, 0.0]), width_mm=7.0, side=sides.__getitem__,
        facial=sides["facial"], lingual=sides["lingual"],
    )  # fmt: skip


def row(*places: float, attached: tuple[int, ...] = (), wire: tuple[int, int] | None = None):
    teeth = tuple(tooth(13 + k, x) for k, x in enumerate(places))
    joined = None if wire is None else SimpleNamespace(between=wire)
    return SimpleNamespace(teeth=teeth, attached=attached, wire=joined)


def test_neighbours_are_looked_between_from_both_sides() -> None:
    outer, inner = grooves_of(FRAME, row(0.0, 7.2))
    assert outer.middle[0] == pytest.approx(3.6)
    assert (outer.outward @ [0, 1, 0], inner.outward @ [0, 1, 0]) == (1.0, -1.0)
    assert (outer.gum_mm, inner.gum_mm, outer.top_mm) == (-8.0, -7.0, 0.0)


def test_across_the_place_of_a_lost_tooth_nothing_is_looked_for() -> None:
    assert grooves_of(FRAME, row(0.0, 14.0)) == []


def test_what_a_wire_or_attachments_span_is_left_out() -> None:
    wired = grooves_of(FRAME, row(0.0, 7.0, 14.0, wire=(13, 14)))
    assert [float(groove.outward[1]) for groove in wired] == [1.0, 1.0, -1.0]
    assert all(groove.outward[1] < 0 for groove in grooves_of(FRAME, row(0.0, 7.0, attached=(14,))))


def test_the_edge_of_something_bonded_is_no_film_and_a_film_no_blister() -> None:
    web = Web(np.array([3.5, 3.0, -4.0]), 1.5, 2.0)
    blister, bonded = Bump(web.at + [1.0, 0.0, 0.0], 0.6), Bump(web.at + [1.0, 0, 0], 0.6, True)
    assert without_films((blister, bonded), (web,)) == (bonded,)
    assert not_bonded((web,), (blister,)) == (web,)
    thin = Web(web.at, 1.5, 2.0, thin=True)
    assert not_bonded((web, thin), (bonded,)) == (thin,)


def test_the_words_name_place_and_remedy() -> None:
    web = Web(np.zeros(3), 1.54, 2.0)
    (found,) = web_findings((web,), lambda at: Place("07", "lingual", "at the canine, tongue side"))
    assert (found.code, found.severity, found.sextant, found.side) == ("web", "check", "07", "lingual")
    assert "A film 1.5 mm wide and 2.0 mm high spans the gap" in found.message
    assert "between two teeth, at the canine, tongue side" in found.message
    assert "rescan 2–3 s" in found.message
