"""The main recording as long as the session: from the first sample of any recording to the last."""

from dataclasses import replace

import numpy as np

from pipeline.timebase.aligned import rows_at
from pipeline.timebase.events import Events
from pipeline.timebase.grid import Clock, Grid, JoinedGrid
from pipeline.timebase.session import Placing

LEAST_S = 1.0
"""Recordings whose ends are apart by less begin, or end, together: frames of two kinds never do to the
sample."""

_ROOM = 1.1


def spanned(placing: Placing) -> Placing:
    """Add rows of lost samples to the main recording where another one began earlier or went on for longer.

    The accelerometer, say, is the faster one and fails after ten minutes, and the field goes on. Channels of
    neither field nor acceleration (a temperature) add none, nor does time in which that other recording has
    a pause: how long the device was off is no number of samples.
    """
    main = placing.main
    others = [grid for grid in placing.grids[1:] if grid.n_rows and _is_judged(grid)]
    if not others or not main.n_rows:
        return placing
    before, after = max(_before(main, grid) for grid in others), max(_after(main, grid) for grid in others)
    if not before and not after:
        return placing
    shift_s = -float(main.clock.time_s(np.array([-before]))[0])
    longer = _longer(main, before, after, shift_s)
    grids = tuple(replace(grid, clock=_later(grid.clock, 0, shift_s)) for grid in placing.grids[1:])
    return replace(
        placing,
        grids=(longer, *grids),
        events=tuple(_moved(events, longer, shift_s) for events in placing.events),
        device_start_s=None if placing.device_start_s is None else placing.device_start_s - shift_s,
        receiver_start_s=None if placing.receiver_start_s is None else placing.receiver_start_s - shift_s,
    )


def _is_judged(grid: Grid | JoinedGrid) -> bool:
    return any(channel.kind != "other" for channel in grid.channels)


def _before(main: Grid | JoinedGrid, other: Grid | JoinedGrid) -> int:
    """Rows of the main grid between the other's first sample and its own."""
    begin_s = float(other.clock.time_s(np.array([0]))[0])
    n_there = float(rows_at(other.clock, main.clock.time_s(np.array([0.0])))[0])
    return _rows(main, -begin_s, n_there / _rate_hz(other))


def _after(main: Grid | JoinedGrid, other: Grid | JoinedGrid) -> int:
    """Rows of the main grid between the end of its last sample and that of the other's."""
    stop_s, other_stop_s = (
        float(grid.clock.time_s(np.array([grid.n_rows - 1]))[0]) + 1 / _rate_hz(grid)
        for grid in (main, other)
    )
    n_there = other.n_rows - float(rows_at(other.clock, np.array([stop_s]))[0])
    return _rows(main, other_stop_s - stop_s, n_there / _rate_hz(other))


def _rows(main: Grid | JoinedGrid, apart_s: float, sampled_s: float) -> int:
    """How many rows fill the time that two ends are apart, of which the other sampled so much."""
    if apart_s < LEAST_S or apart_s > _ROOM * sampled_s:
        return 0
    return round(apart_s * _rate_hz(main))


def _rate_hz(grid: Grid | JoinedGrid) -> float:
    return grid.clock.rate_hz or grid.sample_hz


def _longer(main: Grid | JoinedGrid, before: int, after: int, shift_s: float) -> Grid | JoinedGrid:
    """The main grid with so many rows before and after its own, its row 0 at second 0."""
    whole = replace(
        main,
        n_rows=main.n_rows + before + after,
        clock=_later(main.clock, before, shift_s),
        restarts=tuple(replace(began, row=began.row + before) for began in main.restarts),
        breaks=tuple(replace(pause, row=pause.row + before) for pause in main.breaks),
        steps=tuple(replace(step, row=step.row + before) for step in main.steps),
    )
    if isinstance(whole, Grid):
        return replace(whole, start_row=whole.start_row + before)
    parts = tuple(
        replace(part, start_row=part.start_row + before, n_rows=whole.n_rows) for part in whole.parts
    )
    return replace(whole, parts=parts)


def _later(clock: Clock, rows: int, seconds: float) -> Clock:
    offset_s = None if clock.offset_s is None else clock.offset_s - seconds
    return replace(clock, knot_row=clock.knot_row + rows, knot_s=clock.knot_s + seconds, offset_s=offset_s)


def _moved(events: Events, main: Grid | JoinedGrid, seconds: float) -> Events:
    time_s = events.time_s + seconds
    row = np.clip(np.rint(rows_at(main.clock, time_s)), 0, main.n_rows - 1).astype(np.int64)
    return replace(events, time_s=time_s, row=row)
