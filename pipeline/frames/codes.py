"""Many fields of text as whole codes at once: eight digits to a 64-bit word, the rest one by one.

The digits of a field are put right-aligned into one or two words, with zeros in front, and three
multiplications turn each word into its number: pairs of digits, then fours, then eight. A field that is not
``[+-]digits`` with its decimal sign where the layout's decimals put it is tried again without blanks and
quotation marks around it and with fewer decimals, and what is left goes through
:func:`pipeline.frames.numbers.parse_numbers`, which knows the whole grammar.
"""

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints
from pipeline.frames.numbers import Bools, parse_numbers
from pipeline.frames.trim import made_of, skip_around

Words = npt.NDArray[np.uint64]

NO_NUMBER, TOO_FINE, TOO_LARGE = 1, 2, 3
"""Why a field is no code: it is no number, it is not whole with so many decimals, it outgrows 64 bits."""

_WORD = 8
_IN_ONE_LOAD = 5
_LONGEST = 2 * _WORD
_PLUS, _MINUS = np.uint8(ord("+")), np.uint8(ord("-"))
_BUT_MINUS = np.uint8(0xFF ^ (ord("-") - ord("+")))
_U = np.uint64
_ZEROS = _U(0x3030303030303030)
_HIGH_BITS, _OVER_NINE = _U(0x8080808080808080), _U(0x7676767676767676)
_PAIRS, _FOURS, _EIGHTS = _U(10 * 2**8 + 1), _U(100 * 2**16 + 1), _U(10_000 * 2**32 + 1)
_EVEN_BYTES, _EVEN_FOURS = _U(0x00FF00FF00FF00FF), _U(0x0000FFFF0000FFFF)
_POWERS = 10 ** np.arange(19, dtype=np.int64)
_MOST = np.iinfo(np.int64).max


