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
    block: Bytes, lines: tuple[Ints, Ints], delimiters: tuple[Ints, Ints], marks: Ints, blank: Bools
) -> Ints:
    """Which delimiters stand within quotation marks.

    Parameters
    ----------
    block : uint8
        In which the lines stand.
    lines, delimiters : (starts, stops)
        In their order, none overlapping another; line ends may be among the delimiters.
    marks : int64
        Where quotation marks stand.
    blank : bool, shape (256,)
        Bytes that may stand around a value.
    """
    starts, stops = lines
    line = np.searchsorted(starts, marks, side="right") - 1
    line[marks >= stops[np.maximum(line, 0)]] = -1
    n_marks = np.bincount(line + 1, minlength=len(starts) + 1)[1:]
    rows = np.flatnonzero((n_marks > 0) & (n_marks % 2 == 0))
    if not len(rows):
        return rows
    # from here on lines with an even number of marks alone
    marks = marks[np.isin(line, rows)]
    starts, stops, n_marks = starts[rows], stops[rows], n_marks[rows]
    home = np.repeat(np.arange(len(rows)), n_marks)
    first = np.cumsum(n_marks) - n_marks
    which, row = _inside(delimiters[0], starts, stops)
    at, end = delimiters[0][which], delimiters[1][which]
    within = (np.searchsorted(marks, at) - first[row]) % 2 == 1
    opening = (np.arange(len(marks)) - first[home]) % 2 == 0
    right = np.where(
        opening,
        _begins(block, marks, starts[home], end[~within], blank),
        _ends(block, marks, stops[home], at[~within], blank),
    )
    keeps = np.bincount(home[~right], minlength=len(rows)) == 0
    return np.asarray(which[within & keeps[row]])


def _inside(at: Ints, starts: Ints, stops: Ints) -> tuple[Ints, Ints]:
    """Which of the places `at` lie within pieces, and within which of them."""
    begin = np.searchsorted(at, starts)
    sizes = np.searchsorted(at, stops) - begin
    row = np.repeat(np.arange(len(starts)), sizes)
    return np.arange(int(sizes.sum())) + np.repeat(begin - (np.cumsum(sizes) - sizes), sizes), row


def _begins(block: Bytes, marks: Ints, starts: Ints, parted: Ints, blank: Bools) -> Bools:
    """Whether a value begins with each mark, or it is the second of a doubled one."""
    place = np.searchsorted(parted, marks, side="right")
    bounded = np.concatenate((np.zeros(1, dtype=np.int64), parted))
    begin, _ = skip_around(block, np.maximum(starts, bounded[place]), marks, blank)
    doubled = np.concatenate((np.zeros(1, dtype=bool), np.diff(marks) == 1))
    return np.asarray((begin == marks) | doubled)


def _ends(block: Bytes, marks: Ints, stops: Ints, parts: Ints, blank: Bools) -> Bools:
    """Whether a value ends with each mark, or it is the first of a doubled one."""
    place = np.searchsorted(parts, marks, side="right")
    bounded = np.append(parts, len(block))
    begin, end = skip_around(block, marks + 1, np.minimum(stops, bounded[place]), blank)
    doubled = np.append(np.diff(marks) == 1, False)
    return np.asarray((begin >= end) | doubled)
