"""The fold by its written rules, and codes that catch slips."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from production.bench.codes import (
    ALPHABET,
    APPLIANCE_LENGTH,
    check_character,
    checks,
    clean,
    is_appliance_code,
    new_code,
    new_load_code,
)
from production.bench.fold import Event, FoldError, fold

T0 = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def events(*moves: tuple) -> list[Event]:
    """(action, stage, to_stage[, undoes]) in order, a minute apart."""
    return [
        Event(
            n,
            m[0],
            T0 + dt.timedelta(minutes=n),
            m[1] if len(m) > 1 else None,
            m[2] if len(m) > 2 else None,
            m[3] if len(m) > 3 else None,
        )
        for n, m in enumerate(moves, start=1)
    ]


OPEN = ("open", None, "trim")


def at(seq: int) -> dt.datetime:
    return T0 + dt.timedelta(minutes=seq)


def test_an_undo_makes_two_events_as_if_they_had_not_been():
    moves = (OPEN, ("start", "trim"), ("finish", "trim", "finish"))
    plain = fold(events(*moves))
    undone = fold(events(*moves, ("hold", "finish"), ("undo", "finish", None, 4)))
    assert (undone.stage, undone.status, undone.since) == (plain.stage, plain.status, plain.since)
    assert (undone.seq, undone.last) == (5, 3)


def test_undo_twice_takes_back_two_moves_last_first():
    position = fold(
        events(
            OPEN,
            ("start", "trim"),
            ("finish", "trim", "finish"),
            ("undo", "finish", None, 3),
            ("undo", "trim", None, 2),
        )
    )
    assert (position.stage, position.status, position.last) == ("trim", "waiting", 1)


def test_waiting_at_the_handover_is_ready_and_a_failure_makes_it_not_ready():
    made = (OPEN, ("finish", "trim", "delivery"))
    assert fold(events(*made)).status == "ready"
    assert fold(events(*made)).ready_at == at(2)
    failed = fold(events(*made, ("fail", "delivery", "trim")))
    assert (failed.status, failed.ready_at, failed.failures) == ("waiting", None, 1)


def test_release_returns_to_what_was_held():
    running = (OPEN, ("start", "trim"), ("hold", "trim"), ("release", "trim"))
    assert fold(events(*running)).status == "running"


def test_a_failure_back_to_the_scan_asks_for_a_newer_scan():
    position = fold(
        events(("open", None, "scan"), ("finish", "scan", "prepare"), ("fail", "prepare", "scan"))
    )
    assert position.scan_after == at(3)
    assert position.scanned_at is None


def test_trouble_after_the_handover_moves_nothing():
    moves = (OPEN, ("finish", "trim", "delivery"), ("deliver", "delivery"))
    with_trouble = fold(events(*moves, ("trouble", "delivery")))
    assert with_trouble.status == "delivered"
    assert with_trouble.delivered_at == at(3)


@pytest.mark.parametrize(
    "moves",
    [
        (("start", "trim"),),  # not opened
        (OPEN, OPEN),  # opened twice
        (OPEN, ("start", "form")),  # at another stage
        (OPEN, ("start", "trim"), ("start", "trim")),  # running already
        (OPEN, ("finish", "trim")),  # leads nowhere
        (OPEN, ("deliver", "trim")),  # not ready
        (OPEN, ("undo", "trim", None, 1)),  # the opening stays
        (OPEN, ("start", "trim"), ("hold", "trim"), ("undo", "trim", None, 2)),  # not the last
        (OPEN, ("cancel", "trim"), ("start", "trim")),
    ],
)
def test_impossible_orders_are_refused(moves):
    with pytest.raises(FoldError):
        fold(events(*moves))


def test_a_gap_in_the_numbers_is_refused():
    first, second, third = events(OPEN, ("start", "trim"), ("hold", "trim"))
    with pytest.raises(FoldError, match="where 2 was due"):
        fold([first, third])
    assert fold([first, second, third]).seq == 3


# Codes. The property claimed is proved for every place, not sampled: one wrong character or
# two exchanged ones never pass (Reed and Solomon 1960, one check symbol over GF(32)).

BODY = st.text(ALPHABET, min_size=APPLIANCE_LENGTH - 1, max_size=APPLIANCE_LENGTH - 1)


@given(body=BODY, place=st.integers(0, APPLIANCE_LENGTH - 1))
def test_every_single_wrong_character_is_caught(body, place):
    code = body + check_character(body)
    assert checks(code)
    for other in ALPHABET:
        if other != code[place]:
            assert not checks(code[:place] + other + code[place + 1 :])


@given(body=BODY)
def test_every_exchange_of_two_characters_is_caught(body):
    code = body + check_character(body)
    for i in range(len(code)):
        for j in range(i):
            if code[i] != code[j]:
                swapped = list(code)
                swapped[i], swapped[j] = swapped[j], swapped[i]
                assert not checks("".join(swapped))


def test_codes_are_read_as_people_type_them():
    code = "H0" + "1XQ2"
    code += check_character(code)
    typed = code.replace("0", "o").replace("1", "l").lower()
    assert clean(f" {typed[:3]}-{typed[3:]} ") == code
    assert is_appliance_code(typed)


def test_new_codes_differ_and_start_with_a_letter():
    made = {new_code() for _ in range(300)}
    assert len(made) == 300
    assert all(checks(c) and c[0].isalpha() and len(c) == APPLIANCE_LENGTH for c in made)
    assert checks(new_load_code().removeprefix("B-"))
