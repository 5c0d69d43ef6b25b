"""Seconds of the device: when each row was sampled by its own ticks, else by the nominal rate."""

from dataclasses import dataclass

import numpy as np

from pipeline.frames import Frames
from pipeline.layouts import Part
from pipeline.timebase.grid import ClockBreak, ClockSource, ClockStep, Grid
from pipeline.timebase.knots import fit_piece, joined
from pipeline.timebase.levels import NEAR, Levels, measure_levels
from pipeline.timebase.sequence import Bools, Floats, Ints, TickRate

_PAUSE_S = 0.5
_PAUSE_PERIODS = 3
_JITTERS = 5


@dataclass(frozen=True)
class DeviceTime:
    """Seconds since row 0 as the device counts them, piecewise linear through knots.

    Attributes
    ----------
    source : str
        'ticks' or 'nominal'.
    knot_row, knot_s : float64, shape (k,)
        Strictly increasing. Where the device began anew, the first row comes one period after the last,
        unless its ticks are those of a calendar.
    period_s : float
        From row to row, as measured.
    residual_s : float or None
        Largest distance of a stamp; None where there are none.
    breaks, steps :
        Pauses, which are in the seconds; ticks that were set back, which is not.
    wraps_s : float
        After how long the ticks wrap; 0 where they do not.
    jumps : tuple of (row, seconds)
        Wherever the ticks jump against the sequence, however little, and stay there.
    """

    source: ClockSource
    knot_row: Floats
    knot_s: Floats
    period_s: float
    residual_s: float | None = None
    breaks: tuple[ClockBreak, ...] = ()
    steps: tuple[ClockStep, ...] = ()
    wraps_s: float = 0.0
    jumps: tuple[tuple[int, float], ...] = ()

    def at(self, rows: Ints | Floats) -> Floats:
        """Seconds of rows within the grid."""
        return np.interp(rows, self.knot_row, self.knot_s)


def nominal_time(n_rows: int, sample_hz: float) -> DeviceTime:
    """Rows at the nominal rate."""
    last = max(n_rows - 1, 1)
    return DeviceTime("nominal", np.array([0.0, last]), np.array([0.0, last / sample_hz]), 1 / sample_hz)


def is_calendar(part: Part | None) -> bool:
    """Whether ticks go on while the device is off: what they count from is known."""
    return part is not None and part.is_ == "ticks" and part.epoch_s is not None


def ticks_hz(frames: Frames) -> float:
    """Ticks in a second by the layout; 0 where the kind of frame has none."""
    part = frames.stream.frame.part("ticks")
    return (part.hz or frames.layout.tick_hz or 0.0) if part else 0.0


def device_time(grid: Grid) -> DeviceTime:
    """When each row of a grid was sampled, by the ticks of its frames.

    Parameters
    ----------
    grid : Grid
        Ticks stamp the first sample of each frame. Its clock is not looked at.

    Returns
    -------
    DeviceTime
        One line for each run between restarts where its stamps lie within a sample period or two ticks of
        it, else linear between knots 10 s apart. A pause is where ticks went on against the sequence, and
        stayed there, by more than half a second and by more than three sample periods beyond their jitter.
    """
    tick_hz, rate, placed = ticks_hz(grid.frames), grid.rate, grid.placed
    if rate is None or not tick_hz or len(placed) < 2:
        return nominal_time(grid.n_rows, grid.sample_hz)
    begins = np.unique(np.searchsorted(grid.start_row, [restart.row for restart in grid.restarts]))
    begins = begins[(begins > 0) & (begins < len(placed))]
    goes_on = is_calendar(grid.frames.stream.frame.part("ticks"))
    anew = begins[~_went_on(grid, begins, rate)] if goes_on else begins
    levels = measure_levels(grid.frames.table.ticks, placed, grid.start_row, begins, anew, rate)
    stretches, pauses, steps, jumps = _stretches(levels, begins, rate, tick_hz)
    period = rate.per_sample / tick_hz
    bound = max(period, 2 / tick_hz)
    pieces = [fit_piece(row.astype(np.float64), second, period, bound) for row, second in stretches]
    measured = [piece for piece in pieces if piece.n_stamps >= 2]
    if not measured:
        return nominal_time(grid.n_rows, grid.sample_hz)
    first = np.array([row[0] for row, _ in stretches])
    begins_anew = np.isin(first, grid.start_row[anew]) | np.isin(first, [step.row for step in steps])
    row, second = joined(pieces, 0.0, float(max(grid.n_rows - 1, 1)), begins_anew, period)
    second -= second[0]
    rows = sum(piece.row[-1] - piece.row[0] for piece in measured)
    seconds = sum(piece.second[-1] - piece.second[0] for piece in measured)
    residual = max(piece.residual_s for piece in pieces)
    return DeviceTime(
        "ticks",
        row,
        second,
        period_s=float(seconds / rows),
        residual_s=float(residual),
        breaks=pauses,
        steps=steps,
        wraps_s=rate.modulus / tick_hz,
        jumps=jumps,
    )


