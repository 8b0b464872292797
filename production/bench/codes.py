"""Short codes that survive a smudged label and a tired reader.

The alphabet is Crockford's base 32: digits and capital letters without I, L, O and
U, so that nothing on a bag can be read two ways; what people type instead of a
left-out letter is understood (I and L as 1, O as 0).

The last character is a check over GF(2^5): every character is multiplied by a power
of the field's generator, each place by another power, and all products add to zero.
One wrong character, or any two characters that changed places, never gives zero,
because the weights are distinct and not zero (the argument of Reed and Solomon,
*J. Soc. Indust. Appl. Math.* 8 (1960) 300–304, for one check symbol).

Kinds of code, told apart by how they start:

========== ================================== =======================
``K7M2Q9X`` appliance                          on model, traveler, bag
``B-…``     load: plate, basket, tray          on its card
``M-…``     machine (an office may set its own) on the machine
``L-12``    lot, by the office's own label      on bottle or box
``DO-…``    command                            on the bench sheet
``WHY-…``   cause of a failure                 on the bench sheet
========== ================================== =======================
"""

from __future__ import annotations

import secrets

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
LETTERS = ALPHABET[10:]
_VALUE = {c: i for i, c in enumerate(ALPHABET)}
_UNDERSTOOD = str.maketrans({"I": "1", "L": "1", "O": "0", " ": None, "-": None})
APPLIANCE_LENGTH = 7
LOAD_PREFIX = "B-"
MACHINE_PREFIX = "M-"
_POLYNOMIAL = 0b100101  # x^5 + x^2 + 1, primitive over GF(2)


def _times(a: int, b: int) -> int:
    """Multiply in GF(2^5)."""
    product = 0
    while b:
        if b & 1:
            product ^= a
        a <<= 1
        if a & 0b100000:
            a ^= _POLYNOMIAL
        b >>= 1
    return product


def _powers(count: int) -> list[int]:
    powers, value = [], 1
    for _ in range(count):
        powers.append(value)
        value = _times(value, 2)
    return powers


_WEIGHTS = _powers(31)


def check_character(body: str) -> str:
    """Return the character that completes ``body`` (characters of ``ALPHABET``, at most 30)."""
    total = 0
    for weight, character in zip(_WEIGHTS[1:], reversed(body), strict=False):
        total ^= _times(_VALUE[character], weight)
    return ALPHABET[total]  # the check's own weight is 1


def checks(code: str) -> bool:
    """Whether ``code`` (clean, check character last) is free of a single slip."""
    return (
        1 < len(code) <= 31
        and all(c in _VALUE for c in code)
        and check_character(code[:-1]) == code[-1]
    )


def _fresh(length: int) -> str:
    # A letter in front: no spreadsheet takes the code for a number.
    body = secrets.choice(LETTERS) + "".join(secrets.choice(ALPHABET) for _ in range(length - 2))
    return body + check_character(body)


def new_code() -> str:
    """Return a random appliance code; the caller makes sure that it is not in use."""
    return _fresh(APPLIANCE_LENGTH)


def new_load_code() -> str:
    """Return a random load code, ``B-`` in front."""
    return LOAD_PREFIX + _fresh(6)


def new_machine_code() -> str:
    """Return a random machine code, ``M-`` in front."""
    return MACHINE_PREFIX + _fresh(5)


def clean(text: str) -> str:
    """Return an appliance code as it is stored: capitals, look-alikes understood, no gaps."""
    return text.strip().upper().translate(_UNDERSTOOD)


def is_appliance_code(text: str) -> bool:
    """Whether ``text`` is a well-formed appliance code after ``clean``."""
    code = clean(text)
    return len(code) == APPLIANCE_LENGTH and checks(code)
