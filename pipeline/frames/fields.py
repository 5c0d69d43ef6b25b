"""A block of text cut into lines, and lines into fields; all lines of the block at once."""

from dataclasses import dataclass, replace
from dataclasses import fields as fields_of

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import PADDING_RUN, Ints, chain
from pipeline.frames.lines import LineForm
from pipeline.frames.numbers import parse_numbers

Bools = npt.NDArray[np.bool_]

LONGEST_TRAILING_FILL = 4096
"""Fill bytes before a line end up to this many belong to the line; more part it from the line end."""

_FILL = np.zeros(256, dtype=bool)
_FILL[[0x00, 0xFF]] = True
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Lines:
    """Lines [start, stop) of a block with their line ends, one entry for each.

    The content lies within [content_start, content_stop). ``is_ended`` says whether there is a line end,
    ``is_fresh`` whether nothing is known to end where it begins. ``n_fill`` counts fill bytes at the ends,
    ``n_fill_before`` those in front. ``fresh_after`` is ``is_fresh`` for the line behind the last.
    """

    starts: Ints
    stops: Ints
    content_starts: Ints
    content_stops: Ints
    is_ended: Bools
    is_fresh: Bools
    n_fill: Ints
    n_fill_before: Ints
    fresh_after: bool

    def first(self, n: int) -> "Lines":
        """The first n lines."""
        cut = {f.name: getattr(self, f.name)[:n] for f in fields_of(self) if f.name != "fresh_after"}
        return Lines(**cut, fresh_after=bool(self.is_fresh[n]))


def cut_lines(block: Bytes, is_last: bool, is_fresh: bool) -> tuple[Lines, int]:
    """Cut a block at its line ends and long runs of fill bytes.

    Returns
    -------
    lines : Lines
        Not yet trimmed.
    limit : int
        Bytes that these lines take; the rest is an unfinished line.
    """
    size = len(block)
    is_cr = block == 13
    ends = block == 10
    if np.any(is_cr):
        ends[:-1] |= is_cr[:-1] & (block[1:] != 10)
        ends[-1] |= is_cr[-1] and is_last
    ends_at = np.flatnonzero(ends) + 1
    parts_from, parts_to, open_from = _parting_runs(block, is_last)
    ends_at = ends_at[ends_at <= open_from]
    stops = np.concatenate((ends_at, parts_to))
    order = np.argsort(stops, kind="stable") if len(parts_to) else slice(None)
    content = np.concatenate((ends_at - 1, parts_from))[order]
    ended = np.concatenate((np.ones(len(ends_at), bool), np.zeros(len(parts_to), bool)))[order]
    stops = stops[order]
    if is_last and (not len(stops) or stops[-1] < size):
        stops, content = np.append(stops, size), np.append(content, size)
        ended = np.append(ended, False)
    starts = np.concatenate((np.zeros(1, dtype=np.int64), stops[:-1])) if len(stops) else stops
    two = ended & (content > starts) & (block[np.maximum(content - 1, 0)] == 13)
    two &= block[np.minimum(content, size - 1)] == 10
    fresh = np.concatenate((np.array([is_fresh]), ~ended))
    zero = np.zeros(len(stops), dtype=np.int64)
    # an empty line in front of a parting run leaves what was known of the line's beginning
    n_fill = np.where(ended | (content == size), 0, stops - content)
    lines = Lines(
        starts,
        stops,
        starts,
        content - two,
        ended,
        fresh[:-1],
        n_fill,
        zero,
        bool(fresh[-1]) if len(stops) else is_fresh,
    )
    return lines, int(stops[-1]) if len(stops) else 0


def _parting_runs(block: Bytes, is_last: bool) -> tuple[Ints, Ints, int]:
    """Runs of fill bytes that part lines, and where a run begins of which that is not known yet."""
    none = np.zeros(0, dtype=np.int64)
    fill = _FILL[block]
    if not np.any(fill):
        return none, none, len(block)
    edges = np.flatnonzero(np.diff(fill.astype(np.int8), prepend=0, append=0))
    begins, stops = edges[::2], edges[1::2]
    long = stops - begins >= PADDING_RUN
    follower = block[np.minimum(stops, len(block) - 1)]
    closed = (stops < len(block)) & ((follower == 10) | (follower == 13))
    parting = long & (~closed | (stops - begins > LONGEST_TRAILING_FILL))
    open_from = len(block)
    if not is_last and stops[-1] == len(block) and stops[-1] - begins[-1] <= LONGEST_TRAILING_FILL:
        open_from, parting[-1] = int(begins[-1]), False
    return begins[parting], stops[parting], open_from


