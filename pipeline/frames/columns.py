"""Lines of one kind with the right number of values: their counters and counts."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.frames.codes import NO_NUMBER, TOO_FINE, TOO_LARGE, Text, read_plain, settle, unquoted
from pipeline.frames.delimiters import Cells
from pipeline.frames.leftover import Ints
from pipeline.frames.lines import Column, LineKind
from pipeline.frames.stamps import read_stamps
from pipeline.frames.trim import skip_around

Bools = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.integer]


@dataclass
class KindLines:
    """What lines of one kind hold; arrays of one entry for each line.

    Attributes
    ----------
    rows : int64
        Which lines of the block they are.
    good : bool
        Whether every value that is needed is what it should be.
    n_numbers : int64
        How many of these values are numbers (or stamps) at all.
    sequence, ticks, received : int64 or None
        None where the kind has none; they mean something only where good.
    counts : list of integers, shape (lines, values)
        For each stream; they mean something only where good.
    outside : int64
        Number of the first value outside its end codes, -1 where there is none.
    too_fine : bool
        Whether a value has more decimals than the layout says.
    has_flaws : bool
        Whether any of the lines has either.
    n_unstamped : int
        Lines whose received stamp is none.
    """

    rows: Ints
    good: Bools
    n_numbers: Ints
    outside: Ints
    too_fine: Bools
    sequence: Ints | None = None
    ticks: Ints | None = None
    received: Ints | None = None
    counts: list[Counts] = field(default_factory=list)
    has_flaws: bool = False
    n_unstamped: int = 0


@dataclass(frozen=True)
class _Target:
    """A column of numbers, where its codes go, and which of the values it is (-1 for counters)."""

    column: Column
    codes: Counts
    number: int = -1


@dataclass(frozen=True)
class _Odd:
    """Fields of a column that are not plain numbers: which lines they stand in, and where."""

    target: _Target
    which: Ints
    starts: Ints
    stops: Ints


def read_kind(text: Text, cells: Cells, kind: LineKind, rows: Ints) -> KindLines:
    """Read the lines `rows` of a block, which have the right number of values for their kind."""
    n = len(rows)
    lines = KindLines(
        rows=rows,
        good=np.ones(n, dtype=bool),
        n_numbers=np.full(n, kind.n_needed),
        outside=np.full(n, -1, dtype=np.int64),
        too_fine=np.zeros(n, dtype=bool),
        sequence=np.empty(n, dtype=np.int64) if kind.sequence else None,
        ticks=np.empty(n, dtype=np.int64) if kind.ticks else None,
        received=np.empty(n, dtype=np.int64) if kind.received else None,
        counts=[np.empty((n, len(stream.columns)), dtype=stream.dtype) for stream in kind.streams],
    )
    odd = list[_Odd]()
    for target in sorted(_targets(lines, kind), key=lambda target: target.column.at):
        starts, stops = cells.span(target.column.at)
        if target.column.stamp == "rfc3339":
            _read_stamps(lines, text, target.codes, starts, stops)
            continue
        codes, which = read_plain(text, starts, stops, target.column.decimals, target.column.low < 0)
        target.codes[...] = codes
        if len(which):
            codes[which] = target.column.low
            odd.append(_Odd(target, which, starts[which], stops[which]))
        _hold_within(lines, target, codes, None)
    if odd:
        _read_odd(lines, text, odd)
    return lines


def _targets(lines: KindLines, kind: LineKind) -> Iterator[_Target]:
    counters = ((kind.sequence, lines.sequence), (kind.ticks, lines.ticks), (kind.received, lines.received))
    for column, codes in counters:
        if column is not None and codes is not None:
            yield _Target(column, codes)
    number = 0
    for stream, counts in zip(kind.streams, lines.counts, strict=True):
        for i, column in enumerate(stream.columns):
            yield _Target(column, counts[:, i], number)
            number += 1


def _hold_within(lines: KindLines, target: _Target, codes: Ints, which: Ints | None) -> None:
    """Lines (all, or some) with a code outside what the column may hold are not good."""
    column = target.column
    if int(codes.min(initial=column.low)) >= column.low and int(codes.max(initial=column.low)) <= column.high:
        return
    beyond = np.flatnonzero((codes < column.low) | (codes > column.high))
    _outside(lines, target, beyond if which is None else which[beyond])


def _outside(lines: KindLines, target: _Target, which: Ints) -> None:
    lines.good[which] = False
    if target.number >= 0 and len(which):
        lines.has_flaws = True
        first = lines.outside[which]
        lines.outside[which] = np.where((first < 0) | (first > target.number), target.number, first)


def _read_odd(lines: KindLines, text: Text, odd: list[_Odd]) -> None:
    """The fields that are not plain, of all columns: the whole grammar costs calls for each character."""
    sizes = [len(fields.which) for fields in odd]
    starts = np.concatenate([fields.starts for fields in odd])
    stops = np.concatenate([fields.stops for fields in odd])
    decimals = np.repeat([fields.target.column.decimals for fields in odd], sizes)
    settled, wrong = settle(text, starts, stops, decimals)
    ends = np.cumsum(sizes).tolist()
    for fields, size, end in zip(odd, sizes, ends, strict=True):
        codes, why, which = settled[end - size : end], wrong[end - size : end], fields.which
        fields.target.codes[which] = codes
        lines.good[which[why > 0]] = False
        lines.n_numbers[which[why == NO_NUMBER]] -= 1
        if fields.target.number >= 0:
            lines.too_fine[which[why == TOO_FINE]] = True
            lines.has_flaws |= bool((why == TOO_FINE).any())
        _outside(lines, fields.target, which[why == TOO_LARGE])
        _hold_within(lines, fields.target, codes[why == 0], which[why == 0])


def _read_stamps(lines: KindLines, text: Text, into: Counts, starts: Ints, stops: Ints) -> None:
    """Received stamps by RFC 3339, blanks and quotation marks around them passed over."""
    stamps, is_stamp = read_stamps(text, starts, stops)
    odd = np.flatnonzero(~is_stamp)
    if len(odd):
        trimmed = unquoted(text, *skip_around(text.block, starts[odd], stops[odd], text.blank))
        stamps[odd], is_stamp[odd] = read_stamps(text, *trimmed)
        lines.good &= is_stamp
        lines.n_unstamped = int(np.count_nonzero(~is_stamp))
        lines.n_numbers -= ~is_stamp
    into[...] = stamps
