"""Where the values of lines stand between their delimiters, for all lines of a block at once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints, chain
from pipeline.frames.lines import LineForm
from pipeline.frames.quotes import within_quotes

Bools = npt.NDArray[np.bool_]

_LF, _CR = 0x0A, 0x0D
_LOOKED_AT = 256


@dataclass(frozen=True)
class Delimiters:
    """Every delimiter of a block in its order: where it begins, and how wide it is.

    ``wide`` holds the width of each where runs of blanks are delimiters, and is None elsewhere.
    """

    at: Ints
    width: int
    wide: Ints | None = None

    def end(self, which: Ints) -> Ints:
        """Where some of them end."""
        width = self.width if self.wide is None else self.wide[which]
        return np.asarray(self.at[which] + width)


def find_delimiters(block: Bytes, form: LineForm, starts: Ints, stops: Ints) -> Delimiters:
    """Find what parts the values of lines whose contents stand at [start, stop)."""
    found = _find(block, form)
    within = _within_quotes(block, form, (starts, stops), found)
    if not len(within):
        return found
    wide = None if found.wide is None else np.delete(found.wide, within)
    return Delimiters(np.delete(found.at, within), found.width, wide)


def _within_quotes(block: Bytes, form: LineForm, lines: tuple[Ints, Ints], found: Delimiters) -> Ints:
    """Which delimiters part nothing."""
    is_mark = block == ord(form.quote) if form.quote else block[:0].view(np.bool_)
    if not len(found.at) or not is_mark.any():
        return found.at[:0]
    marks = np.flatnonzero(is_mark)
    stops = found.at + (found.width if found.wide is None else found.wide)
    return within_quotes(block, lines, (found.at, stops), marks, form.blank)


def _find(block: Bytes, form: LineForm) -> Delimiters:
    if form.any_blanks:
        blank = ((block == 32) | (block == 9)).view(np.int8)
        edges = np.flatnonzero(np.diff(blank, prepend=np.int8(0), append=np.int8(0)))
        return Delimiters(edges[::2], 1, edges[1::2] - edges[::2])
    pattern = form.delimiter
    here = block == pattern[0]
    if len(pattern) == 1:
        return Delimiters(np.flatnonzero(here), 1)
    for i in range(1, len(pattern)):
        here[:-i] &= block[i:] == pattern[i]
        here[-i:] = False
    at = np.flatnonzero(here)
    return Delimiters(at[chain(at, at + len(pattern))], len(pattern))


@dataclass(frozen=True)
class Marks:
    """Line ends and delimiters of a block in one list, since one search for both is cheaper than two.

    ``ends`` says which of them are line ends: each ``step``-th, or others where that is 0; ``has_cr`` whether
    there is any CR in the block.
    """

    at: Ints
    ends: Ints
    has_cr: bool
    step: int = 0


def line_ends(block: Bytes, is_last: bool) -> tuple[Bools, bool]:
    """Whether each byte is the last one of LF, CR or CRLF; and whether there is any CR."""
    ends, is_cr = block == _LF, block == _CR
    if not is_cr.any():
        return ends, False
    is_cr[:-1] &= ~ends[1:]
    is_cr[-1] &= is_last
    ends |= is_cr
    return ends, True


def find_marks(block: Bytes, form: LineForm, is_last: bool) -> Marks | None:
    """Find line ends and delimiters; None where these are not single bytes."""
    if form.any_blanks or len(form.delimiter) > 1 or form.delimiter == b"\0":
        return None
    is_end, has_cr = line_ends(block, is_last)
    at = (is_end | (block == form.delimiter[0])).nonzero()[0]
    first = is_end.take(at[:_LOOKED_AT]).nonzero()[0]
    if len(first):
        # most lines have as many values as the first
        step = int(first[0]) + 1
        ends = np.arange(step - 1, len(at), step)
        if len(ends) == np.count_nonzero(is_end) and bool(is_end.take(at[step - 1 :: step]).all()):
            return Marks(at, ends, has_cr, step)
    return Marks(at, is_end.take(at).nonzero()[0], has_cr)


@dataclass(frozen=True)
class Parted:
    """Lines of a block and the delimiters in each; arrays of one entry for each line.

    ``before`` is the delimiter of the block that comes first in (or behind) the line, ``n_values`` one more
    than the delimiters in it, 0 where it is empty. With ``step`` each line has so many delimiters, the first
    line the first ones of the block; 0 where that is not so.
    """

    delimiters: Delimiters
    starts: Ints
    stops: Ints
    before: Ints
    n_values: Ints
    step: int = 0

    def first(self, rows: Ints, n_values: int) -> "Cells":
        """Where the first `n_values` values of some lines stand; a delimiter may stand behind the last."""
        columns, step = [self.starts, self.stops, self.before, self.n_values], self.step
        if len(rows) < len(self.starts):
            columns, step = [column.take(rows) for column in columns], 0
        starts, stops, before, n_own = columns
        spare = (n_own > n_values).nonzero()[0]
        if len(spare):
            stops = stops.copy()
            stops[spare] = self.delimiters.at[before[spare] + n_values - 1]
        return Cells(self.delimiters, starts, stops, before, n_values, step)

    def shaped(self, n_values: int) -> Bools:
        """Which lines have so many values, perhaps with a delimiter behind the last one."""
        shaped: Bools = self.n_values == n_values
        spare = (self.n_values == n_values + 1).nonzero()[0]
        if len(spare):
            last = self.before[spare] + n_values - 1
            shaped[spare] = self.delimiters.end(last) >= self.stops[spare]
        return shaped

    def value(self, rows: Ints, column: int) -> tuple[Ints, Ints]:
        """Where one value of some lines stands, which all have so many values and perhaps more."""
        before, starts, stops = self.before[rows], self.starts[rows], self.stops[rows]
        begin = self.delimiters.end(before + column - 1) if column else starts
        inner = np.flatnonzero(self.n_values[rows] > column + 1)
        stops[inner] = self.delimiters.at[before[inner] + column]
        return begin, stops


def part_lines(delimiters: Delimiters, starts: Ints, stops: Ints) -> Parted:
    """Find the delimiters of each line, whose contents stand at [start, stop) in their order."""
    n, at = len(starts), delimiters.at
    each = len(at) // max(n, 1)
    if n and each and len(at) == n * each:
        first, last = at[::each], at[each - 1 :: each]
        if bool((first >= starts).all() and (last < stops).all()):
            return Parted(delimiters, starts, stops, np.arange(n) * each, np.full(n, each + 1), each)
    behind = np.searchsorted(at, stops)
    before = np.concatenate((np.zeros(1, dtype=np.int64), behind))[:n]
    # some may stand in front of the first line, or in what was trimmed away between two
    early = np.flatnonzero(np.append(at, np.iinfo(np.int64).max)[before] < starts)
    before[early] = np.searchsorted(at, starts[early])
    return Parted(delimiters, starts, stops, before, np.where(stops > starts, behind - before + 1, 0))


def part_by_marks(
    block: Bytes, form: LineForm, marks: Marks, lines: tuple[Ints, Ints], n_ended: int
) -> Parted:
    """The same for lines that were cut at `marks`, of which the first `n_ended` are ended."""
    starts, stops = lines
    found, behind, step = Delimiters(marks.at, 1), marks.ends[:n_ended], marks.step
    within = _within_quotes(block, form, lines, found)
    if len(within):
        found, step = Delimiters(np.delete(marks.at, within), 1), 0
        behind = behind - np.searchsorted(within, behind)
    if n_ended < len(starts):
        step = 0
        behind = np.append(behind, np.searchsorted(found.at, stops[-1]))
    before = np.zeros(len(starts), dtype=np.int64)
    np.add(behind[:-1], 1, out=before[1:])
    return Parted(found, starts, stops, before, (behind - before + 1) * (stops > starts), step)


@dataclass
class Cells:
    """Where the values of lines of one kind stand, one entry for each line."""

    delimiters: Delimiters
    starts: Ints
    stops: Ints
    before: Ints
    n_values: int
    step: int

    def __post_init__(self) -> None:
        self._last: tuple[int, Ints] = (-1, self.starts)

    def span(self, column: int) -> tuple[Ints, Ints]:
        """Where the values of a column begin and end; from each column to the next is the cheapest order."""
        begin = self.starts
        if column:
            wide = self.delimiters.wide
            width = self.delimiters.width if wide is None else wide.take(self.before + (column - 1))
            begin = self._end(column - 1) + width
        return begin, self._end(column)

    def _end(self, column: int) -> Ints:
        if column == self.n_values - 1:
            return self.stops
        if self.step:
            return self.delimiters.at[column :: self.step][: len(self.starts)]
        if column != self._last[0]:
            self._last = column, self.delimiters.at.take(self.before + column)
        return self._last[1]
