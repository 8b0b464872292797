"""A long table on paper: nothing is cut off, heads on every page, the same bytes again."""

from __future__ import annotations

import re

from production.documents.contact_sheet import Column, draw, printable

COLUMNS = (Column("Name", 46), Column("Pieces", 80), Column("By", 22, ruled=True))


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", pdf))


def test_a_list_of_any_length_is_whole_and_the_same_every_time():
    lines = [([f"Novák-Żółć, Ewa {n}"], [f"CODE{n} upper retainer"]) for n in range(200)]
    pdf = draw("Lot", ["An office"], COLUMNS, lines)
    assert pdf == draw("Lot", ["An office"], COLUMNS, lines)
    assert pages(pdf) > 1
    assert pages(draw("Lot", ["An office"], COLUMNS, [])) == 1


def test_what_is_too_wide_or_too_high_goes_on_below(monkeypatch):
    from production.documents import contact_sheet

    drawn: list[str] = []
    table = contact_sheet._table
    monkeypatch.setattr(
        contact_sheet,
        "_table",
        lambda canvas, columns, page, y: (
            drawn.extend(t for row in page for cell in row for t in cell),
            table(canvas, columns, page, y),
        ),
    )
    name, pieces = "W" * 90, [f"CODE{n}" for n in range(70)]
    draw("Lot", [], COLUMNS, [([f"{name} Ada"], pieces)])
    assert "".join(t for t in drawn if "W" in t).startswith(name)
    assert [t for t in drawn if t.startswith("CODE")] == pieces


def test_it_knows_which_letters_it_can_set():
    assert printable("Ølsen, Šárka-Ελένη")
    assert printable("Re\u0301ne\u0301e")  # accents as marks of their own
    # Not in the font; there, but written from the right and joined (Unicode Standard Annex 9).
    for name in ("李, 明", "สมชาย", "अनीता", "ليلى", "מרים"):
        assert not printable(name)


def test_a_double_name_breaks_at_its_hyphen():
    from production.documents.contact_sheet import MM, PAD, _fonts, _wrapped

    _fonts()
    width = COLUMNS[0].width * MM - 2 * PAD
    assert _wrapped("Featherstonehaugh-Cholmondeley, Maximiliana", width)[0] == "Featherstonehaugh-"
