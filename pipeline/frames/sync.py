"""Binary frames that begin with fixed bytes, of one kind or of several.

Every place where a sync pattern stands is a candidate, of each kind that begins so and whose kind part says
so. A candidate is a frame when its checksum fits; frames are taken from left to right, none overlapping an
earlier one. A pattern inside a good frame is thus passed over, and a bad frame, whatever length it states,
hides none of the good ones behind it.

Without a checksum, structure must bear a candidate out: another pattern at its end (of any kind), or the end
of the file, or a frame before it that ends where it begins, in which case no borne-out frame may begin inside
it.

The file is read in blocks; what cannot be decided before more is known goes over to the next block, and the
frames found do not depend on the size of the blocks.
"""

from collections.abc import Sequence
from typing import BinaryIO

import numpy as np

from pipeline.frames.blocks import BlockReader
from pipeline.frames.candidates import Candidates, ends_known, examine
from pipeline.frames.checksum import Bytes
from pipeline.frames.emit import Found, emit
from pipeline.frames.kinds import UNKNOWN, Kinds
from pipeline.frames.leftover import chain, open_run, tally_leftover, trim_at_padding
from pipeline.frames.seen import Seen, SeenKind
from pipeline.frames.shape import Bools, Ints
from pipeline.frames.sinks import FrameSink

BLOCK_BYTES = 2 << 20


def read_sync(
    source: BinaryIO,
    kinds: Kinds,
    dump: int,
    sinks: Sequence[FrameSink],
    block_bytes: int = BLOCK_BYTES,
) -> Seen:
    """Read one dump from an open file.

    Parameters
    ----------
    source : binary file
        At its beginning.
    kinds : Kinds
        From :func:`kinds_of`.
    dump : int
        Its index, for the table.
    sinks : sequence of FrameSink
        Get the frames and their counts, one for each kind.
    block_bytes : int
        Bytes read at once.

    Returns
    -------
    Seen
        Its ledger sums to the file's size.
    """
    seen, reader = Seen(kinds=[SeenKind() for _ in sinks]), BlockReader(source, max(block_bytes, 1))
    limit, base, earlier = 0, 0, np.zeros(0, dtype=np.int64)
    is_last = False
    while not is_last:
        block, is_last = reader.advance(limit)
        limit, earlier = _read_block(block, base, is_last, kinds, earlier, seen, (dump, sinks))
        base += limit
    seen.n_bytes, seen.sha256 = reader.n_bytes, reader.sha256
    return seen


def _read_block(
    block: Bytes,
    base: int,
    is_last: bool,
    kinds: Kinds,
    earlier: Ints,
    seen: Seen,
    into: tuple[int, Sequence[FrameSink]],
) -> tuple[int, Ints]:
    """Take the frames of a block; return how many bytes are settled and where earlier frames end."""
    found = examine(block, is_last, kinds, earlier - base)
    taken = np.flatnonzero(found.passed)
    taken = taken[chain(found.starts[taken], found.stops[taken])]
    waits_at = _waits_at(found, taken, kinds)
    if waits_at is not None:
        limit = waits_at
        taken = taken[found.starts[taken] < limit]
    else:
        limit = len(block) if is_last else max(0, len(block) - kinds.longest_pattern + 1)
    starts, stops = found.starts[taken], found.stops[taken]
    floor = int(stops[-1]) if len(stops) else 0
    limit = max(limit, floor)
    if not is_last:
        limit -= open_run(block, floor, limit, seen.tally.run)
    _emit(block, base, found, taken, kinds, seen, into)
    settled = found.starts < limit
    _count(block, found, settled, seen)
    failed = settled & ~_covered(found.starts, starts, stops)
    damaged = _damaged(block, found, failed, kinds, starts)
    tally_leftover(seen.tally, block, base, limit, (starts, stops), damaged)
    ends = ends_known(found, kinds, settled)
    return limit, np.concatenate((earlier[earlier >= base + limit], base + ends[ends >= limit]))


def _waits_at(found: Candidates, taken: Ints, kinds: Kinds) -> int | None:
    """Where the first candidate stands of which more must be known; None where there is none.

    Those within a frame tell nothing. But where structure alone bears frames out, they may lead up to another
    candidate, and their frame waits with them.
    """
    starts, stops = found.starts[taken], found.stops[taken]
    waiting = found.starts[found.undecided]
    within = _covered(waiting, starts, stops)
    if kinds.are_checked[UNKNOWN]:
        waiting = waiting[~within]
    elif len(waiting) and within[0]:
        return int(starts[np.searchsorted(starts, waiting[0], side="right") - 1])
    return int(waiting[0]) if len(waiting) else None


