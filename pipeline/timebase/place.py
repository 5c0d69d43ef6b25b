"""From frames as they arrived to rows of one grid."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.frames import Dump, Frames, FrameTable
from pipeline.layouts import Frame, Stream
from pipeline.timebase.by_ticks import find_runs_by_ticks
from pipeline.timebase.clock import nominal_clock, with_clock
from pipeline.timebase.compare import Compare, comparison
from pipeline.timebase.counters import make_counters
from pipeline.timebase.dump_order import order_of_dumps, taken
from pipeline.timebase.grid import Grid, Restart
from pipeline.timebase.jumps import Counters
from pipeline.timebase.runs import Runs, find_runs
from pipeline.timebase.sequence import Ints

_UNBELIEVABLE = 0.5

Bools = npt.NDArray[np.bool_]


def place_frames(frames: Frames) -> Grid:
    """Put every frame in its place: wraps undone, late frames in order, repeated ones out, lost ones open.

    By the sequence number where the layout has one (confirmed by ticks, else by the receiver's stamps), else
    by ticks, else by these stamps, else in the order of arrival. After a restart rows go on directly behind
    the last row.

    Parameters
    ----------
    frames : Frames
        As read; at least one frame.

    Returns
    -------
    Grid
        With its corrected clock. ``n_rows`` stays within 50 times the rows read (or 3000 frames more),
        whatever the counters say.

    References
    ----------
    RFC 3550 A.1 and A.3; RFC 1982.
    """
    return with_clock(place_rows(frames)).grid


def place_rows(frames: Frames) -> Grid:
    """As :func:`place_frames`, without looking at the clock: rows at the nominal rate."""
    order = order_of_dumps(frames)
    if order is not None:
        in_time = _rows_in_order(replace(frames, table=taken(frames.table, order)))
        return _as_listed(in_time, frames, order)
    return _rows_in_order(frames)


def _rows_in_order(frames: Frames) -> Grid:
    """Rows of frames whose dumps are in the order of time."""
    table, stream = frames.table, frames.stream
    counters = make_counters(frames)
    if stream.frame.part("ticks") and (counters.ticks is None or counters.arrival):
        note = "The ticks do not advance with the samples; they were not used."
        frames = replace(frames, notes=(*frames.notes, note))
    runs, counted = _find(stream, counters, comparison(frames))
    if runs.absurd.sum() > _UNBELIEVABLE * len(table):
        counted = False
        what = "sequence numbers" if stream.frame.part("sequence") else "ticks"
        note = f"The {what} of most frames contradict each other; frames were placed in the order of arrival."
        frames = replace(frames, notes=(*frames.notes, note))
        runs = in_order(table.n_samples)
    return make_grid(frames, runs, counters, counted)


def _as_listed(grid: Grid, frames: Frames, order: Ints) -> Grid:
    """The same grid with its frames as they were read: the dumps in the order of the sessions table."""
    duplicate, absurd = np.zeros(len(order), dtype=bool), np.zeros(len(order), dtype=bool)
    duplicate[order], absurd[order] = grid.duplicate, grid.absurd
    listed = replace(frames, notes=grid.frames.notes)
    return replace(grid, frames=listed, placed=order[grid.placed], duplicate=duplicate, absurd=absurd)


def _find(stream: Stream, counters: Counters, compare: Compare) -> tuple[Runs, bool]:
    if stream.frame.part("sequence"):
        return find_runs(counters, compare), True
    if counters.ticks is not None:
        return find_runs_by_ticks(counters, compare), False
    return in_order(counters.n_samples), False


def in_order(n_samples: Ints) -> Runs:
    """One run in the order of arrival, positions in samples."""
    n, begin = len(n_samples), np.cumsum(n_samples) - n_samples
    return Runs(np.zeros(n, dtype=np.int32), begin, np.zeros(n, dtype=bool), [])


def _ordered(table: FrameTable, runs: Runs) -> tuple[Ints, npt.NDArray[np.int32], Ints, Bools, int]:
    """Index, run and position of the first frame of each place, in order; repeats; how many are late."""
    usable = ~runs.absurd & (table.n_samples > 0)
    placed = np.flatnonzero(usable)
    everything = len(placed) == len(usable)
    run, position = (runs.run, runs.position) if everything else (runs.run[usable], runs.position[usable])
    duplicate = np.zeros(len(table), dtype=bool)
    new_run = run[1:] != run[:-1]
    if np.all(new_run | (position[1:] > position[:-1])) and np.all(run[1:] >= run[:-1]):
        return placed, run, position, duplicate, 0
    n_late = _count_late(run, position)
    order = np.lexsort((position, run))
    placed, run, position = placed[order], run[order], position[order]
    repeats = np.zeros(len(placed), dtype=bool)
    repeats[1:] = (run[1:] == run[:-1]) & (position[1:] == position[:-1])
    if np.any(repeats):
        duplicate[placed[repeats]] = True
        placed, run, position = placed[~repeats], run[~repeats], position[~repeats]
    return placed, run, position, duplicate, n_late


def make_grid(frames: Frames, runs: Runs, counters: Counters, counted: bool) -> Grid:
    """The grid of frames whose runs and positions are known; positions are frames where `counted`."""
    table = frames.table
    placed, run, position, duplicate, n_late = _ordered(table, runs)
    begins = np.flatnonzero(np.diff(run, prepend=-1) != 0)
    start_row = _start_rows(table, placed, position, begins, counters, counted)
    n_rows = int(start_row[-1] + table.n_samples[placed[-1]]) if len(placed) else 0
    ends = np.append(begins[1:], len(placed)) - 1
    n_expected = int((position[ends] - position[begins] + 1).sum()) if counted and len(placed) else 0
    reasons = zip(begins[1:].tolist(), runs.reasons, strict=False)
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
        restarts=tuple(Restart(int(start_row[begin]), reason) for begin, reason in reasons),
        absurd=runs.absurd,
        rate=None if counters.arrival else counters.rate,
    )


def _count_late(run: npt.NDArray[np.int32], position: Ints) -> int:
    """Frames that arrived after one that follows them; copies of frames read before are not late."""
    if not len(run):
        return 0
    late = 0
    for which in np.unique(run).tolist() if run.max() > 0 else [0]:
        mine = position[run == which] if run.max() > 0 else position
        highest = np.maximum.accumulate(mine)
        behind = np.flatnonzero(mine[1:] < highest[:-1]) + 1
        if len(behind):
            ahead_of_time = np.ones(len(mine), dtype=bool)
            ahead_of_time[behind] = False
            late += len(np.setdiff1d(mine[behind], mine[ahead_of_time]))
    return late


def _start_rows(
    table: FrameTable, placed: Ints, position: Ints, begins: Ints, counters: Counters, counted: bool
) -> Ints:
    """First row of each placed frame; positions are frames where `counted`, else samples."""
    if not len(placed):
        return np.zeros(0, dtype=np.int64)
    size = table.n_samples[placed]
    between = np.diff(position)
    between -= 1 if counted else size[:-1]
    between[begins[1:] - 1] = 0
    lost = np.flatnonzero(between > 0)
    gap = between[lost]
    if counted:
        gap = np.rint(gap * counters.typical).astype(np.int64)
        if np.any(size != size[0]):
            gap = _gaps_by_ticks(table, placed, lost, gap, counters)
        gap = np.maximum(gap, 1)
    del between
    size[lost] += gap
    rows = np.cumsum(size)
    rows -= size
    return rows


def _gaps_by_ticks(table: FrameTable, placed: Ints, lost: Ints, gap: Ints, counters: Counters) -> Ints:
    """Rows lost behind frames of varying size: the typical number, corrected where ticks say otherwise."""
    if counters.rate is None:
        return gap
    here, behind = placed[lost], placed[lost + 1]
    step = (table.ticks[behind] - table.ticks[here]).astype(np.float64)
    rows = (table.n_samples[here] + gap).astype(np.float64)
    excess = counters.rate.excess(step, rows) / counters.rate.per_sample
    corrected = gap + np.rint(excess).astype(np.int64)
    return np.where(np.abs(excess) <= 0.5 * gap + 1, np.maximum(corrected, 0), gap)


def final_ledgers(grids: Sequence[Grid]) -> tuple[Dump, ...]:
    """The dumps' entries once the grids are known: repeated frames count as such, absurd ones as damaged.

    Parameters
    ----------
    grids : sequence of Grid
        Of the streams of one reading; streams of one kind of frame share their bytes, which count once.
    """
    dumps = list(grids[0].frames.dumps)
    kinds = list[Frame]()
    for grid in grids:
        if any(grid.frames.stream.frame is kind for kind in kinds):
            continue
        kinds.append(grid.frames.stream.frame)
        _settle(dumps, grid)
    return tuple(dumps)


def _settle(dumps: list[Dump], grid: Grid) -> None:
    table, n = grid.frames.table, len(dumps)
    repeated = np.bincount(table.dump[grid.duplicate], weights=table.n_bytes[grid.duplicate], minlength=n)
    absurd = np.bincount(table.dump[grid.absurd], weights=table.n_bytes[grid.absurd], minlength=n)
    n_absurd = np.bincount(table.dump[grid.absurd], minlength=n)
    for i, dump in enumerate(dumps):
        again, wrong = int(repeated[i]), int(absurd[i])
        ledger = replace(
            dump.ledger,
            decoded=dump.ledger.decoded - again - wrong,
            duplicate=dump.ledger.duplicate + again,
            damaged=dump.ledger.damaged + wrong,
        )
        dumps[i] = replace(dump, ledger=ledger, n_damaged_frames=dump.n_damaged_frames + int(n_absurd[i]))
