"""From frames as they arrived to rows of one grid."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.frames import Frames, FrameTable
from pipeline.frames.room import SCATTERED, Room, begins_of, blocks_of, n_true, sums_before, taken
from pipeline.timebase.by_ticks import find_runs_by_ticks
from pipeline.timebase.clock import nominal_clock, with_clock
from pipeline.timebase.compare import comparison
from pipeline.timebase.counters import make_counters
from pipeline.timebase.dump_order import in_another_order, order_of_dumps
from pipeline.timebase.grid import Bools, Grid, Restart
from pipeline.timebase.jumps import Counters
from pipeline.timebase.runs import Runs, find_runs
from pipeline.timebase.sequence import Ints, TickRate, typical_of
from pipeline.timebase.sorting import in_order, sorted_parts

_UNBELIEVABLE = 0.5
_LEAST_SLACK = 2.0


def place_frames(frames: Frames) -> Grid:
    """Put every frame of a stream in its place, on its own corrected clock; see :func:`place_kind`."""
    return with_clock(place_kind([frames])[0]).grid


def place_kind(streams: Sequence[Frames]) -> list[Grid]:
    """Put every frame in its place: wraps undone, late frames in order, repeated ones out, lost ones open.

    By the sequence number where the layout has one (confirmed by ticks, else by the receiver's stamps), else
    by ticks, else by these stamps, else in the order of arrival. After a restart rows go on directly behind
    the last row.

    Parameters
    ----------
    streams : sequence of Frames
        As read: all streams of one kind of frame, which share its counters; at least one frame.

    Returns
    -------
    list of Grid
        One for each stream, on a clock by its nominal rate. ``n_rows`` stays within 50 times the rows read
        (or 3000 frames more), whatever the counters say.

    References
    ----------
    RFC 3550 A.1 and A.3; RFC 1982.
    """
    order = order_of_dumps(streams[0])
    if order is None:
        return _place_in_time(streams)
    in_time = [replace(frames, table=in_another_order(frames.table, order)) for frames in streams]
    placed = _place_in_time(in_time)
    return [as_listed(grid, frames, order) for grid, frames in zip(placed, streams, strict=True)]


def _place_in_time(streams: Sequence[Frames]) -> list[Grid]:
    """The grids of frames whose dumps are in the order of time."""
    lead = streams[0]
    counters, notes, counted, what = make_counters(lead), list(lead.notes), False, "ticks"
    if lead.stream.frame.part("ticks") and (counters.ticks is None or counters.arrival):
        notes.append("The ticks do not advance with the samples; they were not used.")
    if lead.stream.frame.part("sequence"):
        runs, counted, what = find_runs(counters, comparison(lead)), True, "sequence numbers"
    elif counters.ticks is not None:
        runs = find_runs_by_ticks(counters, comparison(lead))
    else:
        runs = find_in_order(lead.table)
    if n_true(runs.absurd) > _UNBELIEVABLE * len(lead.table):
        note = f"The {what} of most frames contradict each other; frames were placed in the order of arrival."
        notes.append(note)
        runs, counted = find_in_order(lead.table), False
    return make_grids([replace(lead, notes=tuple(notes)), *streams[1:]], runs, counters, counted)


def find_in_order(table: FrameTable) -> Runs:
    """One run in the order of arrival, positions in samples."""
    n, room = len(table), table.room
    return Runs(room.zeros(n, np.int32), sums_before(table.n_samples, room), room.zeros(n, bool), [])


def as_listed(grid: Grid, frames: Frames, order: Ints) -> Grid:
    """A grid of frames taken in an `order`, as one of the frames as they were read."""
    room = frames.table.room
    duplicate, absurd = room.zeros(len(order), bool), room.zeros(len(order), bool)
    for block in blocks_of(len(order)):
        duplicate[order[block]], absurd[order[block]] = grid.duplicate[block], grid.absurd[block]
    placed = room.arranged(order, grid.placed)
    listed = replace(frames, notes=grid.frames.notes)
    return replace(grid, frames=listed, placed=placed, duplicate=duplicate, absurd=absurd)


def make_grids(streams: Sequence[Frames], runs: Runs, counters: Counters, counted: bool) -> list[Grid]:
    """The grids of all streams of a kind, of whose frames runs and positions are known.

    Parameters
    ----------
    streams : sequence of Frames
        The first is the one that `counters` are of.
    runs : Runs
        Positions are frames where `counted`, else samples of the first stream.
    """
    grids = [_make_grid(streams[0], runs, counters, counted)]
    for frames in streams[1:]:
        typical = typical_of(frames.table.n_samples)
        ratio = typical / counters.typical
        rate = TickRate(counters.rate.per_sample / ratio, counters.rate.modulus) if counters.rate else None
        own = replace(counters, n_samples=frames.table.n_samples, typical=typical, rate=rate)
        position = runs.position if counted else _scaled(runs.position, ratio, counters.room)
        grids.append(_make_grid(frames, replace(runs, position=position), own, counted))
    return grids


def _scaled(position: Ints, ratio: float, room: Room) -> Ints:
    scaled: Ints = room.zeros(len(position))
    for block in blocks_of(len(position)):
        scaled[block] = np.rint(position[block] * ratio).astype(np.int64)
    return scaled


def _make_grid(frames: Frames, runs: Runs, counters: Counters, counted: bool) -> Grid:
    table = frames.table
    placed, run, position, duplicate, n_late = _ordered(table, runs)
    begins = begins_of(run)
    varies = any(not part.count for part in frames.stream.parts)
    start_row = _start_rows(table, placed, position, begins, counters, counted, varies)
    n_rows = int(start_row[-1] + table.n_samples[placed[-1]]) if len(placed) else 0
    ends = np.append(begins[1:], len(placed)) - 1
    n_expected = int((position[ends] - position[begins] + 1).sum()) if counted and len(placed) else 0
    # a run all of whose frames are empty has no row to begin at
    reasons = [runs.reasons[k - 1] if 0 < k <= len(runs.reasons) else "" for k in run[begins].tolist()]
    return Grid(
        frames=frames,
        placed=placed,
        start_row=start_row,
        n_rows=n_rows,
        duplicate=duplicate,
        clock=nominal_clock(n_rows, frames.stream.sample_hz),
        n_late=n_late,
        n_lost_frames=n_expected - len(placed) if counted else 0,
        n_expected_frames=n_expected,
        restarts=tuple(
            Restart(int(start_row[begin]), reason)
            for begin, reason in zip(begins[1:].tolist(), reasons[1:], strict=True)
        ),
        absurd=runs.absurd,
        rate=None if counters.arrival else counters.rate,
    )


def _ordered(table: FrameTable, runs: Runs) -> tuple[Ints, npt.NDArray[np.int32], Ints, Bools, int]:
    """Index, run and position of the first frame of each place, in order; repeats; how many are late."""
    room = table.room
    duplicate: Bools = room.zeros(len(table), bool)
    placed, run, position = _usable(table, runs)
    if in_order(run, position):
        return placed, run, position, duplicate, 0
    run, position = room.copy(run), room.copy(position)  # those of all may be of several streams
    n, n_late = 0, 0
    for part in sorted_parts(run, position):
        here, own, places = placed[part], run[part], position[part]
        n_late += _count_late(own, places)
        order = np.lexsort((places, own))
        here, own, places = here[order], own[order], places[order]
        repeats = np.zeros(len(here), dtype=bool)
        repeats[1:] = (own[1:] == own[:-1]) & (places[1:] == places[:-1])
        duplicate[here[repeats]] = True
        left = slice(n, n + len(here) - int(np.count_nonzero(repeats)))
        placed[left], run[left], position[left] = here[~repeats], own[~repeats], places[~repeats]
        n = left.stop
    return placed[:n], run[:n], position[:n], duplicate, n_late


def _usable(table: FrameTable, runs: Runs) -> tuple[Ints, npt.NDArray[np.int32], Ints]:
    """Indices, runs and positions of the frames that are not absurd and hold samples."""
    room, n = table.room, len(table)
    n_usable = sum(len(_usable_in(table, runs, block)) for block in blocks_of(n))
    if n_usable == n:
        placed = room.zeros(n)
        for block in blocks_of(n):
            placed[block] = np.arange(block.start, block.stop)
        return placed, runs.run, runs.position
    placed, run, position = room.zeros(n_usable), room.zeros(n_usable, np.int32), room.zeros(n_usable)
    first = 0
    for block in blocks_of(n):
        which = _usable_in(table, runs, block)
        at = slice(first, first + len(which))
        placed[at], run[at], position[at] = which, runs.run[which], runs.position[which]
        first = at.stop
    return placed, run, position


def _usable_in(table: FrameTable, runs: Runs, block: slice) -> Ints:
    usable = ~runs.absurd[block] & (table.n_samples[block] > 0)
    return np.asarray(np.flatnonzero(usable) + block.start)


def _count_late(run: npt.NDArray[np.int32], position: Ints) -> int:
    """Frames that arrived after one that follows them; copies of frames read before are not late."""
    if not len(run):
        return 0
    low, high = int(position.min()), int(position.max())
    # all runs at once: every place of a later run lies above all places of the earlier ones
    place = (position - low) + run.astype(np.int64) * (high - low + 1)
    place = place[np.argsort(run, kind="stable")]
    late = np.zeros(len(place), dtype=bool)
    late[1:] = place[1:] < np.maximum.accumulate(place)[:-1]
    return len(np.setdiff1d(place[late], place[~late]))


def _start_rows(
    table: FrameTable,
    placed: Ints,
    position: Ints,
    begins: Ints,
    counters: Counters,
    counted: bool,
    varies: bool,
) -> Ints:
    """First row of each placed frame; positions are frames where `counted`, else samples.

    Where the size of frames `varies` by the layout, ticks that lie on the samples tell how many are lost.
    """
    if not len(placed):
        return np.zeros(0, dtype=np.int64)
    size, first_size, alike = table.room.zeros(len(placed)), int(table.n_samples[placed[0]]), True
    for block in blocks_of(len(placed)):
        size[block] = table.n_samples[placed[block]]
        alike = alike and bool(np.all(size[block] == first_size))
    lost, n_lost = _gaps(size, position, begins, counted)
    gap = n_lost
    if counted:
        gap = np.rint(n_lost * counters.typical).astype(np.int64)
        exact = counters.slack <= max(counters.per_sample / 2, _LEAST_SLACK)
        if not alike or (varies and exact):
            gap = _gaps_by_ticks(table, placed, lost, gap, n_lost, counters)
        gap = np.maximum(gap, 1)
    for block in blocks_of(len(lost), SCATTERED):
        size[lost[block]] += gap[block]
    return sums_before(size, table.room)


def _gaps(size: Ints, position: Ints, begins: Ints, counted: bool) -> tuple[Ints, Ints]:
    """Behind which frames something is lost, and how much: frames where `counted`, else samples."""
    where, much = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for block in blocks_of(len(position) - 1):
        start, stop = block.start, block.stop
        between = np.diff(position[start : stop + 1])
        between -= 1 if counted else size[block]
        ends = begins[(begins > start) & (begins <= stop)] - 1 - start
        between[ends] = 0
        lost = np.flatnonzero(between > 0)
        where.append(lost + start)
        much.append(between[lost])
    return np.concatenate(where), np.concatenate(much)


def _gaps_by_ticks(
    table: FrameTable, placed: Ints, lost: Ints, gap: Ints, n_lost: Ints, counters: Counters
) -> Ints:
    """Rows lost behind frames of varying size: the typical number, corrected where ticks say otherwise.

    Ticks are believed where so many frames can hold so many rows: one each, up to twice the most seen.
    """
    if counters.rate is None:
        return gap
    here, behind = taken(placed, lost), taken(placed, lost + 1)
    step = (taken(table.ticks, behind) - taken(table.ticks, here)).astype(np.float64)
    rows = (taken(table.n_samples, here) + gap).astype(np.float64)
    excess = counters.rate.excess(step, rows) / counters.rate.per_sample
    corrected = gap + np.rint(excess).astype(np.int64)
    most = 2 * max(int(table.n_samples[placed[block]].max()) for block in blocks_of(len(placed)))
    return np.where((corrected >= n_lost) & (corrected <= n_lost * most), corrected, gap)
