"""Lines of text out of their numbers, many at once, in the spelling that a dump has.

How a dump writes its numbers (blanks before them, leading zeros, signs, digits behind the decimal sign, line
ends) is learnt from some of its lines, in `learning.py`. A line that this does not give back is kept.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from pipeline.recording.account import Bytes, Ints

_POWERS = 10 ** np.arange(19, dtype=np.uint64)


@dataclass(frozen=True)
class Field:
    """How one column is written.

    Attributes
    ----------
    role : str
        'sequence', 'ticks', 'received', 'value', 'fixed' (the same in every line) or 'other' (what no part
        of the layout gives a meaning to).
    at : int
        Which of the values, or of the others, it is.
    before, after : str
        What stands around it in every line; of a 'fixed' one ``before`` is everything.
    width, zeros : int
        Least characters, filled up in front by blanks, or by zeros.
    digits : int
        Least digits before the decimal sign.
    decimals : int
        Digits behind it; of an instant, of its seconds.
    dropped : int
        Digits of the count beyond these, all zeros.
    plus : bool
        Whether a sign stands before numbers of at least 0.
    instant : str
        Between day and time of RFC 3339; empty for a number.
    zone : str
        Offset of instants as it is written.
    """

    role: str
    at: int = 0
    before: str = ""
    after: str = ""
    width: int = 0
    zeros: int = 0
    digits: int = 1
    decimals: int = 0
    dropped: int = 0
    plus: bool = False
    instant: str = ""
    zone: str = "Z"


@dataclass(frozen=True)
class Spelling:
    """How the lines of one kind are written."""

    fields: tuple[Field, ...]
    delimiter: str
    decimal: str
    end: str = "\n"

    def facts(self) -> dict[str, Any]:
        """As JSON holds it; keys at their defaults are left out."""
        plain = asdict(Field(""))
        fields = [{k: v for k, v in asdict(f).items() if v != plain[k]} for f in self.fields]
        return {"fields": fields, "delimiter": self.delimiter, "decimal": self.decimal, "end": self.end}

    @classmethod
    def of(cls, facts: Mapping[str, Any]) -> "Spelling":
        """From what :meth:`facts` gave."""
        fields = tuple(Field(**entry) for entry in facts["fields"])
        return cls(fields, facts["delimiter"], facts["decimal"], facts["end"])


@dataclass(frozen=True)
class Written:
    """Lines end to end, and where each begins and ends."""

    flat: Bytes
    starts: Ints
    stops: Ints


@dataclass
class Words:
    """What goes into the lines: a number for each line and role, and the words of other columns.

    ``values`` has shape (lines, values).
    """

    counters: Mapping[str, Ints]
    values: Ints
    others: list[list[bytes]] = field(default_factory=list)


def write_lines(spelling: Spelling, words: Words) -> Written:
    """The lines as the spelling has them."""
    n = len(words.values)
    columns = [_sized(f, words, spelling.decimal) for f in spelling.fields]
    delimiter, end = spelling.delimiter.encode(), spelling.end.encode()
    sizes = sum((size for size, _ in columns), np.zeros(n, dtype=np.int64))
    sizes += len(delimiter) * (len(columns) - 1) + len(end)
    stops = np.cumsum(sizes)
    flat = np.full(int(stops[-1]) if n else 0, 32, dtype=np.uint8)
    at = stops - sizes
    starts = at.copy()
    for i, (size, write) in enumerate(columns):
        write(flat, at, at + size)
        at = at + size
        for byte in end if i == len(columns) - 1 else delimiter:
            flat[at] = byte
            at = at + 1
    return Written(flat, starts, stops)


def _sized(how: Field, words: Words, decimal: str) -> tuple[Ints, Any]:
    """The size of a column in each line, and what writes it between given places."""
    n = len(words.values)
    before, after = how.before.encode(), how.after.encode()
    if how.role == "fixed":
        return np.full(n, len(before)), lambda flat, at, stop: _literal(flat, at, before)
    if how.role == "other":
        return _sized_words(words.others[how.at])
    values = words.values[:, how.at] if how.role == "value" else words.counters[how.role]
    inner, write = _sized_instant(how, values) if how.instant else _sized_number(how, values, decimal)

    def write_all(flat: Bytes, at: Ints, stop: Ints) -> None:
        _literal(flat, at, before)
        write(flat, at + len(before), stop - len(after))
        _literal(flat, stop - len(after), after)

    return inner + (len(before) + len(after)), write_all


def _literal(flat: Bytes, at: Ints, text: bytes) -> None:
    for i, byte in enumerate(text):
        flat[at + i] = byte


def _sized_words(words: Sequence[bytes]) -> tuple[Ints, Any]:
    sizes = np.array([len(word) for word in words], dtype=np.int64)

    def write(flat: Bytes, at: Ints, stop: Ints) -> None:
        before = np.cumsum(sizes) - sizes
        index = np.arange(int(sizes.sum())) + np.repeat(at - before, sizes)
        flat[index] = np.frombuffer(b"".join(words), dtype=np.uint8)

    return sizes, write


def _sized_number(how: Field, values: Ints, decimal: str) -> tuple[Ints, Any]:
    if how.dropped:
        values = values // 10**how.dropped
    size = np.abs(values).astype(np.uint64)
    has_sign = (values < 0) | how.plus
    n_digits = np.maximum(np.searchsorted(_POWERS, size, side="right"), how.decimals + how.digits)
    around = has_sign.astype(np.int64) + (how.decimals > 0)
    n_digits = np.maximum(n_digits, how.zeros - around)
    length = n_digits + around

    def write(flat: Bytes, at: Ints, stop: Ints) -> None:
        left = size.copy()
        for j in range(int(n_digits.max(initial=0))):
            which = slice(None) if bool(np.all(n_digits > j)) else np.flatnonzero(n_digits > j)
            quotient = left // np.uint64(10)
            digit = (left - quotient * np.uint64(10)).astype(np.uint8) + 48
            place = stop - 1 - j - (how.decimals > 0 and j >= how.decimals)
            flat[place[which]] = digit[which]
            left = quotient
        if how.decimals:
            flat[stop - 1 - how.decimals] = ord(decimal)
        flat[(stop - length)[has_sign]] = np.where(values[has_sign] < 0, ord("-"), ord("+"))

    return np.maximum(length, how.width), write


def _sized_instant(how: Field, values: Ints) -> tuple[Ints, Any]:
    sign = 0 if how.zone in ("Z", "z") else -1 if how.zone[0] == "-" else 1
    minutes = sign * (int(how.zone[1:3]) * 60 + int(how.zone[4:6])) if sign else 0
    local = (values + minutes * 60_000_000).astype("datetime64[us]")
    rows = np.datetime_as_string(local, unit="us").astype("S26")
    wide = np.ascontiguousarray(rows).view(np.uint8).reshape(len(values), -1)[:, :26].copy()
    wide[:, 10] = ord(how.instant)
    kept = 19 + (how.decimals > 0) + min(how.decimals, 6)
    tail = "0" * max(how.decimals - 6, 0) + how.zone

    def write(flat: Bytes, at: Ints, stop: Ints) -> None:
        for j in range(kept):
            flat[at + j] = wide[:, j]
        _literal(flat, at + kept, tail.encode())

    return np.full(len(values), kept + len(tail)), write