def _covered(at: Ints, starts: Ints, stops: Ints) -> Bools:
    """Whether each position lies in (or at the start of) one of the frames."""
    if not len(starts):
        return np.zeros(len(at), dtype=bool)
    i = np.searchsorted(starts, at, side="right") - 1
    return (i >= 0) & (stops[np.maximum(i, 0)] > at)


def _count(block: Bytes, found: Candidates, settled: Bools, seen: Seen) -> None:
    """What messages will need."""
    starts = found.starts[settled]
    seen.n_sync += int(np.count_nonzero(np.diff(starts, prepend=-1)))
    believable = found.believable & settled
    for k, kind in enumerate(seen.kinds):
        kind.keep(block, found.starts, found.stops, believable & (found.kind == k))


def _damaged(block: Bytes, found: Candidates, failed: Bools, kinds: Kinds, taken: Ints) -> tuple[Ints, Ints]:
    """Spans of the frames that were recognised and failed their check or lack their end.

    One whose stated length (or kind) cannot be believed is taken to reach to the next sync pattern.
    """
    which = np.flatnonzero(failed & found.recognised)
    starts, stops, kind = found.starts[which], found.stops[which].copy(), found.kind[which]
    if not len(starts):
        return starts, stops
    none = np.array([np.iinfo(np.int64).max])
    absurd = ~found.believable[which] & ~found.torn[which]
    if np.any(absurd):
        least, most, head = _sizes(kinds)
        bounded, places, own = np.concatenate((found.starts, none)), starts[absurd], kind[absurd]
        following = bounded[np.searchsorted(found.starts, places + np.minimum(head, least)[own])]
        stops[absurd] = np.where(following <= places + most[own], following, places + least[own])
    stops = np.minimum(stops, len(block))
    following = np.concatenate((taken, none))[np.searchsorted(taken, starts)]
    stops = np.minimum(stops, following)
    protected = np.array([len(shape.sync) for shape in kinds.shapes] + [len(min(kinds.patterns, key=len))])[
        kind
    ]
    stops = trim_at_padding(block, starts, stops, protected)
    kept = ~_is_erased(block, starts, kind, kinds)
    return starts[kept], stops[kept]


def _sizes(kinds: Kinds) -> tuple[Ints, Ints, Ints]:
    """Least and most bytes, and those before the samples, of each kind; of `UNKNOWN`, in the last entry."""
    least = [shape.min_bytes for shape in kinds.shapes]
    most = [shape.max_bytes for shape in kinds.shapes]
    head = [shape.head for shape in kinds.shapes]
    return tuple(  # type: ignore[return-value]
        np.array(sizes) for sizes in ([*least, min(least)], [*most, max(most)], [*head, min(head)])
    )


def _is_erased(block: Bytes, starts: Ints, kind: Ints, kinds: Kinds) -> Bools:
    """Whether a pattern of 00 or FF alone stands within a longer run: such is erased memory, not a frame."""
    erased = np.zeros(len(starts), dtype=bool)
    for k, shape in [*enumerate(kinds.shapes), (UNKNOWN, kinds.shapes[0])]:
        n = len(shape.sync)
        if shape.sync in (b"\x00" * n, b"\xff" * n):
            goes_on = block[np.minimum(starts + n, len(block) - 1)] == shape.sync[0]
            erased |= (kind == k) & goes_on
    return erased


def _emit(
    block: Bytes,
    base: int,
    found: Candidates,
    taken: Ints,
    kinds: Kinds,
    seen: Seen,
    into: tuple[int, Sequence[FrameSink]],
) -> None:
    """Hand the frames of each kind to its sink."""
    dump, sinks = into
    for k, (shape, sink) in enumerate(zip(kinds.shapes, sinks, strict=True)):
        mine = taken if len(sinks) == 1 else taken[found.kind[taken] == k]
        starts, stops = found.starts[mine], found.stops[mine]
        size = stops - starts
        emit(
            block,
            Found(starts, stops, size - (shape.head + shape.tail), base + starts, size),
            shape,
            dump,
            sink,
        )
        seen.kinds[k].n_frames += len(mine)
