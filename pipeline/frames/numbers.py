"""Whole and decimal numbers out of text, a column of fields at a time; no bytes can make it fail."""

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

_PLUS, _MINUS, _SIGN_OF_DECIMALS, _OTHER = 10, 11, 12, 13


@dataclass(frozen=True)
class Numbers:
    """Fields as numbers, arrays of one entry per field.

    ``value`` is the digits without their decimal sign, so that the number is
    ``value / 10**n_decimals``. ``is_number`` says whether the field is one; ``is_huge`` whether its digits
    outgrow 64 bits (``value`` then means nothing).
    """

    value: Ints
    n_decimals: Ints
    is_number: Bools
    is_huge: Bools


def _classes(decimal: int) -> npt.NDArray[np.uint8]:
    table = np.full(256, _OTHER, dtype=np.uint8)
    table[48:58] = np.arange(10)
    table[ord("+")], table[ord("-")], table[decimal] = _PLUS, _MINUS, _SIGN_OF_DECIMALS
    return table


def parse_numbers(block: Bytes, starts: Ints, stops: Ints, decimal: str) -> Numbers:
    """Read the fields [start, stop) of a block as ``[+-]digits[.digits]``.

    Parameters
    ----------
    block : uint8
        Not empty.
    starts, stops : int64, shape (n,)
        Fields without surrounding blanks; an empty one is no number.
    decimal : str
        The decimal sign, one character.
    """
    table, sizes = _classes(ord(decimal)), stops - starts
    n = len(starts)
    value, n_decimals = np.zeros(n, np.int64), np.zeros(n, np.int64)
    good = (sizes > 0) & (sizes <= LONGEST_NUMBER)
    negative, pointed = np.zeros(n, bool), np.zeros(n, bool)
    n_digits, significant = np.zeros(n, np.int64), np.zeros(n, np.int64)
    widest = int(sizes[good].max(initial=0))
    narrowest = int(sizes.min(initial=0))
    for j in range(widest):
        which = slice(None) if j < narrowest else np.flatnonzero(good & (sizes > j))
        kind = table[block.take(starts[which] + j, mode="clip")]
        if not np.any(kind > 9):
            value[which] = value[which] * 10 + kind
            n_digits[which] += 1
            if np.any(pointed):
                n_decimals[which] += pointed[which]
        else:
            digit = kind <= 9
            value[which] = np.where(digit, value[which] * 10 + kind, value[which])
            n_digits[which] += digit
            n_decimals[which] += digit & pointed[which]
            sign = (kind == _PLUS) | (kind == _MINUS)
            point = kind == _SIGN_OF_DECIMALS
            good[which] &= ~((kind == _OTHER) | (sign & (j > 0)) | (point & pointed[which]))
            pointed[which] |= point
            negative[which] |= kind == _MINUS
        if widest > _MOST_DIGITS:
            # leading zeros are no digits of the value
            significant[which] += (kind <= 9) & (value[which] != 0)
    huge = significant > _MOST_DIGITS
    return Numbers(np.where(negative, -value, value), n_decimals, good & (n_digits > 0), huge)
