"""Binary frames that begin with fixed bytes.

Every place where the sync pattern stands is a candidate. A candidate is a frame when its checksum fits;
frames are taken from left to right, none overlapping an earlier one. A pattern inside a good frame is thus
passed over, and a bad frame, whatever length it states, hides none of the good ones behind it.

Without a checksum, structure must bear a candidate out: another pattern at its end, or the end of the file,
or a frame before it that ends where it begins, in which case no borne-out frame may begin inside it.

The file is read in blocks; what cannot be decided before more is known goes over to the next block, and the
frames found do not depend on the size of the blocks.
"""

from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.frames.blocks import BlockReader
from pipeline.frames.checksum import Bytes, check_spans, rows_at
from pipeline.frames.leftover import (
    PADDING_RUN,
    Ints,
    Tally,
    chain,
    open_run,
    tally_leftover,
    trim_at_padding,
)
from pipeline.frames.shape import Shape, counts_of
from pipeline.frames.sinks import FrameSink

BLOCK_BYTES = 2 << 20
_KEPT_CANDIDATES = 256
_KEPT_BYTES = 1 << 18

Bools = npt.NDArray[np.bool_]


@dataclass
class Seen:
    """What was seen of one dump: for its ledger and for messages.

    ``kept`` holds the bytes of the first candidates whose length is believable.
    """

    tally: Tally = field(default_factory=Tally)
    n_bytes: int = 0
    sha256: str = ""
    n_sync: int = 0
    n_believable: int = 0
    n_frames: int = 0
    kept: list[bytes] = field(default_factory=list)
    kept_bytes: int = 0


@dataclass(frozen=True)
class _Candidates:
    """All candidates of a block: where they end, and what is known of them."""

    starts: Ints
    stops: Ints
    believable: Bools
    torn: Bools
    undecided: Bools
    passed: Bools
    recognised: Bools


def read_sync(
    source: BinaryIO,
    shape: Shape,
    dump: int,
    sink: FrameSink,
    block_bytes: int = BLOCK_BYTES,
) -> Seen:
    """Read one dump from an open file.

    Parameters
    ----------
    source : binary file
        At its beginning.
    shape : Shape
        From :func:`shape_of`.
    dump : int
        Its index, for the table.
    sink : FrameSink
        Gets the frames and their counts.
    block_bytes : int
        Bytes read at once.

    Returns
    -------
    Seen
        Its ledger sums to the file's size.
    """
    seen, reader = Seen(), BlockReader(source, max(block_bytes, 1))
    limit, base, earlier = 0, 0, np.zeros(0, dtype=np.int64)
    is_last = False
    while not is_last:
        block, is_last = reader.advance(limit)
        limit, earlier = _read_block(block, base, is_last, shape, earlier, seen, (dump, sink))
        base += limit
    seen.n_bytes, seen.sha256 = reader.n_bytes, reader.sha256
    return seen


def _read_block(
    block: Bytes,
    base: int,
    is_last: bool,
    shape: Shape,
    earlier: Ints,
    seen: Seen,
    into: tuple[int, FrameSink],
) -> tuple[int, Ints]:
    """Take the frames of a block; return how many bytes are settled and where earlier frames end."""
    found = _examine(block, is_last, shape, earlier - base)
    starts, stops = found.starts[found.passed], found.stops[found.passed]
    taken = chain(starts, stops)
    starts, stops = starts[taken], stops[taken]
    waiting = found.starts[found.undecided]
    waiting = waiting[~_covered(waiting, starts, stops)]
    if len(waiting):
        limit = int(waiting[0])
        stops = stops[starts < limit]
        starts = starts[starts < limit]
    else:
        limit = len(block) if is_last else max(0, len(block) - len(shape.sync) + 1)
    floor = int(stops[-1]) if len(stops) else 0
    limit = max(limit, floor)
    if not is_last:
        limit -= open_run(block, floor, limit, seen.tally.run)
    _emit(block, base, starts, stops, shape, into)
    seen.n_frames += len(starts)
    settled = found.starts < limit
    believable = settled & found.believable
    seen.n_sync += int(settled.sum())
    seen.n_believable += int(believable.sum())
    for i in np.flatnonzero(believable)[: _KEPT_CANDIDATES - len(seen.kept)]:
        if seen.kept_bytes > _KEPT_BYTES:
            break
        seen.kept_bytes += int(found.stops[i] - found.starts[i])
        seen.kept.append(block[found.starts[i] : found.stops[i]].tobytes())
    failed = settled & ~_covered(found.starts, starts, stops)
    damaged = _damaged(block, found, failed, shape, starts)
    tally_leftover(seen.tally, block, base, limit, (starts, stops), damaged)
    ends = found.stops[found.believable & settled] if shape.checksum is None else found.stops[:0]
    return limit, np.concatenate((earlier[earlier >= base + limit], base + ends[ends >= limit]))


def _find(block: Bytes, sync: bytes) -> Bools:
    """Whether the pattern begins at each byte; one entry more than the block has bytes."""
    here = np.zeros(len(block) + 1, dtype=bool)
    n = len(block) - len(sync) + 1
    if n > 0:
        here[:n] = block[:n] == sync[0]
        for i in range(1, len(sync)):
            here[:n] &= block[i : i + n] == sync[i]
    return here


