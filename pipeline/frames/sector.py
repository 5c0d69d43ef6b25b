"""Whether a frame stands in a sector, for many sectors at once, and where its filler is.

A frame shorter than its sector leaves a filler: behind itself, or, where it states its length, between its
samples (and what follows them) and its checksum, which then stands at the sector's end and covers the filler
as well. Where the length itself stands behind the samples, all that follows them stands at the sector's end.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.frames.checksum import Bytes, check_each_place
from pipeline.frames.kinds import UNKNOWN, Kinds, checked, checked_apart
from pipeline.frames.leftover import padding_runs
from pipeline.frames.shape import Bools, Ints, Shape

BEHIND, BEFORE_CHECK, MIXED = 0, 1, 2
"""Where the filler stands: behind the frame; before the checksum, all of one value, or of several."""

_FILL = (0x00, 0xFF)


@dataclass(frozen=True)
class Judged:
    """What stands at each of n places; all arrays have length n.

    Attributes
    ----------
    kind : int64
        Kind of the frame that passes its check, `UNKNOWN` where none does.
    n_bytes : int64
        Its bytes without filler.
    stops : int64
        Where parts behind the samples end, but for a checksum that stands apart.
    filler : int64
        `BEHIND`, or `BEFORE_CHECK`.
    """

    kind: Ints
    n_bytes: Ints
    stops: Ints
    filler: Ints

    def those(self, which: Ints | Bools) -> "Judged":
        """Some of them."""
        return Judged(self.kind[which], self.n_bytes[which], self.stops[which], self.filler[which])

    def and_then(self, *others: "Judged") -> "Judged":
        """All, one behind the other."""
        columns = ([getattr(judged, name) for judged in (self, *others)] for name in vars(self))
        return Judged(*(np.concatenate(column) for column in columns))


def judge(block: Bytes, at: Ints, kinds: Kinds, sector_bytes: int) -> Judged:
    """Look for a frame in each sector that begins `at` a place; the block may end within the last ones."""
    room = np.minimum(sector_bytes, len(block) - at)
    none = np.zeros(len(at), dtype=np.int64)
    found = Judged(np.full(len(at), UNKNOWN), none, at.copy(), none.copy())
    for k, shape in enumerate(kinds.shapes):
        if not shape.n_rows and shape.length is None:
            continue
        open_ = np.flatnonzero((found.kind == UNKNOWN) & (room >= shape.min_bytes))
        open_ = open_[begins(block, at[open_], shape)]
        if not len(open_):
            continue
        if shape.length_is_behind:
            _try_behind(block, at, open_[room[open_] == sector_bytes], k, shape, sector_bytes, found)
        else:
            _try_before(block, at, room, open_, k, shape, sector_bytes, found)
    blank = _is_blank(block, at, found)
    found.kind[blank] = UNKNOWN
    return found


def filler_of(starts: Ints, stops: Ints, judged: Judged, kinds: Kinds) -> tuple[Ints, Ints]:
    """Where the filler of each good sector [start, stop) stands: [start, stop) as well."""
    begin, end = starts + judged.n_bytes, stops
    for k, shape in enumerate(kinds.shapes):
        apart = (judged.kind == k) & (judged.filler == BEFORE_CHECK)
        n_behind = shape.tail if shape.length_is_behind else _check_bytes(shape)
        begin, end = np.where(apart, begin - n_behind, begin), np.where(apart, end - n_behind, end)
    return begin, end


def is_erased(block: Bytes, at: Ints, sector_bytes: int) -> Bools:
    """Whether each sector holds nothing but 0x00, or nothing but 0xFF; the block may end within the last."""
    erased = np.zeros(len(at), dtype=bool)
    whole = np.flatnonzero(at + sector_bytes <= len(block))
    if len(whole):
        rows = np.lib.stride_tricks.sliding_window_view(block, sector_bytes)[at[whole]]
        erased[whole] = np.isin(rows[:, 0], _FILL) & np.all(rows == rows[:, :1], axis=1)
    for i in np.flatnonzero(at + sector_bytes > len(block)).tolist():
        rest = block[at[i] :]
        erased[i] = len(rest) > 0 and int(rest[0]) in _FILL and bool(np.all(rest == rest[0]))
    return erased


def begins(block: Bytes, at: Ints, shape: Shape) -> Bools:
    """Whether a frame of the kind may begin at each place, by its sync bytes and its kind part."""
    needed = shape.head
    if shape.kind is not None and shape.kind.at >= 0:  # it may stand behind the samples
        needed = max(needed, shape.kind.at + shape.kind.n_bytes)
    may = at + needed <= len(block)
    which = np.flatnonzero(may)
    here = at[which]
    right = np.ones(len(here), dtype=bool)
    for i, byte in enumerate(shape.sync):
        right &= block[here + i] == byte
    if shape.kind is not None and shape.kind.at >= 0:
        right &= shape.is_kind(block, here, here)
    may[which] = right
    return may


def _try_before(
    block: Bytes, at: Ints, room: Ints, open_: Ints, k: int, shape: Shape, sector_bytes: int, found: Judged
) -> None:
    """Frames whose size follows from their beginning: without a gap, else with the checksum at the end."""
    stops, believable, headless = shape.spans(block, at[open_])
    sizes = stops - at[open_]
    fits = believable & ~headless & (sizes <= room[open_])
    open_, sizes = open_[fits], sizes[fits]
    passed = _passes(block, at[open_], at[open_] + sizes, shape)
    passed &= shape.is_kind(block, at[open_], at[open_] + sizes)
    _note(found, open_[passed], k, sizes[passed], at[open_[passed]] + sizes[passed], BEHIND)
    if shape.checksum is None or shape.n_rows:
        return
    apart = ~passed & (room[open_] == sector_bytes) & (sizes < sector_bytes)
    open_, sizes = open_[apart], sizes[apart]
    ends = at[open_] + sector_bytes
    right = checked_apart(block, at[open_], ends - _check_bytes(shape), ends, shape)
    right &= shape.is_kind(block, at[open_], at[open_] + sizes)
    _note(found, open_[right], k, sizes[right], at[open_[right]] + sizes[right], BEFORE_CHECK)


def _try_behind(
    block: Bytes, at: Ints, open_: Ints, k: int, shape: Shape, sector_bytes: int, found: Judged
) -> None:
    """Frames whose length, and all that stands behind their samples, is at the sector's end."""
    if shape.length is None:
        return
    stops = at[open_] + sector_bytes
    sizes = shape.whole(shape.length.read(block, at[open_], stops))
    fits = shape.believes(sizes) & shape.is_kind(block, at[open_], stops)
    open_, sizes, stops = open_[fits], sizes[fits], stops[fits]
    passed = _passes(block, at[open_], stops, shape)
    full = sizes == sector_bytes
    for which, filler in ((passed & full, BEHIND), (passed & ~full, BEFORE_CHECK)):
        _note(found, open_[which], k, sizes[which], stops[which], filler)


