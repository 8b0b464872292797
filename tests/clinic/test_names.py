"""Names are compared the way people say them."""

import datetime as dt

import pytest

from clinic.models import Patient
from clinic.names import near_names, plain


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("Müller", "muller"),
        ("O’Shea", "oshea"),
        ("van der  Meer-Ruiz", "van der meer ruiz"),
        ("Łukasz", "lukasz"),
        ("Groß", "gross"),
    ],
)
def test_plain(written, said):
    assert plain(written) == said


def person(pk, family, born, given="A"):
    return Patient(pk=pk, family_name=family, given_name=given, date_of_birth=born)


DAY = dt.date(2010, 5, 1)


def test_same_surname_is_noticed_whatever_the_accents():
    near = near_names([person(1, "Kovács", DAY), person(2, "kovacs", dt.date(2011, 1, 1))])
    assert near == {1: "Same surname in this list", 2: "Same surname in this list"}


def test_same_birthday_is_noticed():
    near = near_names([person(1, "Brandt", DAY), person(2, "Menon", DAY)])
    assert set(near) == {1, 2}
    assert "date of birth" in near[1]


def test_twins_get_both():
    near = near_names([person(1, "Brandt", DAY, "Ida"), person(2, "Brandt", DAY, "Jonas")])
    assert near[1] == "Same surname and same date of birth in this list"


def test_one_person_twice_in_a_list_is_nobody_else():
    assert near_names([person(1, "Brandt", DAY), person(1, "Brandt", DAY)]) == {}