class Text:
    """A block of text for reading numbers out of it.

    ``words`` holds the eight bytes from each fourth byte on, with the digits '0' to '9' as 0 to 9;
    ``numeric`` says which bytes may stand in a number.
    """

    def __init__(self, block: Bytes, decimal: str, blank: Bools, quote: str) -> None:
        self.block = block
        self.decimal = decimal
        self.blank = blank
        self.quote = ord(quote) if quote else -1
        self.numeric = np.zeros(256, dtype=bool)
        self.numeric[list(b"0123456789+-eE" + decimal.encode())] = True
        n_whole = max(len(block) // _WORD - 1, 0)
        self.words = np.empty(2 * n_whole + 8, dtype="<u8")
        self.words[0 : 2 * n_whole : 2] = block[: _WORD * n_whole].view("<u8")
        self.words[1 : 2 * n_whole : 2] = block[4 : 4 + _WORD * n_whole].view("<u8")
        rest = np.zeros(40, dtype=np.uint8)
        rest[: len(block) - _WORD * n_whole] = block[_WORD * n_whole :]
        self.words[2 * n_whole :: 2] = rest[:32].view("<u8")
        self.words[2 * n_whole + 1 :: 2] = rest[4:36].view("<u8")
        self.words ^= _ZEROS


def read_plain(text: Text, starts: Ints, stops: Ints, decimals: int, signs: bool = True) -> tuple[Ints, Ints]:
    """Codes of the fields that are ``[+-]digits`` with exactly so many decimals; which fields are not.

    The codes of the others mean nothing. Without `signs` those with a sign are among these.
    """
    has_signs = False
    if signs:
        first = text.block.take(starts, mode="clip")
        # the two signs differ in one bit
        signed = (first - _PLUS) & _BUT_MINUS == 0
        has_signs = bool(signed.any())
        starts = starts + signed if has_signs else starts
    size = stops - starts
    shortest, longest = int(size.min(initial=1)), int(size.max(initial=0))
    fit = size if shortest >= 0 and longest <= _LONGEST else np.clip(size, 0, _LONGEST)
    if longest <= _WORD and decimals < _WORD:
        tail, head = load_word(text.words, starts, fit, longest), None
    else:
        n_tail = np.minimum(fit, _WORD)
        tail = load_word(text.words, starts + (fit - n_tail), n_tail, _WORD)
        head = load_word(text.words, starts, fit - n_tail, _WORD)
    wrong = _without_point(tail, head, decimals, text.decimal) if decimals else None
    flaws = _not_digits(tail)
    if head is not None:
        flaws |= _not_digits(head)
    if wrong is not None:
        flaws |= wrong
    odd = _odd(flaws, size, shortest, longest)
    code = _number(tail)
    if head is not None:
        code += _number(head) * 10 ** (_WORD - (0 < decimals < _WORD))
    if has_signs:
        code *= 1 - 2 * (first == _MINUS).view(np.int8)
    return code, odd


def _odd(flaws: Words, size: Ints, shortest: int, longest: int) -> Ints:
    """Which fields have a flaw, or a size that does not fit."""
    if shortest > 0 and longest <= _LONGEST and not int(np.bitwise_or.reduce(flaws)) & int(_HIGH_BITS):
        return np.zeros(0, dtype=np.int64)
    flaws &= _HIGH_BITS
    return np.flatnonzero((flaws != 0) | (size < 1) | (size > _LONGEST))


def load_word(words: Words, at: Ints, size: Ints, longest: int) -> Words:
    """Up to eight characters from `at` on: the last in the most significant byte, zeros before the first."""
    word = at >> 2
    shift = (at & 3) << 3
    first = words.take(word)
    first >>= shift.view(np.uint64)
    if longest > _IN_ONE_LOAD:
        word += 1
        rest = words.take(word)
        np.subtract(32, shift, out=shift)
        rest <<= shift.view(np.uint64)
        first |= rest
    np.left_shift(size, 3, out=word)
    np.subtract(64, word, out=word)
    first <<= word.view(np.uint64)
    return first


def _not_digits(word: Words) -> Words:
    """Something whose bytes have their high bits set where (or above where) a byte is more than 9."""
    flaws = word + _OVER_NINE
    flaws |= word
    return flaws


def _without_point(tail: Words, head: Words | None, decimals: int, decimal: str) -> Words:
    """Take the decimal sign out of its place in the words; return a flaw where another byte stands there."""
    word, place = (tail, _WORD - 1 - decimals) if decimals < _WORD else (head, 2 * _WORD - 1 - decimals)
    if word is None:
        raise ValueError("so many decimals need two words")
    before = word & _U((1 << 8 * place) - 1)
    sign = word >> _U(8 * place)
    sign ^= _U(ord(decimal) ^ ord("0"))
    sign &= _U(0xFF)
    word &= _U((2**64 - 1) ^ ((1 << 8 * (place + 1)) - 1))
    before <<= _U(8)
    word |= before
    return np.asarray((sign != 0) * _HIGH_BITS)


def _number(word: Words) -> Ints:
    """The number that eight digits make; the word is used up."""
    word *= _PAIRS
    word >>= _U(8)
    word &= _EVEN_BYTES
    word *= _FOURS
    word >>= _U(16)
    word &= _EVEN_FOURS
    word *= _EIGHTS
    word >>= _U(32)
    return word.view(np.int64)


def settle(text: Text, starts: Ints, stops: Ints, decimals: Ints) -> tuple[Ints, npt.NDArray[np.uint8]]:
    """Read fields that are not plain.

    Parameters
    ----------
    text : Text
        The block in which they stand.
    starts, stops, decimals : int64, shape (n,)
        Of each field, which may be empty; decimals up to 9.

    Returns
    -------
    codes : int64, shape (n,)
        Numbers times 10^decimals, 0 for fields that are no codes.
    why : uint8, shape (n,)
        0, or what is wrong with the field.
    """
    trimmed = unquoted(text, *skip_around(text.block, starts, stops, text.blank))
    code, left = np.zeros(len(starts), dtype=np.int64), np.arange(len(starts))
    is_read = np.zeros(len(starts), dtype=bool)
    moved = bool((trimmed[0] != starts).any() or (trimmed[1] != stops).any())
    starts, stops = trimmed
    for places in range(int(decimals.max(initial=0)), -1, -1):
        if not moved and not np.any(decimals > places):
            continue  # that was tried
        mine = left[decimals[left] >= places]
        value, odd = read_plain(text, starts[mine], stops[mine], places)
        scale = _POWERS[decimals[mine] - places]
        fits = np.abs(value) <= _MOST // scale
        fits[odd] = False
        code[mine[fits]] = (value * np.where(fits, scale, 0))[fits]
        is_read[mine[fits]] = True
        left = left[~is_read[left]]
    why = np.zeros(len(starts), dtype=np.uint8)
    why[left] = NO_NUMBER
    left = left[starts[left] < stops[left]]
    left = left[made_of(text.block, starts[left], stops[left], text.numeric)]
    if len(left):
        code[left], why[left] = _by_grammar(text, starts[left], stops[left], decimals[left])
    return code, why


def unquoted(text: Text, starts: Ints, stops: Ints) -> tuple[Ints, Ints]:
    """Fields, trimmed already, without quotation marks around them and without blanks within these."""
    if text.quote < 0:
        return starts, stops
    first, last = text.block.take(starts, mode="clip"), text.block.take(stops - 1, mode="clip")
    quoted = (first == text.quote) & (last == text.quote) & (stops - starts > 1)
    if not quoted.any():
        return starts, stops
    return skip_around(text.block, starts + quoted, stops - quoted, text.blank)


def _by_grammar(text: Text, starts: Ints, stops: Ints, decimals: Ints) -> tuple[Ints, npt.NDArray[np.uint8]]:
    read = parse_numbers(text.block, starts, stops, text.decimal)
    is_number = read.is_number & ~(read.has_exponent & (decimals == 0))
    missing = decimals - read.n_decimals
    # with an exponent, digits that are too many may be zeros
    spare = _POWERS[np.clip(-missing, 0, len(_POWERS) - 1)]
    whole = (read.value % spare == 0) & ((-missing < len(_POWERS)) | (read.value == 0)) & ~read.is_huge
    scale = _POWERS[np.clip(missing, 0, len(_POWERS) - 1)]
    beyond = (np.abs(read.value) > _MOST // scale) | ((missing >= len(_POWERS)) & (read.value != 0))
    why = np.zeros(len(starts), dtype=np.uint8)
    why[read.is_huge | beyond] = TOO_LARGE
    why[(missing < 0) & ~(whole & read.has_exponent)] = TOO_FINE
    why[~is_number] = NO_NUMBER
    good = why == 0
    return np.where(good, read.value // spare * np.where(good, scale, 0), 0), why
