"""Decimal numbers out of text, exactly as the language reads them.

A number of at most 2**53 and a power of ten up to 22 is exact in one float64
multiplication or division (Clinger, *How to read floating point numbers
accurately*, PLDI 1990); longer ones take one division in two float64; the few
others are left to ``float``.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

OK = 0
SLOW = 1
BAD = 2

_POWERS = np.array([10.0**k for k in range(23)])
_BIGGEST = np.uint64(1 << 53)
_NEARLY_FULL = np.uint64((1 << 64) // 10 - 1)


@njit(cache=True, nogil=True)
def is_space(byte):  # type: ignore[no-untyped-def]
    """Tell whether a byte separates tokens."""
    return byte == 32 or (9 <= byte <= 13)


@njit(cache=True, nogil=True)
def skip_spaces(data, at):  # type: ignore[no-untyped-def]
    """Return the first position from ``at`` that is not white space."""
    while at < data.size and is_space(data[at]):
        at += 1
    return at


@njit(cache=True, nogil=True)
def token_end(data, at):  # type: ignore[no-untyped-def]
    """Return the position after the token that starts at ``at``."""
    while at < data.size and not is_space(data[at]):
        at += 1
    return at


@njit(cache=True, nogil=True)
def line_end(data, at):  # type: ignore[no-untyped-def]
    """Return the position of the next line break or the end of the data."""
    while at < data.size and data[at] != 10 and data[at] != 13:
        at += 1
    return at


@njit(cache=True, nogil=True)
def _long_quotient(mantissa, divisor):  # type: ignore[no-untyped-def]
    """Divide an integer beyond 2**53 by an exact power of ten, rounded once.

    Quotient and remainder are carried in two float64 (Dekker's product); returns
    ``(value, sure)``, unsure when the quotient lies too near the middle of two
    float64 to tell on which side.
    """
    high = np.float64(mantissa)
    if high >= 18446744073709549568.0:
        return 0.0, False
    back = np.uint64(high)
    low = np.float64(mantissa - back) if mantissa >= back else -np.float64(back - mantissa)
    quotient = high / divisor
    split = 134217729.0
    a = split * quotient
    a_high = a - (a - quotient)
    a_low = quotient - a_high
    b = split * divisor
    b_high = b - (b - divisor)
    b_low = divisor - b_high
    product = quotient * divisor
    error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low
    rest = (((high - product) - error) + low) / divisor
    value = quotient + rest
    sure = quotient + rest * (1.0 + 1e-9) == value and quotient + rest * (1.0 - 1e-9) == value
    return value, sure


@njit(cache=True, nogil=True)
def read_number(data, at):  # type: ignore[no-untyped-def]
    """Read the number that starts at ``at``.

    Returns ``(status, value, after)``: ``OK`` with the exact value, ``SLOW`` for
    a token that only ``float`` can judge, ``BAD`` for an empty one.
    """
    stop = token_end(data, at)
    if stop == at:
        return BAD, 0.0, at
    i = at
    negative = data[i] == 45
    if negative or data[i] == 43:
        i += 1
    mantissa = np.uint64(0)
    power = 0
    digits = 0
    dot = False
    while i < stop:
        byte = data[i]
        if 48 <= byte <= 57:
            if mantissa > _NEARLY_FULL:
                return SLOW, 0.0, stop
            mantissa = mantissa * np.uint64(10) + np.uint64(byte - 48)
            digits += 1
            if dot:
                power -= 1
        elif byte == 46 and not dot:
            dot = True
        else:
            break
        i += 1
    if digits == 0:
        return SLOW, 0.0, stop
    if i < stop:
        if data[i] != 101 and data[i] != 69:
            return SLOW, 0.0, stop
        i += 1
        minus = i < stop and data[i] == 45
        if i < stop and (data[i] == 45 or data[i] == 43):
            i += 1
        if i == stop or stop - i > 4:
            return SLOW, 0.0, stop
        exponent = 0
        while i < stop:
            if data[i] < 48 or data[i] > 57:
                return SLOW, 0.0, stop
            exponent = exponent * 10 + (data[i] - 48)
            i += 1
        power += -exponent if minus else exponent
    if power > 22 or power < -22:
        if mantissa != np.uint64(0):
            return SLOW, 0.0, stop
        power = 0
    value = np.float64(mantissa)
    if mantissa > _BIGGEST:
        if power >= 0:
            return SLOW, 0.0, stop
        value, sure = _long_quotient(mantissa, _POWERS[-power])
        if not sure:
            return SLOW, 0.0, stop
    elif power < 0:
        value = value / _POWERS[-power]
    else:
        value = value * _POWERS[power]
    return OK, (-value if negative else value), stop


@njit(cache=True, nogil=True)
def read_numbers(data, at, values, slow):  # type: ignore[no-untyped-def]
    """Fill ``values`` with the numbers from ``at`` on.

    ``slow`` (one int64 a value) receives the start of each token left to
    ``float``, and -1 - index before it; see ``settle``. Returns
    ``(numbers read, slow tokens, position)``.
    """
    slow_count = 0
    for k in range(values.size):
        at = skip_spaces(data, at)
        if at >= data.size:
            return k, slow_count, at
        status, value, after = read_number(data, at)
        values[k] = value
        if status != OK:
            slow[slow_count, 0] = k
            slow[slow_count, 1] = at
            slow_count += 1
        at = after
    return values.size, slow_count, at


def settle(
    data: bytes, values: NDArray[np.float64], slow: NDArray[np.int64]
) -> tuple[int, int] | None:
    """Read the slow tokens with ``float`` into ``values``.

    Returns
    -------
    tuple of int, or None
        Index of the value and byte position of the first token that is no number.
    """
    for index, start in slow:
        stop = int(start)
        while stop < len(data) and stop - start < 64 and not data[stop : stop + 1].isspace():
            stop += 1
        try:
            token = data[int(start) : stop].decode("ascii")
            if "_" in token:
                raise ValueError
            values[index] = float(token)
        except ValueError:
            return int(index), int(start)
    return None
