"""What of sectors is no frame: damaged ones, fillers, and what messages need to know of them."""

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.kinds import Kinds
from pipeline.frames.lattice import ERASED, GOOD, Gaps, Stretch
from pipeline.frames.leftover import PADDING_RUN, padding_runs
from pipeline.frames.sector import BEHIND, MIXED, places_for
from pipeline.frames.shape import Bools, Ints, Shape

Spans = tuple[Ints, Ints]


def damaged_in(stretch: Stretch, gaps: Gaps, had_good: bool) -> Ints:
    """Which sectors of the gaps were recognised, without sync bytes: indices into the stretch.

    All between two good ones, and the first one behind a good one when erased memory follows.
    """
    status, which = stretch.status, list[Ints]()
    good = np.flatnonzero(status == GOOD)
    first_good = int(good[0]) if len(good) else len(status)
    by_good = (status[gaps.stops] == GOOD) & (had_good | (gaps.starts > first_good))
    for start, stop in zip(gaps.starts[by_good].tolist(), gaps.stops[by_good].tolist(), strict=True):
        which.append(np.arange(start, stop))
    before = (gaps.starts > 0) & (status[gaps.starts - 1] == GOOD)
    which.append(gaps.starts[(status[gaps.stops] == ERASED) & before])
    return np.sort(np.concatenate(which))


def is_torn(block: Bytes, at: int, sector_bytes: int) -> bool:
    """Whether a sector's end is erased memory, or the file ends in it."""
    end = block[max(at, at + sector_bytes - PADDING_RUN) : at + sector_bytes]
    if at + sector_bytes > len(block):
        return True
    return int(end[-1]) in (0x00, 0xFF) and bool(np.all(end == end[-1]))


def damaged_by_sync(block: Bytes, limit: int, taken: Spans, kinds: Kinds, sector_bytes: int) -> Spans:
    """What begins with sync bytes before `limit` and is in no good sector: spans of a sector's size."""
    starts, stops = taken
    if int((stops - starts).sum()) == limit:
        none = np.zeros(0, dtype=np.int64)
        return none, none
    at = places_for(block, 0, limit, kinds)
    own = np.searchsorted(starts, at, side="right") - 1
    free = (own < 0) | (stops[np.maximum(own, 0)] <= at) if len(starts) else np.ones(len(at), dtype=bool)
    at = at[free]
    return at, np.minimum(at + sector_bytes, len(block))


def trimmed(block: Bytes, damaged: Spans, taken: Ints, kinds: Kinds) -> Spans:
    """Damaged spans without what a good sector has of them, and without erased memory at their end."""
    starts, stops = damaged
    if not len(starts):
        return damaged
    next_taken = np.append(taken, len(block))[np.searchsorted(taken, starts)]
    stops = np.minimum(np.minimum(stops, next_taken), len(block))
    run_starts, run_stops = padding_runs(block)
    run = np.searchsorted(run_starts, stops, side="left") - 1
    if len(run_starts):
        kept = starts + min(len(shape.sync) for shape in kinds.shapes)
        begin = np.maximum(run_starts[np.maximum(run, 0)], kept)
        end = np.minimum(run_stops[np.maximum(run, 0)], next_taken)
        over = (run >= 0) & (run_stops[np.maximum(run, 0)] >= stops) & (end - begin >= PADDING_RUN)
        stops = np.where(over, np.minimum(stops, begin), stops)
    kept_spans = stops > starts
    return starts[kept_spans], stops[kept_spans]


def filler_bytes(block: Bytes, filler: Ints, starts: Ints, stops: Ints) -> Bytes:
    """What `Frames.extra` keeps of fillers: where each stands, and its value; shape (n, 2)."""
    value = np.where(stops > starts, block[np.minimum(starts, len(block) - 1)], 0)
    where = filler.copy()
    apart = np.flatnonzero((filler != BEHIND) & (stops > starts))
    if len(apart):
        changes = np.concatenate(((0,), np.cumsum(block[1:] != block[:-1])))
        mixed = changes[stops[apart] - 1] != changes[starts[apart]]
        where[apart[mixed]] = MIXED
    return np.stack((where, value), axis=1).astype(np.uint8)


def ends_of(block: Bytes, starts: Ints, shape: Shape, sector_bytes: int) -> tuple[Ints, Ints, Bools]:
    """Candidates of a kind for messages: where they begin and end, and whether that can be believed."""
    if shape.length is not None and shape.length_is_behind:
        starts = starts[starts + sector_bytes <= len(block)]
        stops = starts + sector_bytes
        return starts, stops, shape.believes(shape.whole(shape.length.read(block, starts, stops)))
    stops, believable, _ = shape.spans(block, starts)
    return starts, stops, believable & (stops <= np.minimum(starts + sector_bytes, len(block)))
