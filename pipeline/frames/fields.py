"""A block of text cut into lines, and lines into values; all lines of the block at once."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.codes import Text, unquoted
from pipeline.frames.columns import KindLines, read_kind
from pipeline.frames.delimiters import Marks, Parted, find_delimiters, line_ends, part_by_marks, part_lines
from pipeline.frames.leftover import PADDING_RUN, Ints
from pipeline.frames.lines import LineForm
from pipeline.frames.trim import holds, made_of, skip_around

Bools = npt.NDArray[np.bool_]

LONGEST_TRAILING_FILL = 4096
"""Fill bytes before a line end up to this many belong to the line; more part it from the line end."""

_FILL = np.zeros(256, dtype=bool)
_FILL[[0x00, 0xFF]] = True
_DIGITS = np.zeros(256, dtype=bool)
_DIGITS[48:58] = True
_BOM = b"\xef\xbb\xbf"
_LF, _CR, _PRINTABLE = 0x0A, 0x0D, 0x21


@dataclass(frozen=True)
class Lines:
    """Lines [start, stop) of a block with their line ends, one entry for each.

    The content lies within [content_start, content_stop). ``is_ended`` says whether there is a line end,
    ``is_fresh`` whether nothing is known to end where it begins. ``n_fill`` counts fill bytes at the ends,
    ``n_fill_before`` those in front; ``fills`` is where those of the whole block stand. ``fresh_after`` is
    ``is_fresh`` for the line behind the last.
    """

    starts: Ints
    stops: Ints
    content_starts: Ints
    content_stops: Ints
    is_ended: Bools
    is_fresh: Bools
    n_fill: Ints
    n_fill_before: Ints
    fills: Ints
    fresh_after: bool


def cut_lines(block: Bytes, is_last: bool, is_fresh: bool, marks: Marks | None = None) -> tuple[Lines, int]:
    """Cut a block at its line ends (which `marks` may hold) and long runs of fill bytes.

    Returns
    -------
    lines : Lines
        Not yet trimmed.
    limit : int
        Bytes that these lines take; the rest is an unfinished line.
    """
    size = len(block)
    if marks is None:
        is_end, has_cr = line_ends(block, is_last)
        ends_at = is_end.nonzero()[0] + 1
    else:
        ends_at, has_cr = marks.at.take(marks.ends) + 1, marks.has_cr
    fills = _fill_bytes(block)
    parts_from, parts_to, open_from = _parting_runs(block, fills, is_last)
    if open_from < size:
        ends_at = ends_at[ends_at <= open_from]
    stops, content, ended = ends_at, ends_at - 1, np.ones(len(ends_at), dtype=bool)
    if len(parts_to):
        order = np.argsort(np.concatenate((ends_at, parts_to)), kind="stable")
        stops = np.concatenate((ends_at, parts_to))[order]
        content = np.concatenate((content, parts_from))[order]
        ended = np.concatenate((ended, np.zeros(len(parts_to), bool)))[order]
    if is_last and (not len(stops) or stops[-1] < size):
        stops, content, ended = np.append(stops, size), np.append(content, size), np.append(ended, False)
    zero, starts, fresh = (np.zeros(len(stops), dtype=dtype) for dtype in (np.int64, np.int64, bool))
    starts[1:] = stops[:-1]
    np.logical_not(ended[:-1], out=fresh[1:])
    fresh[:1] = is_fresh
    # an empty line in front of a parting run leaves what was known of the line's beginning
    n_fill = np.where(ended | (content == size), 0, stops - content) if len(parts_to) else zero
    if has_cr:
        two = ended & (content > starts) & (block[np.maximum(content - 1, 0)] == _CR)
        two &= block[np.minimum(content, size - 1)] == _LF
        content = content - two
    fresh_after = not ended[-1] if len(stops) else is_fresh
    lines = Lines(starts, stops, starts, content, ended, fresh, n_fill, zero, fills, fresh_after)
    return lines, int(stops[-1]) if len(stops) else 0


def _fill_bytes(block: Bytes) -> Ints:
    """Where fill bytes stand."""
    if not len(block) or (int(block.min()) > 0x00 and int(block.max()) < 0xFF):
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero((block == 0x00) | (block == 0xFF))


def _parting_runs(block: Bytes, fills: Ints, is_last: bool) -> tuple[Ints, Ints, int]:
    """Runs of fill bytes that part lines, and where a run begins of which that is not known yet."""
    if not len(fills):
        return fills, fills, len(block)
    parts = np.diff(fills) > 1
    begins, stops = fills[np.append(True, parts)], fills[np.append(parts, True)] + 1
    long = stops - begins >= PADDING_RUN
    follower = block[np.minimum(stops, len(block) - 1)]
    closed = (stops < len(block)) & ((follower == _LF) | (follower == _CR))
    parting = long & (~closed | (stops - begins > LONGEST_TRAILING_FILL))
    open_from = len(block)
    if not is_last and stops[-1] == len(block) and stops[-1] - begins[-1] <= LONGEST_TRAILING_FILL:
        open_from, parting[-1] = int(begins[-1]), False
    return begins[parting], stops[parting], open_from


def trim_lines(block: Bytes, lines: Lines, blank: Bools, at_file_start: bool) -> Lines:
    """Move the ends of each line's content past fill bytes, blanks and the byte order mark."""
    starts, stops = lines.content_starts, lines.content_stops
    if not len(starts):
        return lines
    if at_file_start and block[:3].tobytes() == _BOM:
        starts = starts.copy()
        starts[0] = min(3, int(stops[0]))
    first, last = block.take(starts, mode="clip"), block.take(stops - 1, mode="clip")
    # blanks and 0x00 lie below the printable bytes, 0xFF wraps to 0
    unsure = (first + np.uint8(1) <= _PRINTABLE) | (last + np.uint8(1) <= _PRINTABLE)
    which = np.flatnonzero(unsure & (starts < stops)) if unsure.any() else starts[:0]
    if not len(which):
        return replace(lines, content_starts=starts)
    begin, end = skip_around(block, starts[which], stops[which], blank | _FILL)

    def n_fills(start: Ints, stop: Ints) -> Ints:
        return np.searchsorted(lines.fills, stop) - np.searchsorted(lines.fills, start)

    before, behind = np.zeros(len(starts), dtype=np.int64), np.zeros(len(starts), dtype=np.int64)
    before[which], behind[which] = n_fills(starts[which], begin), n_fills(end, stops[which])
    starts, stops = starts.copy(), stops.copy()
    starts[which], stops[which] = begin, end
    return replace(
        lines,
        content_starts=starts,
        content_stops=stops,
        n_fill=lines.n_fill + before + behind,
        n_fill_before=before,
    )