def trim_lines(block: Bytes, lines: Lines, blank: Bools, at_file_start: bool) -> Lines:
    """Move the ends of each line's content past fill bytes, blanks and the byte order mark."""
    starts, stops = lines.content_starts.copy(), lines.content_stops.copy()
    if at_file_start and len(starts) and block[:3].tobytes() == _BOM:
        starts[0] = min(3, int(stops[0]))
    skip = blank | _FILL
    n_before, n_after = np.zeros(len(starts), dtype=np.int64), np.zeros(len(starts), dtype=np.int64)
    which = np.flatnonzero(starts < stops)
    while len(which := which[skip[block[starts[which]]]]):
        n_before[which] += _FILL[block[starts[which]]]
        starts[which] += 1
        which = which[starts[which] < stops[which]]
    which = np.flatnonzero(starts < stops)
    while len(which := which[skip[block[stops[which] - 1]]]):
        n_after[which] += _FILL[block[stops[which] - 1]]
        stops[which] -= 1
        which = which[starts[which] < stops[which]]
    n_fill = lines.n_fill + n_before + n_after
    return replace(lines, content_starts=starts, content_stops=stops, n_fill=n_fill, n_fill_before=n_before)


@dataclass(frozen=True)
class Fields:
    """What the lines of a block hold, one entry for each line.

    ``counts`` has shape (lines, values) and means something only where ``good``. ``out_of_range`` is the
    number of the first value outside its end codes, -1 where there is none. ``recognised`` says that a
    line is one of values, though perhaps not a good one.
    """

    good: Bools
    recognised: Bools
    is_comment: Bools
    is_header: Bools
    counts: Ints
    sequence: Ints
    ticks: Ints
    n_values: Ints
    out_of_range: Ints
    too_many_decimals: Bools
    names: tuple[str, ...]

    def first(self, n: int) -> "Fields":
        """The first n lines."""
        cut = {f.name: getattr(self, f.name)[:n] for f in fields_of(self) if f.name != "names"}
        return Fields(**cut, names=self.names)


def read_fields(block: Bytes, lines: Lines, form: LineForm) -> Fields:
    """Read the values of each line.

    Parameters
    ----------
    block : uint8
        Not empty.
    lines : Lines
        Trimmed.
    form : LineForm
        Columns and signs.
    """
    n, starts, stops = len(lines.starts), lines.content_starts, lines.content_stops
    delimiters = _find_delimiters(block, form)
    before = np.searchsorted(delimiters, starts)
    behind = np.searchsorted(delimiters, stops)
    n_values = np.where(stops > starts, behind - before + 1, 0)
    last = delimiters[np.maximum(behind - 1, 0)] if len(delimiters) else np.zeros(n, dtype=np.int64)
    spare = (behind > before) & (last + len(form.delimiter) == stops) & (n_values == form.n_columns + 1)
    n_values, behind = n_values - spare, behind - spare
    stops = np.where(spare, last, stops)
    shaped = np.flatnonzero(n_values == form.n_columns)
    fields = _blank_fields(n, n_values, form)
    n_numbers = np.zeros(n, dtype=np.int64)
    if len(shaped):
        n_numbers[shaped] = _read_shaped(
            block, starts[shaped], stops[shaped], before[shaped], delimiters, form, fields, shaped
        )
    n_needed = len(form.values) + (form.sequence >= 0) + (form.ticks >= 0)
    if np.any(_FILL[block]):
        at = np.flatnonzero(_FILL[block])
        fields.good[np.searchsorted(at, stops) > np.searchsorted(at, starts)] = False
    _mark(block, starts, lines.content_stops, form.comment, False, fields.is_comment)
    if form.header:
        _mark(block, starts, lines.content_stops, form.header, True, fields.is_header)
    fields.good[fields.is_comment] = False
    fields.recognised[:] = (n_values == form.n_columns) & (form.n_columns > 1) & (2 * n_numbers >= n_needed)
    unsure = np.flatnonzero(~fields.good & ~fields.recognised & (stops > starts))
    fields.recognised[unsure] = _only_numbers(block, starts[unsure], stops[unsure], form)
    fields.recognised[fields.is_comment] = False
    return fields


def _blank_fields(n: int, n_values: Ints, form: LineForm) -> Fields:
    no = np.zeros(n, dtype=bool)
    return Fields(
        good=no.copy(),
        recognised=no.copy(),
        is_comment=no.copy(),
        is_header=no.copy(),
        counts=np.zeros((n, len(form.values)), dtype=np.int64),
        sequence=np.full(n, -1, dtype=np.int64),
        ticks=np.full(n, -1, dtype=np.int64),
        n_values=n_values,
        out_of_range=np.full(n, -1, dtype=np.int64),
        too_many_decimals=no.copy(),
        names=form.names,
    )


