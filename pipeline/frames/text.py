"""Delimited text from a serial terminal: a line is a frame.

Rules, in this order:

- A line ends with LF, CR or CRLF, mixed as they come. Fill bytes (0x00, 0xFF) at a line's ends are padding
  and the line stays good; within a line of numbers they damage it. A run of 16 or more that no line end
  follows parts what stands before it (whose end is missing) from what stands after it (whose beginning may be
  missing).
- Blank lines and comments are padding. The header is decoded, and so is each repetition of it.
- A line with the right number of values, each a number that times 10^decimals is a whole code within adc_min
  and adc_max, is decoded with its line end. Blanks around values and one delimiter after the last are
  allowed.
- The last line without a line end is damaged when it is recognised: its end may be missing.
- The first line of a file (or after a long run of fill bytes) is damaged when its sequence or ticks do not
  lead on to the next good line within the eight that follow: its beginning is missing. Ten lines lost are
  allowed for.
- Damaged is also every other line that is recognised: only numbers and delimiters, or the right number of
  values with at least half of those that must be numbers being numbers.
- Everything else (chatter of the device's log) is unrecognised, and so is a line longer than 64 KiB.
"""

from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.frames.blocks import BlockReader
from pipeline.frames.checksum import Bytes
from pipeline.frames.fields import Fields, Lines, cut_lines, read_fields, trim_lines
from pipeline.frames.leftover import Tally
from pipeline.frames.lines import LineForm
from pipeline.frames.sinks import FrameSink

LONGEST_LINE = 1 << 16
_LINES_AHEAD = 8
_LOST_LINES = 10

Bools = npt.NDArray[np.bool_]


@dataclass
class SeenLines:
    """What was seen of one dump: for its ledger and for messages."""

    tally: Tally = field(default_factory=Tally)
    n_bytes: int = 0
    sha256: str = ""
    n_lines: int = 0
    n_frames: int = 0
    n_numeric: int = 0
    n_out_of_range: int = 0
    n_decimals: int = 0
    first_out_of_range: tuple[int, str] = (0, "")
    first_numeric: tuple[int, int] = (0, 0)


@dataclass
class _State:
    """What one block tells the next."""

    base: int = 0
    is_fresh: bool = True
    in_long_line: bool = False


def read_text(source: BinaryIO, form: LineForm, dump: int, sink: FrameSink, block_bytes: int) -> SeenLines:
    """Read one dump from an open file.

    Parameters
    ----------
    source : binary file
        At its beginning.
    form : LineForm
        With its columns known.
    dump : int
        Its index, for the table.
    sink : FrameSink
        Gets the frames, one for each good line, and their counts.
    block_bytes : int
        Bytes read at once; the result does not depend on it.

    Returns
    -------
    SeenLines
        Its ledger sums to the file's size.
    """
    seen, reader, state = SeenLines(), BlockReader(source, max(block_bytes, 16)), _State()
    limit, is_last = 0, False
    while not is_last:
        block, is_last = reader.advance(limit)
        limit = _read_block(block, is_last, form, state, seen, (dump, sink)) if len(block) else 0
        state.base += limit
    seen.n_bytes, seen.sha256 = reader.n_bytes, reader.sha256
    return seen


def _read_block(
    block: Bytes,
    is_last: bool,
    form: LineForm,
    state: _State,
    seen: SeenLines,
    into: tuple[int, FrameSink],
) -> int:
    """Take the lines of a block; return how many bytes are settled."""
    lines, limit = cut_lines(block, is_last, state.is_fresh)
    if not is_last and len(block) - limit > LONGEST_LINE + 2:
        return _skip_long_line(block, lines, limit, form, state, seen, into)
    return _take_lines(block, lines, limit, is_last, form, state, seen, into)


def _skip_long_line(
    block: Bytes,
    lines: Lines,
    limit: int,
    form: LineForm,
    state: _State,
    seen: SeenLines,
    into: tuple[int, FrameSink],
) -> int:
    """Take the whole lines, then give up most of an unfinished line that is too long already."""
    settled = _take_lines(block, lines, limit, False, form, state, seen, into)
    if settled < limit:
        return settled
    # the last bytes stay: they may be half a line end or the beginning of a run of fill bytes
    end = len(block) - 1
    while end > limit and block[end] in (0x00, 0xFF, 0x0D) and len(block) - end < 2 * LONGEST_LINE:
        end -= 1
    if end > limit:
        seen.tally.unrecognised += end - limit
        state.in_long_line = True
        return end
    return settled


