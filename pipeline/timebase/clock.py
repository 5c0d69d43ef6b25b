"""The corrected clock of a grid: by the receiver's stamps, else by ticks, else by the nominal rate."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.timebase.device import DeviceTime, device_time, nominal_time, ticks_hz
from pipeline.timebase.grid import Clock, Grid, Restart
from pipeline.timebase.receiver import map_to_receiver
from pipeline.timebase.stamps import Stamps, stamps_of

_LONGEST_UNSEEN_S = 0.1


@dataclass(frozen=True)
class Timed:
    """A grid with its corrected clock, pauses and steps; the second since 1970 of row 0 by the receiver."""

    grid: Grid
    receiver_start_s: float | None = None


def with_clock(grid: Grid, stamps: Stamps | None = None) -> Timed:
    """Give a grid its corrected clock.

    Parameters
    ----------
    grid : Grid
        Frames in their places; its own clock is not looked at.
    stamps : Stamps or None
        The receiver's, of other frames on the same rows; those of its own frames where None is given.

    Returns
    -------
    Timed
        Seconds are strictly increasing, and 0 at row 0. Restarts say how long the device was off where the
        receiver's stamps or ticks of a calendar tell.
    """
    if not len(grid.placed):
        return Timed(grid)
    device, stamps = device_time(grid), stamps or stamps_of(grid)
    mapped = map_to_receiver(device, stamps, grid.restarts) if stamps else None
    if mapped is not None:
        tick_hz = ticks_hz(grid.frames) if device.source == "ticks" else 0.0
        fast = 1 + (mapped.clock.skew_ppm or 0.0) * 1e-6
        measured = tick_hz * fast if tick_hz and mapped.clock.skew_ppm is not None else None
        return Timed(
            replace(
                grid,
                clock=replace(mapped.clock, tick_hz=measured),
                restarts=mapped.restarts,
                breaks=mapped.breaks,
                steps=mapped.steps,
            ),
            mapped.start_s,
        )
    if grid.frames.stream.frame.part("received"):
        note = "The receiver's time stamps do not advance with the samples; they were not used."
        grid = replace(grid, frames=replace(grid.frames, notes=(*grid.frames.notes, note)))
    restarts = tuple(_by_calendar(device, restart) for restart in grid.restarts)
    own = replace(grid, clock=_own(device), restarts=restarts, breaks=device.breaks, steps=device.steps)
    return Timed(own)


def nominal_clock(n_rows: int, sample_hz: float) -> Clock:
    """The clock of rows at the nominal rate."""
    return _own(nominal_time(n_rows, sample_hz))


def _own(device: DeviceTime) -> Clock:
    rate_hz = 1 / device.period_s if device.source != "nominal" else None
    return Clock(device.source, device.knot_row, device.knot_s, rate_hz, device.residual_s)


def _by_calendar(device: DeviceTime, restart: Restart) -> Restart:
    """A restart with the time that passed by ticks that went on."""
    before, behind = device.at(np.array([restart.row - 1, restart.row])).tolist()
    off_s = behind - before - device.period_s
    return replace(restart, off_s=off_s) if off_s > _LONGEST_UNSEEN_S else restart
