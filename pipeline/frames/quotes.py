"""Values in quotation marks by RFC 4180: delimiters within them part nothing.

A line keeps to the RFC when each value of it either has no mark, or begins and ends with one and doubles
those within; blanks may stand around. Lines that do not are taken as if marks were characters like others: a
mark for inches in a note must not swallow the values behind it. A line end ends the line, within marks, too.
"""

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints
from pipeline.frames.trim import skip_around

Bools = npt.NDArray[np.bool_]


def within_quotes(
    block: Bytes,
    lines: tuple[Ints, Ints],
    delimiters: tuple[Ints, Ints],
    mark: int,
    blank: Bools,
) -> Bools:
    """Which delimiters stand within quotation marks.

    Parameters
    ----------
    block : uint8
        In which the lines stand.
    lines, delimiters : (starts, stops)
        In their order, none overlapping another.
    mark : int
        The quotation mark.
    blank : bool, shape (256,)
        Bytes that may stand around a value.
    """
    starts, stops = lines
    at = np.flatnonzero(block == mark)
    line = np.searchsorted(starts, at, side="right") - 1
    inside = (line >= 0) & (at < stops[np.maximum(line, 0)])
    at, line = at[inside], line[inside]
    n_marks = np.bincount(line, minlength=len(starts))
    first = np.cumsum(n_marks) - n_marks
    home = np.searchsorted(starts, delimiters[0], side="right") - 1
    before = np.searchsorted(at, delimiters[0]) - first[np.maximum(home, 0)]
    within = (home >= 0) & (before % 2 == 1) & (n_marks[np.maximum(home, 0)] % 2 == 0)
    opening = (np.arange(len(at)) - first[line]) % 2 == 0
    parting = delimiters[0][~within], delimiters[1][~within]
    wrong = np.where(opening, ~_begins(block, at, line, starts, parting[1], blank), False)
    wrong |= np.where(opening, False, ~_ends(block, at, line, stops, parting[0], blank))
    keeps = (n_marks % 2 == 0) & (np.bincount(line, weights=wrong, minlength=len(starts)) == 0)
    return np.asarray(within & keeps[np.maximum(home, 0)])


def _begins(block: Bytes, at: Ints, line: Ints, starts: Ints, parted: Ints, blank: Bools) -> Bools:
    """Whether a value begins with each mark, or it is the second of a doubled one."""
    place = np.searchsorted(parted, at, side="right")
    bounded = np.concatenate((np.zeros(1, dtype=np.int64), parted))
    begin = np.maximum(starts[line], bounded[place])
    begin, _ = skip_around(block, begin, at, blank)
    doubled = np.concatenate((np.zeros(1, dtype=bool), at[1:] == at[:-1] + 1))[: len(at)]
    return np.asarray((begin == at) | doubled)


def _ends(block: Bytes, at: Ints, line: Ints, stops: Ints, parts: Ints, blank: Bools) -> Bools:
    """Whether a value ends with each mark, or it is the first of a doubled one."""
    place = np.searchsorted(parts, at, side="right")
    bounded = np.append(parts, len(block))
    end = np.minimum(stops[line], bounded[place])
    begin, end = skip_around(block, at + 1, end, blank)
    doubled = np.append(at[1:] == at[:-1] + 1, False)[: len(at)]
    return np.asarray((begin >= end) | doubled)
