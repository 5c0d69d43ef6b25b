"""Grids of other streams on the clock of the main stream."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from pipeline.frames.room import blocks_of, taken
from pipeline.timebase.grid import Clock, ClockBreak, Grid, JoinedGrid, Restart
from pipeline.timebase.knots import fit_piece, increasing, joined
from pipeline.timebase.sequence import Floats, Ints
from pipeline.timebase.skew import lines_under, slope_uncertainty
from pipeline.timebase.times import Seconds

_LEAST_CUT_S = 0.25
_CUT_PERIODS = 3
_LEAST_OFF_S = 0.1
_LONG_S = 60.0
_FEWEST = 8
_ERRORS = 3.0
_MOST_KEPT = 1 << 20
_MOST_JUMPS = 100_000
_GOLDEN = (5**0.5 - 1) / 2


def alongside(grid: Grid, lead: Grid) -> Grid:
    """The grid of another stream of the same kind of frame as `lead`, which has its clock.

    The first samples of both are taken at the same time in every frame.
    """
    common, mine, theirs = np.intersect1d(grid.placed, lead.placed, assume_unique=True, return_indices=True)
    if not len(common):
        return grid
    own, other = np.sort(grid.start_row[mine]), np.sort(lead.start_row[theirs])
    ratio = grid.sample_hz / lead.sample_hz
    row = drawn_out(lead.clock.knot_row, other.astype(np.float64), own.astype(np.float64), ratio)
    row, first = np.unique(row, return_index=True)
    clock = lead.clock
    rate_hz = clock.rate_hz * grid.n_rows / lead.n_rows if clock.rate_hz else None

    def at(lead_row: int) -> int:
        return int(own[min(int(np.searchsorted(other, lead_row)), len(own) - 1)])

    off = {at(restart.row): restart.off_s for restart in lead.restarts}
    return replace(
        grid,
        clock=Clock(clock.source, row, clock.knot_s[first], rate_hz, clock.residual_s),
        restarts=tuple(replace(restart, off_s=off.get(restart.row)) for restart in grid.restarts),
        breaks=tuple(replace(pause, row=at(pause.row)) for pause in lead.breaks),
        steps=tuple(replace(step, row=at(step.row)) for step in lead.steps),
    )


def drawn_out(x: Floats, known_x: Floats, known_y: Floats, slope: float) -> Floats:
    """Linear between what is known; with the `slope` given beyond it."""
    y = np.interp(x, known_x, known_y)
    y += slope * (np.minimum(x - known_x[0], 0.0) + np.maximum(x - known_x[-1], 0.0))
    return y


def rows_at(clock: Clock, second: Floats) -> Floats:
    """The rows, in fractions, that were sampled at given seconds."""
    rate_hz = clock.rate_hz or (clock.knot_row[-1] - clock.knot_row[0]) / (clock.knot_s[-1] - clock.knot_s[0])
    return drawn_out(second, clock.knot_s, clock.knot_row, rate_hz)


def timed(grid: Grid, seconds: Seconds, main: Grid | JoinedGrid) -> Grid:
    """The grid of frames of another kind on the clock of the main grid.

    Parameters
    ----------
    grid : Grid
        Frames in their places; its own clock is not looked at.
    seconds : Seconds
        Of its placed frames, in their order.
    main : Grid
        With the corrected clock.
    """
    fast = (main.clock.rate_hz or main.sample_hz) / main.sample_hz
    period = 1 / (grid.sample_hz * fast)
    row, second, period, residual_s = (_by_ticks if seconds.by == "ticks" else _by_delays)(
        *_thinned(grid, seconds, period), main, period
    )
    clock = Clock(main.clock.source, row, second, 1 / period, residual_s)
    restarts = tuple(_with_off(clock, restart, period) for restart in grid.restarts)
    breaks = list[ClockBreak]()
    for pause in main.breaks:
        at_s = float(main.clock.time_s(np.array([pause.row], dtype=np.int64))[0])
        at_row = int(np.ceil(rows_at(clock, np.array([at_s - pause.gap_s / 2]))[0]))
        if 0 < at_row < grid.n_rows:
            breaks.append(replace(pause, row=at_row))
    return replace(grid, clock=clock, restarts=restarts, breaks=tuple(breaks))


def _thinned(grid: Grid, seconds: Seconds, period: float) -> tuple[Grid, Seconds]:
    """Of many frames every so many one, and those beside jumps and restarts: enough for a clock."""
    n = len(grid.placed)
    if n <= _MOST_KEPT:
        return grid, seconds
    begins = np.searchsorted(grid.start_row, [restart.row for restart in grid.restarts]).astype(np.int64)
    jumps = [begins]
    for block in blocks_of(n - 1):
        own = slice(block.start, block.stop + 1)
        excess = np.diff(seconds.second[own]) - np.diff(grid.start_row[own]) * period
        far = (np.abs(excess) > _LEAST_CUT_S) | (np.diff(seconds.run[own]) != 0)
        jumps.append(np.flatnonzero(far) + block.start + 1)
    jump = np.concatenate(jumps)[:_MOST_JUMPS]
    # Not at one distance: where frames of two kinds arrive in a pattern, that would be of one place in it.
    step, nth = n // _MOST_KEPT + 1, np.arange(n // (n // _MOST_KEPT + 1))
    some = nth * step + (nth * _GOLDEN % 1 * step).astype(np.int64)
    kept = np.unique(np.concatenate(([0], some, jump - 1, jump, [n - 1])))
    kept = kept[(kept >= 0) & (kept < n)]
    thin = replace(grid, placed=taken(grid.placed, kept), start_row=taken(grid.start_row, kept))
    second, run, room_s = (taken(own, kept) for own in (seconds.second, seconds.run, seconds.room_s))
    return thin, replace(seconds, second=second, run=run, room_s=room_s)


def _with_off(clock: Clock, restart: Restart, period: float) -> Restart:
    before, behind = clock.time_s(np.array([restart.row - 1, restart.row], dtype=np.int64)).tolist()
    off_s = behind - before - period
    return replace(restart, off_s=off_s) if off_s > _LEAST_OFF_S else restart


def _edges(grid: Grid, seconds: Seconds, cut: Ints) -> list[int]:
    """Where stretches of frames begin and end: at restarts of either stream, and at `cut`."""
    begins = np.searchsorted(grid.start_row, [restart.row for restart in grid.restarts])
    other = np.flatnonzero(np.diff(seconds.run)) + 1
    inner = np.unique(np.concatenate((begins, other, cut)).astype(np.int64))
    return [0, *inner[(inner > 0) & (inner < len(grid.placed))].tolist(), len(grid.placed)]


def _by_ticks(
    grid: Grid, seconds: Seconds, main: Grid | JoinedGrid, period: float
) -> tuple[Floats, Floats, float, float]:
    """Knots, seconds from row to row, and the largest distance of a stamp."""
    row = grid.start_row.astype(np.float64)
    second = _whole_wraps(row, seconds, period)
    if len(row) > _FEWEST:
        measured = float(np.median(np.diff(second) / np.diff(row)))
        period = measured if measured > 0 else period  # ticks that go back tell no rate
    excess = np.diff(second) - np.diff(row) * period
    far = np.abs(excess) > max(_LEAST_CUT_S, _CUT_PERIODS * period)
    edges = _edges(grid, seconds, np.flatnonzero(far) + 1)
    bound = 0.5 / main.sample_hz
    pieces = [fit_piece(row[a:b], second[a:b], period, bound) for a, b in pairwise(edges)]
    none = np.zeros(len(pieces), dtype=bool)
    knot_row, knot_s = joined(pieces, 0.0, float(max(grid.n_rows - 1, 1)), none, period)
    long = [piece for piece in pieces if piece.n_stamps > _FEWEST]
    if long:
        rows = sum(piece.row[-1] - piece.row[0] for piece in long)
        period = float(sum(piece.second[-1] - piece.second[0] for piece in long) / rows)
    return knot_row, knot_s, period, max(piece.residual_s for piece in pieces)


def _whole_wraps(row: Floats, seconds: Seconds, period: float) -> Floats:
    """Seconds of frames between main frames so far apart that ticks may have wrapped: their rows tell."""
    if not seconds.wraps_s:
        return seconds.second
    near = seconds.room_s < seconds.wraps_s / 2
    if np.all(near) or not np.any(near):
        return seconds.second
    ahead = seconds.second - row * period
    likely = np.interp(row, row[near], ahead[near]) + row * period
    wraps = np.rint((likely - seconds.second) / seconds.wraps_s)
    return np.where(near, seconds.second, seconds.second + wraps * seconds.wraps_s)


def _by_delays(
    grid: Grid, seconds: Seconds, main: Grid | JoinedGrid, period: float
) -> tuple[Floats, Floats, float, float]:
    """The same for ends of frames that are known up to delays: a line for each stretch, all of one slope."""
    size = grid.frames.table.n_samples[grid.placed]
    x: Floats = np.asarray((grid.start_row + size) * period)
    y = seconds.second
    pause_s = np.array([pause.gap_s for pause in main.breaks])
    pauses = main.clock.time_s(np.array([pause.row for pause in main.breaks], dtype=np.int64)) - pause_s / 2
    edges = _edges(grid, seconds, np.flatnonzero(np.diff(np.searchsorted(pauses, y))) + 1)
    stretches = [(x[a:b], y[a:b]) for a, b in pairwise(edges)]
    slope, error = _slope_under(stretches) if seconds.by == "stamps" else _slope_through(stretches)
    # time goes on, whatever few wrong frames say
    if slope <= 0 or abs(slope - 1) < _ERRORS * error or x[-1] - x[0] < _LONG_S:
        slope = 1.0
    rows, found, residual_s = list[Floats](), list[Floats](), 0.0
    for k, (a, b) in enumerate(pairwise(edges)):
        level = y[a:b] - slope * x[a:b]
        at = float(level.min() if seconds.by == "stamps" else np.median(level))
        residual_s = max(residual_s, float(np.quantile(np.abs(level - at), 0.5)))
        until = float(grid.start_row[b] - 1) if b < len(x) else float(max(grid.n_rows - 1, 1))
        ends = np.unique([0.0 if k == 0 else float(grid.start_row[a]), until])
        rows.append(ends)
        found.append(slope * ends * period + at)
    row, second = np.concatenate(rows), np.concatenate(found)
    return row, increasing(row, second, period * slope), period * slope, residual_s


def _slope_under(stretches: list[tuple[Floats, Floats]]) -> tuple[float, float]:
    lines, error = lines_under(stretches), slope_uncertainty(stretches, 0.0)
    return (lines.slope, error) if lines is not None and error is not None else (1.0, 1.0)


def _slope_through(stretches: list[tuple[Floats, Floats]]) -> tuple[float, float]:
    """Least squares with one slope for all stretches, and its standard error."""
    dx = np.concatenate([x - x.mean() for x, _ in stretches])
    dy = np.concatenate([y - y.mean() for _, y in stretches])
    square = float(dx @ dx)
    if square <= 0 or len(dx) <= _FEWEST:
        return 1.0, 1.0
    slope = float(dx @ dy) / square
    return slope, float(np.std(dy - slope * dx)) / np.sqrt(square)
