"""One grid laid on another of the same wearing: whose rows go where, and which frames are needed."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frames.room import AT_ONCE, Room, blocks_of, let_go, n_true
from pipeline.timebase.grid import Bools, Grid, JoinedGrid, Restart
from pipeline.timebase.matching import AnyGrid, match_rows
from pipeline.timebase.sequence import Ints
from pipeline.timebase.weave import Segment, Shift, moved, weave


@dataclass(frozen=True)
class Laid:
    """The parts of two grids on the same rows, none left out yet.

    Attributes
    ----------
    mine, theirs : tuple of Grid
        Of the base and of the other.
    n_rows, restarts :
        Of the whole.
    my_way, their_way : tuple of Shift
        How rows of the base and of the other came there, one after the other.
    """

    mine: tuple[Grid, ...]
    theirs: tuple[Grid, ...]
    n_rows: int
    restarts: tuple[Restart, ...]
    my_way: tuple[Shift, ...]
    their_way: tuple[Shift, ...]


def lay(base: AnyGrid, other: AnyGrid) -> Laid | None:
    """Lay a grid on another one by the channels that both have, or None where their counts do not agree.

    Kinds of frame that share the rows of the other are laid one by one: where they stand beside each other
    may differ by a row from reading to reading.
    """
    laid: Laid | None = None
    left = list(other.parts)
    while left:
        part = next((part for part in left if laid is not None or _in_common(base, part)), None)
        if part is None:
            return None
        left.remove(part)
        own = replace(part, restarts=other.restarts, n_rows=other.n_rows)
        laid = _first(base, own) if laid is None else _further(laid, own)
        if laid is None:
            return None
    return laid


def _in_common(base: AnyGrid, part: Grid) -> bool:
    return bool({channel.name for channel in base.channels} & {channel.name for channel in part.channels})


def _first(base: AnyGrid, own: Grid) -> Laid | None:
    segments = match_rows(base, own)
    woven = weave(base.n_rows, base.restarts, segments, own.restarts) if segments else None
    if woven is None:
        return None
    mine = tuple(moved(part, woven.base, woven) for part in base.parts)
    theirs = (moved(own, woven.other, woven),)
    return Laid(mine, theirs, woven.n_rows, woven.restarts, (woven.base,), (woven.other,))


def _further(laid: Laid, own: Grid) -> Laid:
    """A further part of the other: where its own counts tell, else along with the part that is laid."""
    rows = own.start_row
    for shift in laid.their_way:
        rows = shift.of(rows, own.frames.table.room)
    along = replace(own, start_row=rows, n_rows=laid.n_rows, restarts=laid.restarts)
    clock = own.clock
    whole = JoinedGrid(laid.mine, laid.n_rows, clock, restarts=laid.restarts)
    segments = match_rows(whole, along) if _in_common(whole, along) else None
    found = segments is not None and all(segment.run is not None for segment in segments)
    woven = weave(laid.n_rows, laid.restarts, _trimmed(segments or (), along)) if found else None
    if woven is None:
        return replace(laid, theirs=(*laid.theirs, along))
    theirs = (*(moved(part, woven.base, woven) for part in laid.theirs), moved(along, woven.other, woven))
    return Laid(
        tuple(moved(part, woven.base, woven) for part in laid.mine),
        theirs,
        woven.n_rows,
        woven.restarts,
        (*laid.my_way, woven.base),
        (*laid.their_way, woven.base),
    )


def _trimmed(segments: Sequence[Segment], part: Grid) -> list[Segment]:
    """Segments from the first row that the part has in each to the last."""
    n_samples, trimmed = part.frames.table.n_samples, list[Segment]()
    for segment in segments:
        first, last = np.searchsorted(part.start_row, [segment.start, segment.stop]).tolist()
        if first < last:
            stop = int(part.start_row[last - 1]) + int(n_samples[part.placed[last - 1]])
            trimmed.append(replace(segment, start=int(part.start_row[first]), stop=stop))
    return trimmed


def needed(part: Grid, base: Sequence[Grid]) -> Grid:
    """A part without the frames all of whose samples the base has; they count as duplicates."""
    names = {channel.name for channel in part.channels}
    covering = [own for own in base if names <= {channel.name for channel in own.channels}]
    start, stop = _gaps(covering, part.n_rows)
    start = np.append(start, part.n_rows + 1)
    table, n = part.frames.table, len(part.placed)
    duplicate, left = table.room.copy(part.duplicate), table.room.zeros(n, bool)
    for block in blocks_of(n):
        placed, begins = part.placed[block], part.start_row[block]
        nearest = start[np.searchsorted(stop, begins, side="right")]
        left[block] = nearest < begins + table.n_samples[placed]
        duplicate[placed[~left[block]]] = True
    placed, start_row = (_where(left, column, table.room) for column in (part.placed, part.start_row))
    return replace(part, placed=placed, start_row=start_row, duplicate=duplicate)


def _where(mask: Bools, column: Ints, room: Room) -> Ints:
    """A column's numbers where the mask is true."""
    found, n = room.zeros(n_true(mask)), 0
    for block in blocks_of(len(mask)):
        kept = column[block][mask[block]]
        found[n : n + len(kept)] = kept
        n += len(kept)
    return found


def _gaps(parts: Sequence[Grid], n_rows: int) -> tuple[Ints, Ints]:
    """Rows [start, stop) that none of the parts has."""
    found, reached = list[tuple[Ints, Ints]](), 0
    for slices in _side_by_side(parts):
        own = list(zip(parts, slices, strict=True))
        starts = np.concatenate([part.start_row[at] for part, at in own])
        sizes = np.concatenate([part.frames.table.n_samples[part.placed[at]] for part, at in own])
        order = np.argsort(starts, kind="stable")
        until = np.maximum.accumulate(np.concatenate(([reached], (starts + sizes)[order])))
        open_ = starts[order] > until[:-1]
        found.append((until[:-1][open_], starts[order][open_]))
        reached = int(until[-1])
        let_go()
    if n_rows > reached:
        found.append((np.array([reached]), np.array([n_rows])))
    none = np.zeros(0, dtype=np.int64)
    return tuple(np.concatenate([none, *(pair[i] for pair in found)]) for i in (0, 1))  # type: ignore[return-value]


def _side_by_side(parts: Sequence[Grid]) -> Iterator[list[slice]]:
    """Frames of all parts that begin in the same rows, as many as are looked at together."""
    longest = max((part.start_row for part in parts), key=len, default=np.zeros(0, dtype=np.int64))
    edges = [longest[at] for at in range(AT_ONCE, len(longest), AT_ONCE)]
    places = [[0, *np.searchsorted(p.start_row, edges).tolist(), len(p.start_row)] for p in parts]
    for k in range(len(edges) + 1 if parts else 0):
        yield [slice(own[k], own[k + 1]) for own in places]


def frames_lost(joined: JoinedGrid, base: AnyGrid) -> tuple[int, int]:
    """Frames that are lost in all readings, and that were expected, in frames of the base."""
    if not base.n_expected_frames or not base.n_rows:
        return 0, 0
    names = {channel.name for channel in base.parts[0].channels}
    same = [part for part in joined.parts if names <= {channel.name for channel in part.channels}]
    start, stop = _gaps(same, joined.n_rows)
    per_row = base.n_expected_frames / base.n_rows
    return round(int((stop - start).sum()) * per_row), round(joined.n_rows * per_row)
