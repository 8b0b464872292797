"""GS1 element strings against published examples.

Sources, each named beside its check: GS1 General Specifications (sections 3.4.5, 7.8,
7.9, 7.12), the check digit calculator page of gs1.org, ISO/IEC 15424 for symbology
identifiers. Retail numbers: from memory of published specimens, arithmetic done by hand
in the comments.
"""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from production.bench.gs1 import (
    GS,
    Gs1Error,
    check_digit,
    is_gtin,
    looks_like_gs1,
    parse,
    read_date,
)

TODAY = dt.date(2026, 11, 25)


@pytest.mark.parametrize(
    ("body", "digit"),
    [
        ("629104150021", "3"),  # gs1.org, “how to calculate a check digit manually”: sum 57
        ("37610425002123456", "9"),  # the same page for an SSCC, from memory
        ("400638133393", "1"),  # sum 89, from memory
        ("03600029145", "2"),  # sum 58, from memory
        ("9638507", "4"),  # sum 86, from memory
    ],
)
def test_check_digit_of_published_numbers(body, digit):
    assert check_digit(body) == digit
    assert is_gtin(body + digit) == (len(body) + 1 in {8, 12, 13, 14})


@pytest.mark.parametrize(
    ("value", "date"),
    [
        # General Specifications 3.4.5: day 00 is the last day of the month, leap years included.
        ("130200", dt.date(2013, 2, 28)),
        ("160200", dt.date(2016, 2, 29)),
        # 7.12: 49 years back to 50 years ahead. Seen from 2026 that is 1977 to 2076.
        ("760101", dt.date(2076, 1, 1)),
        ("770101", dt.date(1977, 1, 1)),
        ("991231", dt.date(1999, 12, 31)),
    ],
)
def test_dates_by_the_specification(value, date):
    assert read_date(value, TODAY) == date


def test_century_turns_with_the_year_we_are_in():
    # 7.12, seen from 1995: 51 or more ahead of its century's year is the one before, and so on.
    assert read_date("450101", dt.date(1995, 6, 1)).year == 2045
    assert read_date("460101", dt.date(1995, 6, 1)).year == 1946


# The demonstration GTIN of GS1's own guidelines (company prefix 952 is set aside for examples).
GTIN = "09521234543213"


@pytest.mark.parametrize(
    "text",
    [
        f"(01){GTIN}(17)250101(10)ABC123",
        f"01{GTIN}1725010110ABC123",
        f"]d201{GTIN}1725010110ABC123",  # GS1 DataMatrix, ISO/IEC 15424
        f"]C101{GTIN}1725010110ABC123",  # GS1-128
        f"]Q301{GTIN}10ABC123{GS}17250101",  # GS1 QR: FNC1 after the variable lot
        f"{GS}01{GTIN}10ABC123{GS}17250101",
        f"01{GTIN}10ABC123<GS>17250101",  # a wedge that spells the separator
    ],
)
def test_one_label_in_its_several_spellings(text):
    assert looks_like_gs1(text)
    read = parse(text)
    assert (read.gtin, read.lot) == (GTIN, "ABC123")
    assert read.date("17", TODAY) == dt.date(2025, 1, 1)


def test_all_five_identifiers_of_a_device_label():
    # AIs (01) (11) (17) (10) (21) as a UDI carrier has them.
    read = parse(f"]d201{GTIN}11240610172806101024-0711{GS}21S/N77")
    assert read.date("11", TODAY) == dt.date(2024, 6, 10)
    assert read.date("17", TODAY) == dt.date(2028, 6, 10)
    assert (read.lot, read.serial) == ("24-0711", "S/N77")


def test_predefined_lengths_need_no_separator_and_others_do():
    # Figure 7.8.5-2: 310n is predefined, 30 is not.
    read = parse(f"01{GTIN}3103000189303{GS}10A")
    assert read.pairs[1:] == (("3103", "000189"), ("30", "3"), ("10", "A"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (f"(01){GTIN[:-1]}4", "check digit"),
        (f"01{GTIN[:-4]}", "too short"),
        (f"(01){GTIN}(17)251301", "no month"),
        (f"(01){GTIN}(17)250230", "no day"),
        (f"(01){GTIN}(10)" + "A" * 21, "1 to 20"),
        (f"(01){GTIN}(10)A(10)B", "twice"),
        (f"(01){GTIN}(10)Ä", "character"),
        (f"01{GTIN}05ABC", "not an application identifier"),
        (f"01{GTIN}10{GS}17250101", "1 to 20"),
        ("]d2", "empty"),
    ],
)
def test_a_damaged_code_is_refused_with_the_place(text, words):
    with pytest.raises(Gs1Error, match=words):
        parse(text)


@pytest.mark.parametrize("text", ["K7M2Q9X", "L-12", "DO-FINISH", "M-PRINT", "012345"])
def test_other_codes_are_left_alone(text):
    assert not looks_like_gs1(text)


LOT = st.text("ABCXYZabc0123456789-/.", min_size=1, max_size=20)


@given(lot=LOT, serial=LOT, days=st.integers(-17000, 18000), lot_first=st.booleans())
def test_what_was_encoded_is_read_back(lot, serial, days, lot_first):
    date = TODAY + dt.timedelta(days=days)
    variable = f"10{lot}{GS}21{serial}" if lot_first else f"21{serial}{GS}10{lot}"
    read = parse(f"01{GTIN}17{date:%y%m%d}{variable}")
    assert (read.lot, read.serial, read.date("17", TODAY)) == (lot, serial, date)
