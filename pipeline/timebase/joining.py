"""Kinds of frame at one nominal rate put on the same rows, where they run alike."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from pipeline.timebase.aligned import rows_at
from pipeline.timebase.clock import with_clock
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.sequence import Floats, Ints
from pipeline.timebase.stamps import Stamps
from pipeline.timebase.weave import Segment, Woven, moved, weave

MOST_APART_ROWS = 0.5
"""By how much the rows of two kinds may drift apart over a session that are put into one grid."""

_ALMOST_ALL = 0.99


def join_kind(base: Grid | JoinedGrid, other: Grid, run: Ints | None = None) -> JoinedGrid | None:
    """Put the rows of another kind of frame at the nearest rows of a grid.

    Parameters
    ----------
    base : Grid or JoinedGrid
        On the corrected clock.
    other : Grid
        On the same clock, of the same nominal rate.
    run : int64, shape (m,), or None
        Between which restarts of the base each placed frame of the other lies; by their seconds where None.

    Returns
    -------
    JoinedGrid or None
        None where the rates of the two do not agree to half a sample over the session.
    """
    second = other.clock.time_s(other.start_row)
    apart = rows_at(base.clock, second) - other.start_row
    offset = _common_fraction(apart)
    segments = _segments(base, other, apart - offset, run)
    if segments is None:
        return None
    woven = weave(base.n_rows, base.restarts, segments, other.restarts)
    if woven is None:
        return None
    moved_other = moved(other, woven.other, woven)
    delayed = replace(moved_other, delay_s=offset / (base.clock.rate_hz or base.sample_hz))
    joined = woven_grid(base, [*(moved(part, woven.base, woven) for part in base.parts), delayed], woven)
    return replace(
        joined,
        n_lost_frames=base.n_lost_frames + other.n_lost_frames,
        n_expected_frames=base.n_expected_frames + other.n_expected_frames,
    )


def woven_grid(base: Grid | JoinedGrid, parts: Sequence[Grid], woven: Woven) -> JoinedGrid:
    """Parts on the rows of the whole, with what is known of the base on these rows."""
    at = woven.base.row_of
    which = np.searchsorted(woven.base.begin, base.clock.knot_row, side="right") - 1
    knot_row = base.clock.knot_row + woven.base.by[np.maximum(which, 0)]
    off = {at(restart.row): restart.off_s for restart in base.restarts}
    return JoinedGrid(
        tuple(parts),
        woven.n_rows,
        replace(base.clock, knot_row=knot_row),
        restarts=tuple(replace(restart, off_s=off.get(restart.row)) for restart in woven.restarts),
        breaks=tuple(replace(pause, row=at(pause.row)) for pause in base.breaks),
        steps=tuple(replace(step, row=at(step.row)) for step in base.steps),
    )


def retimed(
    joined: JoinedGrid, stamps: Stamps | None = None, ticked: Grid | None = None
) -> tuple[JoinedGrid, float | None]:
    """A joined grid with the corrected clock on all its rows.

    Parameters
    ----------
    joined : JoinedGrid
        Its own clock is not looked at.
    stamps : Stamps or None
        The receiver's, on its rows; those of the first part where None is given.
    ticked : Grid or None
        Frames on its rows whose ticks count; those of the first part where None is given.

    Returns
    -------
    JoinedGrid
        The same rows.
    float or None
        The second since 1970 of row 0 by the receiver.
    """
    timed = with_clock(replace(ticked or joined.parts[0], restarts=joined.restarts), stamps)
    grid = timed.grid
    whole = replace(joined, clock=grid.clock, restarts=grid.restarts, breaks=grid.breaks, steps=grid.steps)
    return whole, timed.receiver_start_s


def _common_fraction(apart: Floats) -> float:
    """The part of a row by which the other's rows come later, as all of them say; from -0.5 to 0.5."""
    turn = np.exp(2j * np.pi * apart).mean()
    return float(np.angle(turn) / (2 * np.pi))


def _segments(base: Grid | JoinedGrid, other: Grid, apart: Floats, run: Ints | None) -> list[Segment] | None:
    """Runs of the other's rows with the whole rows that they are apart by; None where that is not steady."""
    if run is None:
        middle = other.start_row + apart
        run = np.searchsorted([restart.row for restart in base.restarts], middle, side="right")
    own = np.searchsorted([restart.row for restart in other.restarts], other.start_row, side="right")
    cuts = np.flatnonzero((np.diff(run) != 0) | (np.diff(own) != 0)) + 1
    segments = list[Segment]()
    size = other.frames.table.n_samples[other.placed]
    for a, b in pairwise([0, *cuts.tolist(), len(apart)]):
        delta = round(float(np.median(apart[a:b])))
        if float(np.quantile(np.abs(apart[a:b] - delta), _ALMOST_ALL)) > MOST_APART_ROWS:
            return None
        stop = int(other.start_row[b - 1] + size[b - 1])
        segments.append(Segment(int(other.start_row[a]), stop, int(run[a]), delta))
    return segments
