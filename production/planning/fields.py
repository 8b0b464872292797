"""Reading one field of a JSON object, with an error that names the place and the remedy."""

from __future__ import annotations

import math
import re
import reprlib
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from production.planning.entities import Label, Windows
from production.planning.errors import ProblemError

__all__ = [
    "a_list",
    "an_object",
    "flag",
    "joined",
    "label",
    "labels",
    "no_slips",
    "number",
    "optional_number",
    "shown",
    "windows",
]

LARGEST = 1e9
LONGEST_NAME = 200
LARGEST_NUMBER = 10**18  # of a name
LONG_WORD = 6  # side is not a slip of size
_short = reprlib.Repr()
_short.maxstring = _short.maxother = 60


def shown(value: Any) -> str:
    """Return a value as it is named in an error: cut short when it is long."""
    return _short.repr(value)


def an_object(value: Any, place: str) -> Mapping[str, Any]:
    """Return the value as a JSON object."""
    if not isinstance(value, Mapping):
        raise ProblemError(f"{place}: expected a JSON object, got {type(value).__name__}")
    return value


def no_slips(item: Mapping[str, Any], known: Collection[str], place: str) -> None:
    """Refuse a key that is all but a known one (``relaese``, ``due_at``) which is not there.

    Left out in silence, it would keep a release or a promise out of the plan. Other keys may
    say what they like.
    """
    for key in item:
        if key in known:
            continue
        word = str(key).strip().lower()
        first = re.split(r"[^a-z]", word)[0]
        for meant in known:
            if meant not in item and (first == meant or _hardly_differ(word, meant)):
                raise ProblemError(f"{place}: {shown(key)} is not known; write {meant!r}")


def _hardly_differ(word: str, key: str) -> bool:
    """Whether a letter is left out, too many or (of a long word) wrong, or two are swapped."""
    short, long = sorted((word.replace("-", "_"), key), key=len)
    if len(short) < len(long):
        return any(long[:i] + long[i + 1 :] == short for i in range(len(long)))
    wrong = [i for i in range(len(key)) if short[i] != long[i]]
    if len(wrong) < 2:
        return not wrong or len(key) >= LONG_WORD
    first, last = wrong[0], wrong[-1]
    return last == first + 1 and short[first] == long[last] and short[last] == long[first]


def a_list(item: Mapping[str, Any], key: str, place: str) -> Sequence[Any]:
    """Return a required list."""
    value = item.get(key)
    if not isinstance(value, list | tuple):
        raise ProblemError(f"{place}: {key} is missing or not a list; give a list")
    return value


def label(item: Mapping[str, Any], key: str, place: str) -> Label:
    """Return a required name: a short text or a whole number."""
    value = item.get(key)
    if isinstance(value, bool) or not isinstance(value, str | int) or value == "":
        raise ProblemError(f"{place}: {key} is missing or not a name; give a short text")
    if isinstance(value, int):
        if abs(value) > LARGEST_NUMBER:
            raise ProblemError(f"{place}: {key} is a number of too many digits; give a short text")
    elif len(value) > LONGEST_NAME:
        raise ProblemError(
            f"{place}: {key} has {len(value)} characters; give at most {LONGEST_NAME}"
        )
    return value


def labels(item: Mapping[str, Any], key: str, place: str) -> tuple[str, ...]:
    """Return a list of kinds; empty when the key is absent."""
    value = item.get(key)
    if value is None:
        return ()
    if not isinstance(value, list | tuple) or not all(isinstance(v, str) and v for v in value):
        raise ProblemError(f'{place}: {key} must be a list of kinds, such as ["technician"]')
    return tuple(value)


def flag(item: Mapping[str, Any], key: str, place: str, default: bool) -> bool:
    """Return true or false; null is as good as absent."""
    value = item.get(key)
    if value is None:
        return default
    if not isinstance(value, bool):
        raise ProblemError(f"{place}: {key} is {shown(value)}; give true or false")
    return value


def optional_number(item: Mapping[str, Any], key: str, place: str) -> float | None:
    """Return a finite number, or None when absent or null."""
    return None if item.get(key) is None else number(item, key, place, 0.0)


def number(
    item: Mapping[str, Any],
    key: str,
    place: str,
    default: float | None,
    *,
    low: float = -math.inf,
    high: float = math.inf,
) -> float:
    """Return a finite number within bounds; null is as good as absent.

    ``default`` None means it is required.
    """
    value = default if item.get(key) is None else item[key]
    if value is None:
        raise ProblemError(f"{place}: {key} is missing; give a number")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ProblemError(f"{place}: {key} is {shown(value)}; give a number")
    if not abs(value) <= LARGEST:
        raise ProblemError(f"{place}: {key} is {str(value)[:20]}; give a finite number below 1e9")
    if not low <= value <= high:
        bounds = f"at least {low:g}" if high == math.inf else f"from {low:g} to {high:g}"
        raise ProblemError(f"{place}: {key} is {value:g}; give a number {bounds}")
    return float(value)


def windows(item: Mapping[str, Any], key: str, place: str) -> Windows | None:
    """Return a list of [from, to] pairs, sorted; None when the key is absent."""
    value = item.get(key)
    if value is None:
        return None
    if not isinstance(value, list | tuple):
        raise ProblemError(f"{place}: {key} must be a list of [from, to] pairs in minutes")
    found = []
    for position, pair in enumerate(value):
        where = f"{place}: {key}[{position}]"
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise ProblemError(f"{where}: expected [from, to] in minutes")
        start, stop = (number({key: v}, key, where, None) for v in pair)
        if stop < start:
            raise ProblemError(
                f"{where}: ends at {stop:g} before it begins at {start:g}; swap them"
            )
        found.append((start, stop))
    return tuple(sorted(found))


def joined(pairs: Windows) -> Windows:
    """Return sorted windows with overlapping and touching ones made one."""
    found: list[tuple[float, float]] = []
    for start, stop in pairs:
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(stop, found[-1][1]))
        else:
            found.append((start, stop))
    return tuple(found)
