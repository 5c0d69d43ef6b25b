"""From frames as they arrived to rows of one grid."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.frames import Dump, Frames, FrameTable
from pipeline.layouts import Frame, Stream
from pipeline.timebase.by_ticks import find_runs_by_ticks
from pipeline.timebase.clock import make_clock
from pipeline.timebase.grid import Grid, Restart
from pipeline.timebase.runs import MAX_DROPOUT, Counters, Runs, find_runs
from pipeline.timebase.sequence import Ints, TickRate, measure_tick_rate, signed_difference

_LONGEST_GAP_S = 86_400.0
_MOST_ROWS_PER_READ = 50
_UNBELIEVABLE = 0.5
_ENOUGH_STEPS = 8
_LEAST_SLACK = 2.0
_MOST_JITTER_FRAMES = 32

Bools = npt.NDArray[np.bool_]


def place_frames(frames: Frames) -> Grid:
    """Put every frame in its place: wraps undone, late frames in order, repeated ones out, lost ones open.

    By the sequence number where the layout has one (confirmed by ticks), else by ticks, else in the order of
    arrival. After a restart rows go on directly behind the last row.

    Parameters
    ----------
    frames : Frames
        As read; at least one frame.

    Returns
    -------
    Grid
        ``n_rows`` stays within 50 times the rows read (or 3000 frames more), whatever the counters say.

    References
    ----------
    RFC 3550 A.1 and A.3; RFC 1982.
    """
    table, stream = frames.table, frames.stream
    counters = _counters(table, stream, frames.layout.tick_hz)
    if stream.frame.part("ticks") and counters.ticks is None:
        note = "The ticks do not advance with the samples; they were not used."
        frames = replace(frames, notes=(*frames.notes, note))
    same = _same_samples(frames)
    runs, counted = _find(table, stream, counters, same)
    if runs.absurd.sum() > _UNBELIEVABLE * len(table):
        counted = False
        what = "sequence numbers" if stream.frame.part("sequence") else "ticks"
        note = f"The {what} of most frames contradict each other; frames were placed in the order of arrival."
        frames = replace(frames, notes=(*frames.notes, note))
        runs = _in_order(table)
    return _grid(frames, runs, counters, counted)


def _find(
    table: FrameTable, stream: Stream, counters: Counters, same: Callable[[int, int], bool]
) -> tuple[Runs, bool]:
    if stream.frame.part("sequence"):
        return find_runs(counters, same), True
    if counters.ticks is not None:
        return find_runs_by_ticks(counters, same), False
    return _in_order(table), False


def _in_order(table: FrameTable) -> Runs:
    n = len(table)
    begin = np.cumsum(table.n_samples) - table.n_samples
    return Runs(np.zeros(n, dtype=np.int32), begin, np.zeros(n, dtype=bool), [])


def _counters(table: FrameTable, stream: Stream, tick_hz: float | None) -> Counters:
    sequence, ticks = stream.frame.part("sequence"), stream.frame.part("ticks")
    typical = float(np.median(table.n_samples)) if len(table) else 0.0
    typical = max(typical, 1.0)
    bits = sequence.wraps_at_bits if sequence else 0
    unit, rate = 1, None
    step = signed_difference(table.sequence[1:], table.sequence[:-1], bits) if sequence else None
    tick_hz = tick_hz or 0.0
    if step is not None:
        unit = _unit_of(step, int(typical))
    if ticks:
        follows = np.ones(len(table) - 1, dtype=bool) if step is None else step == unit
        nominal = tick_hz / stream.sample_hz
        rate = measure_tick_rate(table.ticks, table.n_samples, follows, nominal, ticks.wraps_at_bits)
        if unit > 1 and abs(rate.per_sample / nominal - 1) > 0.25:
            # every so many frames one arrived; the counter counts frames all the same
            unit, follows = 1, step == 1 if step is not None else follows
            rate = measure_tick_rate(table.ticks, table.n_samples, follows, nominal, ticks.wraps_at_bits)
    slack = _slack(table, rate, follows, typical) if rate else _LEAST_SLACK
    if slack is None:
        rate = None
    day = int(_LONGEST_GAP_S * stream.sample_hz / typical)
    budget = max(_MOST_ROWS_PER_READ * len(table), MAX_DROPOUT)
    return Counters(
        sequence=table.sequence,
        bits=bits,
        unit=unit,
        ticks=table.ticks if rate else None,
        rate=rate,
        tick_hz=tick_hz,
        n_samples=table.n_samples,
        typical=typical,
        limit=max(1, min(day, budget)),
        budget=budget,
        slack=slack or _LEAST_SLACK,
    )


def _slack(table: FrameTable, rate: TickRate, follows: Bools, typical: float) -> float | None:
    """By how many ticks stamps are off where frames follow each other; None where ticks follow nothing."""
    which = np.flatnonzero(follows)
    if len(which) < _ENOUGH_STEPS:
        return _LEAST_SLACK
    excess = np.abs(rate.excess_of_steps(table.ticks, table.n_samples[:-1]))
    excess = excess if len(which) == len(excess) else excess[which]
    frame = typical * rate.per_sample
    most = min(_MOST_JITTER_FRAMES * frame, rate.modulus / 8 or np.inf)
    slack = min(max(_LEAST_SLACK, float(np.quantile(excess, 0.98))), most)
    return slack if (excess <= 0.45 * frame + slack).mean() > 0.5 else None


def _unit_of(step: Ints, typical: int) -> int:
    """1 where the sequence counts frames, the samples of a frame where it counts samples."""
    if typical > 1 and len(step) >= _ENOUGH_STEPS and (step == typical).sum() > 0.5 * len(step):
        return typical
    return 1


def _same_samples(frames: Frames) -> Callable[[int, int], bool]:
    table = frames.table

    def same(first: int, second: int) -> bool:
        n = int(table.n_samples[first])
        if n != table.n_samples[second]:
            return False
        rows = [int(table.first_row[i]) for i in (first, second)]
        one, other = (frames.counts.read(row, row + n) for row in rows)
        return bool(np.array_equal(one, other)) and (n < 2 or bool(np.any(one != one[:1])))

    return same


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


def _grid(frames: Frames, runs: Runs, counters: Counters, counted: bool) -> Grid:
    table = frames.table
    placed, run, position, duplicate, n_late = _ordered(table, runs)
    begins = np.flatnonzero(np.diff(run, prepend=-1) != 0)
    start_row = _start_rows(table, placed, position, begins, counters, counted)
    n_rows = int(start_row[-1] + table.n_samples[placed[-1]]) if len(placed) else 0
    ends = np.append(begins[1:], len(placed)) - 1
    n_expected = int((position[ends] - position[begins] + 1).sum()) if counted and len(placed) else 0
    absurd, reasons = runs.absurd, runs.reasons
    # a day of frames has tens of megabytes of positions, which the clock has no use for
    del run, position
    runs.position = np.zeros(0, dtype=np.int64)
    clock, breaks = make_clock(frames, placed, start_row, begins, n_rows, counters.rate)
    return Grid(
        frames=frames,
        placed=placed,
        start_row=start_row,
        n_rows=n_rows,
        duplicate=duplicate,
        clock=clock,
        n_late=n_late,
        n_lost_frames=n_expected - len(placed) if counted else 0,
        n_expected_frames=n_expected,
        restarts=tuple(
            Restart(int(start_row[begin]), reason)
            for begin, reason in zip(begins[1:].tolist(), reasons, strict=False)
        ),
        breaks=breaks,
        absurd=absurd,
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