def _passes(block: Bytes, starts: Ints, stops: Ints, shape: Shape) -> Bools:
    if shape.checksum is None:
        return np.ones(len(starts), dtype=bool)
    return checked(block, starts, stops, shape)


def _note(found: Judged, which: Ints, k: int, sizes: Ints, stops: Ints, filler: int) -> None:
    found.kind[which], found.n_bytes[which] = k, sizes
    found.stops[which], found.filler[which] = stops, filler


def _is_blank(block: Bytes, at: Ints, found: Judged) -> Bools:
    """Whether a frame has nothing but fill bytes of one value: a check that such bytes pass tells nothing."""
    blank = np.zeros(len(at), dtype=bool)
    may = np.flatnonzero((found.kind != UNKNOWN) & np.isin(block[np.minimum(at, len(block) - 1)], _FILL))
    for i in may[_same_ends(block, at[may], found.n_bytes[may])].tolist():
        frame = block[at[i] : at[i] + found.n_bytes[i]]
        blank[i] = bool(np.all(frame == frame[0]))
    return blank


def _same_ends(block: Bytes, at: Ints, n_bytes: Ints) -> Bools:
    return np.asarray((block[at] == block[at + n_bytes - 1]) & (block[at] == block[at + n_bytes // 2]))


def _check_bytes(shape: Shape) -> int:
    return shape.checksum.n_bytes if shape.checksum else 0


def places_for(block: Bytes, start: int, stop: int, kinds: Kinds) -> Ints:
    """Places [start, stop) at which a frame may begin: by its sync bytes, and not within erased memory."""
    if all(shape.sync for shape in kinds.shapes):
        here = np.zeros(max(stop - start, 0), dtype=bool)
        for pattern in kinds.patterns:
            n = max(min(stop, len(block) - len(pattern) + 1) - start, 0)
            same = block[start : start + n] == pattern[0]
            for i in range(1, len(pattern)):
                same &= block[start + i : start + i + n] == pattern[i]
            here[:n] |= same
        return np.flatnonzero(here) + start
    least = min(shape.min_bytes for shape in kinds.shapes)
    if all(shape.n_rows and shape.checksum is not None for shape in kinds.shapes):
        here = _with_check(block, start, stop, kinds)
    else:
        here = np.ones(max(stop - start, 0), dtype=bool)
    begins, ends = padding_runs(block[start : stop + least])
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        here[begin : max(end - least + 1, begin)] = False
    return np.flatnonzero(here) + start


def _with_check(block: Bytes, start: int, stop: int, kinds: Kinds) -> Bools:
    """Whether the checksum of any kind, all of one size each, fits at each place [start, stop)."""
    here = np.zeros(max(stop - start, 0), dtype=bool)
    for shape in kinds.shapes:
        part = shape.checksum
        if part is None or part.checksum is None:
            continue
        near = block[start : stop - 1 + shape.n_bytes]
        covered = shape.n_bytes - part.n_bytes - shape.covered_from
        computed = check_each_place(near[shape.covered_from :], covered, part.checksum)
        computed = computed[: max(len(near) - shape.n_bytes + 1, 0)]
        stored, n = np.zeros(len(computed), dtype=np.uint64), len(computed)
        for i in range(part.n_bytes):
            place = i if part.byte_order == "big" else part.n_bytes - 1 - i
            at = shape.n_bytes - part.n_bytes + place
            stored = (stored << np.uint64(8)) | near[at : at + n]
        here[:n] |= computed == stored
    return here