def _find_delimiters(block: Bytes, form: LineForm) -> Ints:
    """Where each delimiter begins; of a run of blanks, where the run begins."""
    if form.any_blanks:
        blank = (block == 32) | (block == 9)
        blank[1:] &= ~blank[:-1]
        return np.flatnonzero(blank)
    pattern = form.delimiter
    here = block == pattern[0]
    if len(pattern) == 1:
        return np.flatnonzero(here)
    for i in range(1, len(pattern)):
        here[:-i] &= block[i:] == pattern[i]
        here[-i:] = False
    at = np.flatnonzero(here)
    return at[chain(at, at + len(pattern))]


def _read_shaped(
    block: Bytes,
    starts: Ints,
    stops: Ints,
    before: Ints,
    delimiters: Ints,
    form: LineForm,
    fields: Fields,
    at: Ints,
) -> Ints:
    """Read lines with the right number of values into the rows `at` of `fields`; return numbers per line."""
    good, n_numbers = np.ones(len(at), dtype=bool), np.zeros(len(at), dtype=np.int64)
    has_blanks = bool(np.any(form.blank[block]))

    def column(number: int) -> tuple[Ints, Ints]:
        begin = starts if number == 0 else delimiters[before + number - 1] + len(form.delimiter)
        end = stops if number == form.n_columns - 1 else delimiters[before + number]
        return _trim_fields(block, begin, end, form.blank) if has_blanks else (begin, end)

    for number, into, bits in (
        (form.sequence, fields.sequence, form.sequence_bits),
        (form.ticks, fields.ticks, form.ticks_bits),
    ):
        if number >= 0:
            read = parse_numbers(block, *column(number), form.decimal)
            fits = read.is_number & ~read.is_huge & (read.n_decimals == 0) & (read.value >= 0)
            if 0 < bits < 63:
                fits &= read.value < (1 << bits)
            into[at] = np.where(fits, read.value, -1)
            good &= fits
            n_numbers += read.is_number
    for i, number in enumerate(form.values):
        read = parse_numbers(block, *column(number), form.decimal)
        missing = form.decimals - read.n_decimals
        coarse = missing < 0
        scale = 10 ** np.clip(missing, 0, 9)
        huge = read.is_huge | (np.abs(read.value) > np.iinfo(np.int64).max // scale)
        value = np.where(huge, 0, read.value * np.where(huge, 1, scale))
        outside = read.is_number & ~coarse & (huge | (value < form.low[i]) | (value > form.high[i]))
        first = outside & (fields.out_of_range[at] < 0)
        fields.out_of_range[at[first]] = i
        fields.too_many_decimals[at] |= read.is_number & coarse
        fields.counts[at, i] = value
        good &= read.is_number & ~coarse & ~outside
        n_numbers += read.is_number
    fields.good[at] = good
    return n_numbers


def _trim_fields(block: Bytes, starts: Ints, stops: Ints, blank: Bools) -> tuple[Ints, Ints]:
    starts, stops = starts.copy(), stops.copy()
    which = np.flatnonzero(starts < stops)
    while len(which := which[blank[block[starts[which]]]]):
        starts[which] += 1
        which = which[starts[which] < stops[which]]
    which = np.flatnonzero(starts < stops)
    while len(which := which[blank[block[stops[which] - 1]]]):
        stops[which] -= 1
        which = which[starts[which] < stops[which]]
    return starts, stops


def _mark(block: Bytes, starts: Ints, stops: Ints, words: bytes, whole: bool, marked: Bools) -> None:
    """Mark the lines that begin with (or wholly are) certain bytes."""
    sizes = stops - starts
    which = np.flatnonzero(sizes == len(words) if whole else sizes >= len(words)) if words else starts[:0]
    for i, byte in enumerate(words):
        if not len(which):
            return
        which = which[block[starts[which] + i] == byte]
    marked[which] = True


def _only_numbers(block: Bytes, starts: Ints, stops: Ints, form: LineForm) -> Bools:
    """Whether lines hold nothing but numbers and delimiters (and fill bytes), and at least one digit."""
    if not len(starts):
        return np.zeros(0, dtype=bool)
    other = np.flatnonzero(~(form.numeric | _FILL)[block])
    clean: Bools = np.searchsorted(other, stops) == np.searchsorted(other, starts)
    if not np.any(clean):
        return clean
    digits = np.flatnonzero((block >= 48) & (block <= 57))
    clean &= np.searchsorted(digits, stops) > np.searchsorted(digits, starts)
    return clean
