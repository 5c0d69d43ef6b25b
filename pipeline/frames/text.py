"""Delimited text from a serial terminal: a line is a frame.

Rules, in this order:

- A line ends with LF, CR or CRLF, mixed as they come. Fill bytes (0x00, 0xFF) at a line's ends are padding
  and the line stays good; within a line of numbers they damage it. A run of 16 or more that no line end
  follows parts what stands before it (whose end is missing) from what stands after it (whose beginning may be
  missing).
- Blank lines and comments are padding. The header is decoded, and so is each repetition of it. A later line
  that names all columns of the layout in other places (another firmware went on with the log) is a header,
  too, up to a thousand times: the lines behind it have its columns.
- Values in quotation marks follow RFC 4180, but for a line end, which ends the line there, too: in a log a
  mark that is lost must not swallow the lines behind it. Where a line does not keep to the RFC its marks are
  characters like others.
- A line with the right number of values, each a number that times 10^decimals is a whole code within adc_min
  and adc_max, is decoded with its line end. Blanks around values and one delimiter after the last are
  allowed. A number is ``[+-]digits[.digits][e[+-]digits]`` in at most 32 characters; a value that is empty is
  none, but columns that no part names may be. Counters are whole and not negative, and fit their bits.
- Where lines are of several kinds the word in one column says of which. Each kind has its own columns; with
  a header, all kinds have those that it names. A line whose word is of no kind is unrecognised, and one of a
  known kind that is not good is damaged.
- The last line without a line end is damaged when it is recognised: its end may be missing.
- The first line of a file (or after a long run of fill bytes) is damaged when its sequence or ticks do not
  lead on to the next good line within the eight that follow (and before any that is too long): its beginning
  is missing. Ten lines lost are allowed for. The next line is one of the same kind, or of another with the
  same sequence or with ticks.
- Damaged is also every other line that is recognised: only numbers and delimiters, or the right number of
  values with at least half of those that must be numbers being numbers.
- Everything else (chatter of the device's log) is unrecognised, and so is a line longer than 64 KiB.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.frames.blocks import BlockReader
from pipeline.frames.checksum import Bytes
from pipeline.frames.columns import KindLines
from pipeline.frames.delimiters import Marks, find_marks
from pipeline.frames.fields import Fields, Lines, cut_lines, read_fields, trim_lines
from pipeline.frames.follow import contradicted
from pipeline.frames.leftover import Tally
from pipeline.frames.lines import LineForm, renamed, wanted_columns
from pipeline.frames.sinks import FrameSink

LONGEST_LINE = 1 << 16
_LARGEST_BLOCK, _EVERYTHING = 1 << 20, 1 << 40
_MOST_TURNS, _FIRST_PIECE = 1000, 1 << 12
"""Later headers that are believed, and the bytes behind one that are read at once: they may be read again."""

_KEPT_BYTES = 8 << 20

Bools = npt.NDArray[np.bool_]


@dataclass
class SeenLines:
    """What was seen of one dump: for its ledger and for messages.

    ``n_of_kind`` counts the good lines of each kind; ``form`` is that of the last lines.
    """

    form: LineForm

    tally: Tally = field(default_factory=Tally)
    n_bytes: int = 0
    sha256: str = ""
    n_lines: int = 0
    n_frames: int = 0
    n_numeric: int = 0
    n_out_of_range: int = 0
    n_decimals: int = 0
    n_unstamped: int = 0
    first_out_of_range: tuple[int, str] = (0, "")
    first_numeric: tuple[int, int] = (0, 0)
    n_of_kind: list[int] = field(default_factory=list)


@dataclass
class _State:
    """What one block tells the next, and where frames go."""

    dump: int
    sinks: Sequence[FrameSink]
    seen: SeenLines
    base: int = 0
    is_fresh: bool = True
    in_long_line: bool = False
    n_turns: int = 0
    is_turning: bool = False
    reach: int = _EVERYTHING


def read_text(
    source: BinaryIO, form: LineForm, dump: int, sinks: Sequence[FrameSink], block_bytes: int
) -> SeenLines:
    """Read one dump from an open file.

    Parameters
    ----------
    source : binary file
        At its beginning.
    form : LineForm
        With its kinds known.
    dump : int
        Its index, for the table.
    sinks : sequence of FrameSink
        One for each kind of line, in the form's order.
    block_bytes : int
        Bytes read at once; the result does not depend on it.

    Returns
    -------
    SeenLines
        Its ledger sums to the file's size.
    """
    _keep_freed_memory()
    seen = SeenLines(form, n_of_kind=[0] * len(form.kinds))
    reader = BlockReader(source, min(max(block_bytes, 16), _LARGEST_BLOCK))
    state = _State(dump, sinks, seen)
    limit, is_last = 0, False
    while not is_last:
        block, is_last = reader.advance(limit)
        limit = _read_pieces(block, is_last, state)
    seen.n_bytes, seen.sha256 = reader.n_bytes, reader.sha256
    return seen


def _keep_freed_memory() -> None:
    """Have the C library keep what each block frees for the next one.

    Its allocator returns pieces of some 100 kB and more to the system at once, until a larger one was freed;
    getting them anew, page by page, would take as long as the reading. No page of this piece is touched.
    """
    np.empty(_KEPT_BYTES, dtype=np.uint8)


def _read_pieces(block: Bytes, is_last: bool, state: _State) -> int:
    """Take the lines of a block, behind a later header in small pieces; return how many bytes are settled."""
    taken, is_done = 0, False
    while taken < len(block) and not is_done:
        piece = block[taken : taken + state.reach]
        is_end = taken + len(piece) == len(block)
        state.is_turning = False
        settled = _read_block(piece, is_last and is_end, state)
        state.base += settled
        taken += settled
        is_done = is_end and not state.is_turning
        # what is not settled may be a line longer than the piece
        state.reach = state.reach if state.is_turning else min(2 * state.reach, _EVERYTHING)
    return taken


def _read_block(block: Bytes, is_last: bool, state: _State) -> int:
    """Take the lines of a block or of a piece of it; return how many bytes are settled."""
    marks = find_marks(block, state.seen.form, is_last)
    lines, limit = cut_lines(block, is_last, state.is_fresh, marks)
    is_too_long = not is_last and len(block) - limit > LONGEST_LINE + 2
    settled = _take_lines(block, lines, marks, is_last or is_too_long, state) if limit else 0
    return _skip_long_line(block, limit, state) if is_too_long and settled == limit else settled


def _skip_long_line(block: Bytes, limit: int, state: _State) -> int:
    """Give up most of an unfinished line that is too long already."""
    # the last bytes stay: they may be half a line end or the beginning of a run of fill bytes
    end = len(block) - 1
    while end > limit and block[end] in (0x00, 0xFF, 0x0D) and len(block) - end < 2 * LONGEST_LINE:
        end -= 1
    state.seen.tally.unrecognised += end - limit
    state.in_long_line |= end > limit
    return end


def _take_lines(block: Bytes, cut: Lines, marks: Marks | None, is_end: bool, state: _State) -> int:
    """Settle the lines of a block; return how many bytes they take.

    With `is_end` nothing follows that could still tell something of them.
    """
    limit, form = int(cut.stops[-1]), state.seen.form
    block = block[:limit]
    lines = trim_lines(block, cut, form.blank, state.base == 0)
    fields = read_fields(block, lines, form, marks)
    too_long = lines.stops - lines.starts > LONGEST_LINE
    too_long[0] |= state.in_long_line
    good = fields.good & ~too_long & lines.is_ended
    fresh, n_sure = lines.is_fresh & good, len(good)
    if fresh.any():
        wrong, n_sure = contradicted(fresh, good, too_long, fields.kinds, form, is_end)
        good[wrong] = False
    if form.has_header and state.n_turns < _MOST_TURNS and not good.all():
        turn, other = _other_header(block, lines, fields, ~too_long, form)
        if other is not None and turn == 0:
            state.seen.form, state.n_turns = other, state.n_turns + 1
            return _take_lines(block, cut, marks, is_end, state)
        if turn < n_sure:
            n_sure, state.is_turning, state.reach = turn, True, _FIRST_PIECE
    if n_sure < len(good):
        limit = int(lines.starts[n_sure])
        good[n_sure:] = False
        if not n_sure:
            return limit
    state.in_long_line = False
    state.is_fresh = lines.fresh_after if n_sure == len(good) else bool(lines.is_fresh[n_sure])
    _account(lines, fields, good, too_long, n_sure, state)
    for number, (kind, sink) in enumerate(zip(fields.kinds, state.sinks, strict=False)):
        state.seen.n_of_kind[number] += _emit(lines, kind, good, state, sink)
    state.seen.n_frames += int(np.count_nonzero(good))
    state.seen.n_lines += n_sure
    return limit


def _other_header(
    block: Bytes, lines: Lines, fields: Fields, usable: Bools, form: LineForm
) -> tuple[int, LineForm | None]:
    """The first line that names the columns in other places than the header before it, and its form."""
    unknown = usable & lines.is_ended & ~(fields.recognised | fields.is_comment | fields.is_header)
    wanted = [name.encode() for name in wanted_columns(form)]
    for i in np.flatnonzero(unknown & (fields.n_values >= len(wanted))).tolist():
        line = block[lines.content_starts[i] : lines.content_stops[i]].tobytes()
        if all(name in line for name in wanted) and (other := renamed(form, line)):
            return i, other
    return len(usable), None


def _account(lines: Lines, fields: Fields, good: Bools, too_long: Bools, n_sure: int, state: _State) -> None:
    """Every byte of the first `n_sure` lines to the ledger, and what messages will need."""
    if bool(good.all()):
        n_fill = int(lines.n_fill.sum())
        state.seen.tally.padding += n_fill
        state.seen.tally.decoded += int(lines.stops[-1]) - n_fill
        return _remember(fields, good, n_sure, state)
    settled = np.arange(len(good)) < n_sure
    usable = settled & ~too_long
    blank = lines.content_stops <= lines.content_starts
    padding = usable & (blank | fields.is_comment)
    header = usable & fields.is_header & lines.is_ended
    rest = settled & ~(good | padding | header)
    # a header without its line end is as incomplete as a line of values
    damaged = rest & usable & (fields.recognised | fields.is_header)
    tally, size = state.seen.tally, lines.stops - lines.starts - lines.n_fill
    tally.padding += int(size @ padding) + int(lines.n_fill @ usable)
    tally.decoded += int(size @ (good | header))
    tally.damaged += int(size @ damaged)
    tally.unrecognised += int(size @ (rest & ~damaged)) + int(lines.n_fill @ (settled & too_long))
    tally.n_damaged_frames += int(damaged.sum())
    return _remember(fields, good | damaged, n_sure, state)


def _remember(fields: Fields, numeric: Bools, n_sure: int, state: _State) -> None:
    """What messages will need of the first `n_sure` lines."""
    seen, first = state.seen, list[tuple[int, str]]()
    if seen.n_numeric == 0 and numeric.any():
        i = int(np.argmax(numeric))
        seen.first_numeric = (seen.n_lines + i + 1, int(fields.n_values[i]))
    seen.n_numeric += int(np.count_nonzero(numeric))
    n_before = seen.n_out_of_range
    for read, kind in zip(fields.kinds, seen.form.kinds, strict=False):
        seen.n_unstamped += read.n_unstamped
        if not read.has_flaws:
            continue
        n = int(np.searchsorted(read.rows, n_sure))
        outside = np.flatnonzero(read.outside[:n] >= 0)
        seen.n_out_of_range += len(outside)
        seen.n_decimals += int(read.too_fine[:n].sum())
        for i in outside[:1].tolist():
            first.append((seen.n_lines + int(read.rows[i]) + 1, kind.value_names[int(read.outside[i])]))
    if first and not n_before:
        seen.first_out_of_range = min(first)


def _emit(lines: Lines, read: KindLines, good: Bools, state: _State, sink: FrameSink) -> int:
    """Hand the good lines of one kind to its sink; return how many there are."""
    kept = good[read.rows]
    everything = bool(kept.all())
    which = slice(None) if everything else np.flatnonzero(kept)
    rows = slice(None) if everything and len(kept) == len(good) else read.rows[which]
    starts, offset = lines.starts[rows], state.base + lines.starts[rows]
    size = lines.stops[rows] - starts
    if not len(starts):
        return 0
    if len(lines.fills):
        offset += lines.n_fill_before[rows]
        size -= lines.n_fill[rows]
    sequence, ticks, received = (
        None if counter is None else counter[which] for counter in (read.sequence, read.ticks, read.received)
    )
    sink.add(
        state.dump,
        offset,
        size,
        (sequence, ticks, received),
        [
            counts[which].reshape(-1, len(s.channels))
            for counts, s in zip(read.counts, sink.streams, strict=True)
        ],
        [np.broadcast_to(np.int64(s.parts[0].count), len(starts)) for s in sink.streams],
    )
    return len(starts)
