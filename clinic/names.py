"""Names compared and searched the way people say them: without case, accents or punctuation."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable

from clinic.models import Patient

__all__ = ["near_names", "plain"]

_PUNCTUATION = re.compile(r"[^\w\s]")
_LETTERS = str.maketrans({"ø": "o", "đ": "d", "ł": "l", "ß": "ss", "æ": "ae", "œ": "oe", "þ": "th"})


def plain(text: str) -> str:
    """Return ``text`` casefolded, without accents and punctuation, single-spaced.

    Examples
    --------
    >>> plain("O’Shea-Müller")
    'oshea muller'
    """
    folded = text.casefold()
    if not folded.isascii():
        apart = unicodedata.normalize("NFKD", folded.translate(_LETTERS))
        folded = "".join(c for c in apart if not unicodedata.combining(c))
    if not folded.isalnum():
        folded = " ".join(_PUNCTUATION.sub("", folded.replace("-", " ")).split())
    return folded


def near_names(patients: Iterable[Patient]) -> dict[int, str]:
    """Return, by patient id, a warning for each patient that another of the list can be taken for.

    Two people with the same surname, or born on the same day, within one list are
    how the wrong patient's appliance gets handed over.

    Parameters
    ----------
    patients
        The people of one list, such as a day's visits; repeats are one person.

    Returns
    -------
    dict
        Patient primary key → words for the screen. Patients without a near one are absent.
    """
    people = {p.pk: p for p in patients}
    by_surname: dict[str, list[Patient]] = defaultdict(list)
    by_birthday: dict[object, list[Patient]] = defaultdict(list)
    for person in people.values():
        by_surname[plain(person.family_name)].append(person)
        by_birthday[person.date_of_birth].append(person)
    words: dict[int, str] = {}
    for person in people.values():
        surname = len(by_surname[plain(person.family_name)]) > 1
        birthday = len(by_birthday[person.date_of_birth]) > 1
        if surname and birthday:
            words[person.pk] = "Same surname and same date of birth in this list"
        elif surname:
            words[person.pk] = "Same surname in this list"
        elif birthday:
            words[person.pk] = "Same date of birth in this list"
    return words