@dataclass(frozen=True)
class Fields:
    """What the lines of a block are, one entry for each, and what those with the right shape hold.

    ``recognised`` says that a line is one of values, though perhaps not a good one. ``kinds`` has an entry
    for each kind of line, in the form's order.
    """

    good: Bools
    recognised: Bools
    is_comment: Bools
    is_header: Bools
    n_values: Ints
    kinds: tuple[KindLines, ...]


def read_fields(block: Bytes, lines: Lines, form: LineForm, marks: Marks | None = None) -> Fields:
    """Read the values of each line.

    Parameters
    ----------
    block : uint8
        Not empty.
    lines : Lines
        Trimmed.
    form : LineForm
        With its kinds known.
    marks : Marks or None
        Those by which the lines were cut.
    """
    starts, stops = lines.content_starts, lines.content_stops
    if marks is not None and bool(lines.is_ended[:-1].all()):
        n_ended = int(np.count_nonzero(lines.is_ended))
        parted = part_by_marks(block, form, marks, (starts, stops), n_ended)
    else:
        parted = part_lines(find_delimiters(block, form, starts, stops), starts, stops)
    text = Text(block, form.decimal, form.blank, form.quote)
    of_kind = _kinds_of_lines(text, parted, form) if form.has_words else None
    good, recognised = np.zeros(len(starts), dtype=bool), np.zeros(len(starts), dtype=bool)
    n_values, kinds = parted.n_values, list[KindLines]()
    for number, kind in enumerate(form.kinds if form.has_words else form.kinds[:1]):
        shaped = parted.shaped(kind.n_columns)
        rows = (shaped if of_kind is None else shaped & (of_kind == number)).nonzero()[0]
        read = read_kind(text, parted.first(rows, kind.n_columns), kind, rows)
        good[rows] = recognised[rows] = read.good
        if not read.good.all():
            bad = np.flatnonzero(~read.good)
            recognised[rows[bad]] = (kind.n_columns > 1) & (2 * read.n_numbers[bad] >= kind.n_needed)
        kinds.append(read)
    if len(lines.fills):
        # fill bytes that stand behind the lines are in none of them
        line = np.maximum(np.searchsorted(starts, lines.fills, side="right") - 1, 0)
        good[line[(lines.fills >= starts[line]) & (lines.fills < stops[line])]] = False
    is_comment = _marked(block, starts, stops, form.comment, whole=False)
    is_header = _marked(block, starts, stops, form.header, whole=True)
    good[is_comment] = False
    if of_kind is not None:
        recognised = of_kind >= 0
    elif not recognised.all():
        unsure = np.flatnonzero(~recognised & (stops > starts))
        recognised[unsure] = _only_numbers(block, starts[unsure], stops[unsure], form)
    recognised[is_comment] = False
    return Fields(good, recognised, is_comment, is_header, n_values, tuple(kinds))


def _kinds_of_lines(text: Text, parted: Parted, form: LineForm) -> npt.NDArray[np.int64]:
    """Number of the kind whose word stands in each line, -1 where there is none."""
    found = np.full(len(parted.starts), -1, dtype=np.int64)
    for number, kind in enumerate(form.kinds):
        rows = np.flatnonzero((found < 0) & (parted.n_values > kind.word_at))
        begin, end = skip_around(text.block, *parted.value(rows, kind.word_at), text.blank)
        begin, end = unquoted(text, begin, end)
        found[rows[_marked(text.block, begin, end, kind.word, whole=True)]] = number
    return found


def _marked(block: Bytes, starts: Ints, stops: Ints, words: bytes, whole: bool) -> Bools:
    """Which pieces begin with (or wholly are) certain bytes; none where there are no such bytes."""
    if not words:
        return np.zeros(len(starts), dtype=bool)
    sizes = stops - starts
    marked: Bools = sizes == len(words) if whole else sizes >= len(words)
    marked &= block.take(starts, mode="clip") == words[0]
    which = np.flatnonzero(marked) if len(words) > 1 and marked.any() else starts[:0]
    for i, byte in enumerate(words[1:], start=1):
        marked[which] = block[starts[which] + i] == byte
        which = which[marked[which]]
    return marked


def _only_numbers(block: Bytes, starts: Ints, stops: Ints, form: LineForm) -> Bools:
    """Whether pieces, none of them empty, hold nothing but numbers, delimiters and fill, and a digit."""
    only = made_of(block, starts, stops, form.numeric | _FILL)
    which = np.flatnonzero(only)
    only[which] = holds(block, starts[which], stops[which], _DIGITS)
    return only
