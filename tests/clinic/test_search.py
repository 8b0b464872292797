"""Patients are found by what people know of them."""

import datetime as dt

import pytest

from clinic.models import Patient
from clinic.search import find_patients, read_date

PEOPLE = [
    ("T-1001", "Ida", "Brandt", dt.date(2009, 4, 17)),
    ("T-1002", "Jonas", "Brandtner", dt.date(2011, 12, 3)),
    ("T-1010", "Amélie", "Kovács", dt.date(2008, 4, 17)),
    ("B-77", "Tom", "O’Shea", dt.date(2012, 1, 30)),
    ("B-78", "Zoë", "van der Meer", dt.date(2010, 2, 28)),
    ("B-79", "Brandon", "Lee", dt.date(2010, 3, 1)),
]


@pytest.fixture
def people(db):
    for chart, given, family, born in PEOPLE:
        Patient.objects.create(
            chart_number=chart, given_name=given, family_name=family, date_of_birth=born
        )


def names(query):
    return [p.given_name for p in find_patients(query)[0]]


@pytest.mark.parametrize(
    ("text", "date"),
    [
        ("2009-04-17", dt.date(2009, 4, 17)),
        ("20090417", dt.date(2009, 4, 17)),
        ("17/4/2009", dt.date(2009, 4, 17)),
        ("17.04.2009", dt.date(2009, 4, 17)),
        ("17 Apr 2009", dt.date(2009, 4, 17)),
        ("17 April 2009", dt.date(2009, 4, 17)),
        ("April 17, 2009", dt.date(2009, 4, 17)),
        ("4/17/2009", None),  # never month first in digits
        ("31/2/2009", None),
        ("17 Foo 2009", None),
        ("Brandt", None),
        ("", None),
    ],
)
def test_dates_as_people_type_them(text, date):
    assert read_date(text) == date


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("brandt", ["Ida", "Jonas"]),
        ("bra ida", ["Ida"]),
        ("Ida Brandt", ["Ida"]),
        ("kovacs", ["Amélie"]),
        ("amelie", ["Amélie"]),
        ("oshea", ["Tom"]),
        ("o'shea", ["Tom"]),
        ("meer", ["Zoë"]),
        ("T-1001", ["Ida"]),
        ("t-10", ["Ida", "Jonas", "Amélie"]),
        ("17 Apr 2009", ["Ida"]),
        ("nobody", []),
        ("???", []),
    ],
)
def test_search(people, query, found):
    assert names(query) == found


def test_a_surname_comes_before_a_given_name(people):
    assert names("brand") == ["Ida", "Jonas", "Brandon"]


def test_an_empty_search_lists_the_newest(people):
    found, count = find_patients("", limit=2)
    assert count == len(PEOPLE)
    assert [p.chart_number for p in found] == ["B-79", "B-78"]


def test_two_queries_however_many_patients(people, django_assert_max_num_queries):
    Patient.objects.bulk_create(
        Patient(
            chart_number=f"X-{i}",
            given_name=f"G{i}",
            family_name=f"Brandt{i}",
            date_of_birth=dt.date(2010, 1, 1),
        )
        for i in range(300)
    )
    with django_assert_max_num_queries(2):
        found, count = find_patients("brandt", limit=50)
    assert (len(found), count) == (50, 302)