def _went_on(grid: Grid, begins: Ints, rate: TickRate) -> Bools:
    """Whether the ticks of a calendar are later behind each restart than before it."""
    ticks, rows = grid.frames.table.ticks, grid.start_row
    gone = (ticks[grid.placed[begins]] - ticks[grid.placed[begins - 1]]).astype(np.float64)
    return rate.excess(gone, (rows[begins] - rows[begins - 1]).astype(np.float64)) > -rate.per_sample - 2


def _stretches(
    levels: Levels, begins: Ints, rate: TickRate, tick_hz: float
) -> tuple[
    list[tuple[Ints, Floats]], tuple[ClockBreak, ...], tuple[ClockStep, ...], tuple[tuple[int, float], ...]
]:
    """Rows and seconds by ticks of each stretch in which ticks advance with the rows; pauses; steps; jumps.

    A stretch ends at a restart (`begins`), whether the ticks begin anew there or not, and where they jump
    against the sequence and stay there. A pause is such a jump forward that is no jitter.
    """
    # time that goes back is no jitter, however little it does
    least_back = _PAUSE_PERIODS * rate.per_sample + _JITTERS * levels.jitter
    least = max(_PAUSE_S * tick_hz, least_back)
    cut = np.isin(levels.frame, begins)
    restarted = set(begins.tolist())
    pauses, steps, last = list[ClockBreak](), list[ClockStep](), -1
    jumps = list[tuple[int, float]]()
    places = np.searchsorted(levels.frame, levels.suspect).tolist()
    suspects = zip(levels.suspect.tolist(), places, levels.slack.tolist(), levels.jump.tolist(), strict=True)
    for i, at, most, jump in suspects:
        before = levels.level[max(0, at - NEAR) : at]
        shift = float(np.median(levels.level[at : at + NEAR]) - np.median(before))
        if abs(shift) > most:
            cut[at] = True
            jumps.append((int(levels.row[at]), shift / tick_hz))
        # the last frame alone bears nothing out; a wrong stamp beside a jump is no second one
        if at + 1 == len(levels.frame) or last == i - 1 or i in restarted:
            continue
        if min(shift, jump) > least:
            pauses.append(ClockBreak(int(levels.row[at]), shift / tick_hz))
            last = i
        elif max(shift, jump) < -least_back:
            steps.append(ClockStep(int(levels.row[at]), shift / tick_hz, "ticks"))
            last = i
    second = (levels.level + levels.row * rate.per_sample) / tick_hz
    cuts = np.flatnonzero(cut)
    rows = np.split(levels.row, cuts)
    stretches = list(zip(rows, np.split(second, cuts), strict=True))
    return stretches, tuple(pauses), tuple(steps), tuple(jumps)