def _take_lines(
    block: Bytes,
    lines: Lines,
    limit: int,
    is_last: bool,
    form: LineForm,
    state: _State,
    seen: SeenLines,
    into: tuple[int, FrameSink],
) -> int:
    if not len(lines.starts):
        return limit
    lines = trim_lines(block, lines, form.blank, state.base == 0)
    fields = read_fields(block, lines, form)
    too_long = lines.stops - lines.starts > LONGEST_LINE
    too_long[0] |= state.in_long_line
    good = fields.good & ~too_long & lines.is_ended
    contradicted, n_sure = _contradicted(lines.is_fresh & good, good, fields, form, is_last)
    if n_sure < len(good):
        lines, fields, limit = lines.first(n_sure), fields.first(n_sure), int(lines.starts[n_sure])
        good, too_long, contradicted = good[:n_sure], too_long[:n_sure], contradicted[:n_sure]
        if not n_sure:
            return limit
    good &= ~contradicted
    state.in_long_line = False
    state.is_fresh = bool(lines.fresh_after)
    _account(lines, fields, good, too_long, seen)
    _emit(lines, fields, good, state.base, form, into)
    seen.n_frames += int(good.sum())
    seen.n_lines += len(good)
    return limit


def _contradicted(
    fresh: Bools, good: Bools, fields: Fields, form: LineForm, is_last: bool
) -> tuple[Bools, int]:
    """Which first lines do not lead on to the next good one; and how many lines can be settled by now."""
    contradicted = np.zeros(len(good), dtype=bool)
    n_sure = len(good)
    goods = np.flatnonzero(good)
    for i in np.flatnonzero(fresh).tolist():
        place = int(np.searchsorted(goods, i, side="right"))
        following = int(goods[place]) if place < len(goods) else len(good)
        if following >= len(good) and i + _LINES_AHEAD >= len(good) and not is_last:
            n_sure = i
            break
        if following < len(good) and following <= i + _LINES_AHEAD:
            contradicted[i] = not _leads_on(fields, i, following, form)
    return contradicted, n_sure


def _leads_on(fields: Fields, i: int, following: int, form: LineForm) -> bool:
    lines = following - i
    if form.sequence >= 0:
        step = int(fields.sequence[following]) - int(fields.sequence[i])
        step = step % (1 << form.sequence_bits) if form.sequence_bits else step
        if not 1 <= step <= _LOST_LINES + lines:
            return False
    if form.ticks >= 0:
        step = int(fields.ticks[following]) - int(fields.ticks[i])
        step = step % (1 << form.ticks_bits) if form.ticks_bits else step
        if not 0 <= step <= (_LOST_LINES + lines) * form.ticks_per_line + 2:
            return False
    return True


def _account(lines: Lines, fields: Fields, good: Bools, too_long: Bools, seen: SeenLines) -> None:
    """Every byte of the lines to the ledger, and what messages will need."""
    size = lines.stops - lines.starts - lines.n_fill
    blank = lines.content_stops <= lines.content_starts
    padding = ~too_long & (blank | fields.is_comment)
    header = ~too_long & fields.is_header & lines.is_ended
    rest = ~(good | padding | header)
    # a header without its line end is as incomplete as a line of values
    damaged = rest & ~too_long & (fields.recognised | fields.is_header)
    tally = seen.tally
    tally.padding += int(size[padding].sum()) + int(lines.n_fill[~too_long].sum())
    tally.decoded += int(size[good | header].sum())
    tally.damaged += int(size[damaged].sum())
    tally.unrecognised += int(size[rest & ~damaged].sum()) + int(lines.n_fill[too_long].sum())
    tally.n_damaged_frames += int(damaged.sum())
    numeric = good | damaged
    if seen.n_numeric == 0 and np.any(numeric):
        i = int(np.argmax(numeric))
        seen.first_numeric = (seen.n_lines + i + 1, int(fields.n_values[i]))
    if seen.n_out_of_range == 0 and np.any(fields.out_of_range >= 0):
        i = int(np.argmax(fields.out_of_range >= 0))
        seen.first_out_of_range = (seen.n_lines + i + 1, fields.names[int(fields.out_of_range[i])])
    seen.n_numeric += int(numeric.sum())
    seen.n_out_of_range += int((fields.out_of_range >= 0).sum())
    seen.n_decimals += int(fields.too_many_decimals.sum())


def _emit(
    lines: Lines,
    fields: Fields,
    good: Bools,
    base: int,
    form: LineForm,
    into: tuple[int, FrameSink],
) -> None:
    which = np.flatnonzero(good)
    if not len(which):
        return
    dump, sink = into
    size = lines.stops - lines.starts - lines.n_fill
    n_channels = len(form.names) // form.rows_per_line
    sink.add(
        dump,
        base + lines.starts[which] + lines.n_fill_before[which],
        size[which],
        (
            fields.sequence[which] if form.sequence >= 0 else None,
            fields.ticks[which] if form.ticks >= 0 else None,
            None,
        ),
        [fields.counts[which].reshape(-1, n_channels)],
        [np.full(len(which), form.rows_per_line, dtype=np.int64)],
    )