def _examine(block: Bytes, is_last: bool, shape: Shape, earlier: Ints) -> _Candidates:
    here = _find(block, shape.sync)
    starts = np.flatnonzero(here)
    stops, believable, headless = shape.spans(block, starts)
    size = len(block)
    if is_last:
        undecided = np.zeros(len(starts), dtype=bool)
        torn = headless | (believable & (stops > size))
        believable = believable & ~torn
    else:
        ahead = PADDING_RUN + (0 if shape.checksum else shape.max_bytes + len(shape.sync))
        undecided = headless | (stops + ahead > size)
        torn = np.zeros(len(starts), dtype=bool)
        believable = believable & (stops <= size)
    if shape.checksum is None:
        passed, recognised = _borne_out(here, starts, stops, believable, is_last, earlier)
        recognised = recognised | torn
    else:
        sure = np.flatnonzero(believable & ~undecided)
        passed = np.zeros(len(starts), dtype=bool)
        passed[sure] = _checked(block, starts[sure], stops[sure], shape)
        recognised = np.ones(len(starts), dtype=bool)
    return _Candidates(
        starts, stops, believable & ~undecided, torn, undecided, passed & ~undecided, recognised
    )


def _checked(block: Bytes, starts: Ints, stops: Ints, shape: Shape) -> Bools:
    part = shape.checksum
    if part is None or part.checksum is None:
        raise ValueError("the layout has no checksum")
    stored = np.zeros(len(starts), dtype=np.uint64)
    for i in range(part.n_bytes):
        place = i if part.byte_order == "big" else part.n_bytes - 1 - i
        stored = (stored << np.uint64(8)) | block[stops - part.n_bytes + place]
    computed = check_spans(block, starts + shape.covered_from, stops - part.n_bytes, part.checksum)
    return np.asarray(computed == stored)


def _borne_out(
    here: Bools, starts: Ints, stops: Ints, believable: Bools, is_last: bool, earlier: Ints
) -> tuple[Bools, Bools]:
    """Which candidates structure bears out, and which are at least led up to or cut short by a frame."""
    size = len(here) - 1
    at = np.where(believable, stops, size)
    firm = believable & (here[at] | (is_last & (stops == size)))
    led = np.isin(starts, np.concatenate((stops[believable], earlier)))
    firm_starts = starts[firm]
    inside = np.searchsorted(firm_starts, stops) - np.searchsorted(firm_starts, starts, side="right")
    return firm | (believable & led & (inside == 0)), led | (believable & (inside > 0))


def _covered(at: Ints, starts: Ints, stops: Ints) -> Bools:
    """Whether each position lies in (or at the start of) one of the frames."""
    if not len(starts):
        return np.zeros(len(at), dtype=bool)
    i = np.searchsorted(starts, at, side="right") - 1
    return (i >= 0) & (stops[np.maximum(i, 0)] > at)


def _damaged(block: Bytes, found: _Candidates, failed: Bools, shape: Shape, taken: Ints) -> tuple[Ints, Ints]:
    """Spans of the frames that were recognised and failed their check or lack their end.

    One whose stated length cannot be believed is taken to reach to the next sync pattern.
    """
    which = np.flatnonzero(failed)
    starts, stops = found.starts[which], found.stops[which].copy()
    if not len(starts):
        return starts, stops
    absurd = ~found.believable[which] & ~found.torn[which]
    if np.any(absurd):
        bounded = np.concatenate((found.starts, np.array([np.iinfo(np.int64).max])))
        following = bounded[np.searchsorted(found.starts, starts[absurd] + min(shape.head, shape.min_bytes))]
        near = following <= starts[absurd] + shape.max_bytes
        stops[absurd] = np.where(near, following, starts[absurd] + shape.min_bytes)
    stops = np.minimum(stops, len(block))
    bounded = np.concatenate((taken, np.array([np.iinfo(np.int64).max])))
    following = bounded[np.searchsorted(taken, starts)]
    recognised = found.recognised[which]
    if shape.sync in (b"\x00" * len(shape.sync), b"\xff" * len(shape.sync)):
        # such a pattern within a longer run of the same byte is erased memory, not a frame
        recognised &= block[np.minimum(starts + len(shape.sync), len(block) - 1)] != shape.sync[0]
    stops = np.minimum(stops, following)
    stops = trim_at_padding(block, starts, stops, len(shape.sync))
    return starts[recognised], stops[recognised]


def _emit(
    block: Bytes,
    base: int,
    starts: Ints,
    stops: Ints,
    shape: Shape,
    into: tuple[int, FrameSink],
) -> None:
    """Hand the frames and their counts to the sink."""
    if not len(starts):
        return
    dump, sink = into
    if shape.n_bytes:
        rows = rows_at(block, starts, shape.n_bytes)
        values = rows[:, shape.head : shape.n_bytes - shape.tail]
        n_samples = np.full(len(starts), shape.n_rows, dtype=np.int64)
    else:
        inner = stops - starts - shape.head - shape.tail
        before = np.cumsum(inner) - inner
        values = block[np.arange(int(inner.sum())) + np.repeat(starts + shape.head - before, inner)]
        n_samples = inner // shape.row_bytes
    sequence = shape.sequence.read(block, starts, stops) if shape.sequence else None
    ticks = shape.ticks.read(block, starts, stops) if shape.ticks else None
    counters = (sequence, ticks, None)
    sink.add(dump, base + starts, stops - starts, counters, [counts_of(values, shape.samples)], [n_samples])
