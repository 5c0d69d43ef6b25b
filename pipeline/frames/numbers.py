"""Numbers out of text by their whole grammar, a column of fields at a time; no bytes can make it fail."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints

Bools = npt.NDArray[np.bool_]

LONGEST_NUMBER = 32
"""Characters; a longer field is no number."""

_MOST_DIGITS = 18
"""Significant digits that a 64-bit integer always holds."""

_LARGEST_EXPONENT = 99
_PLUS, _MINUS, _SIGN_OF_DECIMALS, _EXPONENT, _OTHER = 10, 11, 12, 13, 14


@dataclass(frozen=True)
class Numbers:
    """Fields as numbers, arrays of one entry per field.

    ``value`` is the digits without their decimal sign, so that the number is
    ``value / 10**n_decimals``; an exponent makes ``n_decimals`` smaller or larger. ``is_number`` says whether
    the field is one; ``is_huge`` whether its digits outgrow 64 bits (``value`` then means nothing);
    ``has_exponent`` whether there is an exponent.
    """

    value: Ints
    n_decimals: Ints
    is_number: Bools
    is_huge: Bools
    has_exponent: Bools


def _classes(decimal: int) -> npt.NDArray[np.uint8]:
    table = np.full(256, _OTHER, dtype=np.uint8)
    table[48:58] = np.arange(10)
    table[ord("e")] = table[ord("E")] = _EXPONENT
    table[ord("+")], table[ord("-")], table[decimal] = _PLUS, _MINUS, _SIGN_OF_DECIMALS
    return table


def parse_numbers(block: Bytes, starts: Ints, stops: Ints, decimal: str) -> Numbers:
    """Read the fields [start, stop) of a block as ``[+-]digits[.digits][e[+-]digits]``.

    Parameters
    ----------
    block : uint8
        Not empty.
    starts, stops : int64, shape (n,)
        Fields without surrounding blanks; an empty one is no number.
    decimal : str
        The decimal sign, one character; a digit must stand before or behind it.
    """
    table, sizes = _classes(ord(decimal)), stops - starts
    n = len(starts)
    value, n_decimals = np.zeros(n, np.int64), np.zeros(n, np.int64)
    good = (sizes > 0) & (sizes <= LONGEST_NUMBER)
    negative, pointed = np.zeros(n, bool), np.zeros(n, bool)
    n_digits, significant = np.zeros(n, np.int64), np.zeros(n, np.int64)
    exponent_at = np.full(n, -1, dtype=np.int64)
    for j in range(int(sizes[good].max(initial=0))):
        which = np.flatnonzero(good & (sizes > j) & (exponent_at < 0))
        kind = table[block[starts[which] + j]]
        digit = kind <= 9
        value[which] = np.where(digit, value[which] * 10 + kind, value[which])
        n_digits[which] += digit
        n_decimals[which] += digit & pointed[which]
        # leading zeros are no digits of the value
        significant[which] += digit & (value[which] != 0)
        sign = (kind == _PLUS) | (kind == _MINUS)
        point = kind == _SIGN_OF_DECIMALS
        good[which] &= ~((kind == _OTHER) | (sign & (j > 0)) | (point & pointed[which]))
        pointed[which] |= point
        negative[which] |= kind == _MINUS
        exponent_at[which[kind == _EXPONENT]] = j
    good &= n_digits > 0
    which = np.flatnonzero(good & (exponent_at >= 0))
    if len(which):
        power, good[which] = _exponents(block, starts[which] + exponent_at[which] + 1, stops[which], table)
        n_decimals[which] -= power
    return Numbers(
        np.where(negative, -value, value), n_decimals, good, significant > _MOST_DIGITS, exponent_at >= 0
    )


def _exponents(block: Bytes, starts: Ints, stops: Ints, table: npt.NDArray[np.uint8]) -> tuple[Ints, Bools]:
    """Read ``[+-]digits`` of at most 99; return the numbers and whether there is one."""
    kind = table[block.take(starts, mode="clip")]
    signed = (starts < stops) & ((kind == _PLUS) | (kind == _MINUS))
    power, good = np.zeros(len(starts), dtype=np.int64), starts + signed < stops
    for j in range(int((stops - starts).max(initial=0))):
        which = np.flatnonzero(starts + signed + j < stops)
        digit = table[block[starts[which] + signed[which] + j]]
        good[which] &= digit <= 9
        power[which] = np.minimum(power[which] * 10 + digit, _LARGEST_EXPONENT + 1)
    good &= power <= _LARGEST_EXPONENT
    return np.where(signed & (kind == _MINUS), -power, power), good
