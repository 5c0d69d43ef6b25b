"""Counts on one time grid: which frame fills which rows, and when each row was sampled."""

# What the later steps may rely on:
# - Placing.grids: one for each recording that is written, the main one first, then by falling rate. Each is a
#   Grid or a JoinedGrid, which have in common: channels, sample_hz (nominal), n_rows, clock, blocks(), parts,
#   n_frames, n_duplicate_frames, n_late, n_lost_frames, n_expected_frames, restarts, breaks, steps.
# - grid.parts: the Grids it is made of; a Grid's only part is itself. Each has frames, placed and start_row
#   (on the rows of the whole), duplicate, absurd, delay_s: by how much its samples come after the seconds
#   of their rows (0 but for kinds of frame joined at the same rate).
# - grid.blocks() -> (start, counts (rows, channels), present (rows, channels)), grid.read(start, stop) -> the
#   latter two; nothing may write to them.
# - grid.clock.time_s: seconds since row 0 of the main grid, for all grids; before it they are negative.
# - Two grids have the same sample_hz only where kinds of frame at one nominal rate do not run alike.
# - A JoinedGrid has several parts; frames of different parts may fill different columns of a row, or the same
#   (the first part that has a sample of a channel wins).
# - Placing.events: a tuple of Events, one for each stream of event frames: kind, channels, time_s (n,),
#   row (n,) of the main grid, counts (n, channels), frames and frame (n,): where they come from.
# - Placing.device_start_s, receiver_start_s: seconds since 1970 of the main grid's row 0 by the device's own
#   clock (ticks with an epoch) and by the receiver's stamps, or None.
# - For Conversion: clock.source, rate_hz, residual_s, skew_ppm, skew_uncertainty_ppm, jitter_s, tick_hz;
#   restarts (row, reason, off_s or None), breaks (row, gap_s, by), steps (row, step_s, of): see below.

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.frames import CountSpool, Frames
from pipeline.frames.room import blocks_of, n_true
from pipeline.layouts import Channel
from pipeline.timebase.sequence import Floats, Ints, TickRate

ClockSource = Literal["receiver", "ticks", "nominal"]

Counts = npt.NDArray[np.integer]
Bools = npt.NDArray[np.bool_]

Block = tuple[int, Counts, Bools]
"""Start row, counts and presence, the latter two of shape (rows, channels)."""

BLOCK_ROWS = 1 << 18
"""Rows handled at once: large enough to vectorise, small enough for bounded memory."""


@dataclass(frozen=True)
class Clock:
    """When each row was sampled: piecewise linear through knots, seconds from row 0 of the main grid.

    Attributes
    ----------
    source : str
        What the seconds are those of.
    knot_row, knot_s : float64, shape (k,)
        Strictly increasing, at least two of each.
    rate_hz : float or None
        Samples in a second, as measured; None where nothing but the nominal rate is known.
    residual_s : float or None
        Largest distance of a time stamp from the clock. Of the receiver's stamps, which come late by
        nature, the largest distance of the earliest in a stretch of a minute.
    skew_ppm, skew_uncertainty_ppm : float or None
        By how much the device's clock (its ticks, or its samples where it has no ticks) runs fast against
        the receiver's, and the standard uncertainty; None without the receiver's stamps.
    jitter_s : float or None
        Of the arrival of frames: the median of the running estimate of RFC 3550, A.8.
    tick_hz : float or None
        Ticks in a second of the receiver.
    offset_s : float or None
        What the receiver's clock showed at row 0, in seconds from where its stamps are 0.
    """

    source: ClockSource
    knot_row: Floats
    knot_s: Floats
    rate_hz: float | None
    residual_s: float | None
    skew_ppm: float | None = None
    skew_uncertainty_ppm: float | None = None
    jitter_s: float | None = None
    tick_hz: float | None = None
    offset_s: float | None = None

    def time_s(self, rows: Ints | Floats) -> Floats:
        """Time of each of `rows` (any shape), in seconds; rows may be fractions."""
        first, last = slice(0, 2), slice(-2, None)
        time = np.interp(rows, self.knot_row, self.knot_s)
        for end, outside in ((first, rows < self.knot_row[0]), (last, rows > self.knot_row[-1])):
            if np.any(outside):
                row, second = self.knot_row[end], self.knot_s[end]
                slope = (second[1] - second[0]) / (row[1] - row[0])
                time = np.where(outside, second[0] + (rows - row[0]) * slope, time)
        return time


@dataclass(frozen=True)
class Restart:
    """The device began anew: the first row after it, and why we think so.

    ``off_s`` is how long nothing was recorded before that row, by the receiver's stamps; None where that is
    not known: rows and seconds then go on as if nothing lay between.
    """

    row: int
    reason: str
    off_s: float | None = None


@dataclass(frozen=True)
class ClockBreak:
    """Time went on by `gap_s` before this row while the sequence saw nothing missing: a pause.

    ``by`` says whose stamps tell: the device's ticks, or the receiver's alone, whose clock may as well have
    been set forward.
    """

    row: int
    gap_s: float
    by: Literal["ticks", "receiver"] = "ticks"


@dataclass(frozen=True)
class ClockStep:
    """A clock was set by `step_s` before this row; the seconds of the rows go on without it."""

    row: int
    step_s: float
    of: Literal["ticks", "receiver"] = "receiver"


@dataclass(frozen=True)
class Grid:
    """Frames in their places. Row k of the session is sample k of the device's own grid.

    Attributes
    ----------
    placed : int64, shape (m,)
        Indices into the frame table, in the order of rows; no duplicates.
    start_row : int64, shape (m,)
        First row of each placed frame, strictly increasing.
    n_rows : int
        From the first decoded sample to the last.
    duplicate : bool, shape (n,)
        For each frame of the table, whether it repeats another and was left out.
    n_late : int
        Frames that arrived after one that follows them.
    n_lost_frames, n_expected_frames : int
        Loss with its denominator (RFC 3550, 6.4.4); both 0 where nothing counts frames.
    restarts : tuple of Restart
        Where the device began anew.
    breaks : tuple of ClockBreak
        Where it paused; the clock jumps there, the rows do not.
    absurd : bool, shape (n,)
        For each frame of the table, whether its counters contradict all others and it was left out.
    steps : tuple of ClockStep
        Where a clock was set.
    delay_s : float
        By how much its samples come after the seconds of the rows that they stand in.
    rate : TickRate or None
        How its frames' ticks advance; None where they were not used.
    """

    frames: Frames
    placed: Ints
    start_row: Ints
    n_rows: int
    duplicate: Bools
    clock: Clock
    n_late: int = 0
    n_lost_frames: int = 0
    n_expected_frames: int = 0
    restarts: tuple[Restart, ...] = ()
    breaks: tuple[ClockBreak, ...] = ()
    absurd: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    steps: tuple[ClockStep, ...] = ()
    delay_s: float = 0.0
    rate: TickRate | None = None

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The columns of the counts."""
        return self.frames.stream.channels

    @property
    def sample_hz(self) -> float:
        """The nominal rate."""
        return self.frames.stream.sample_hz

    @property
    def parts(self) -> tuple["Grid", ...]:
        """What the grid is made of: itself."""
        return (self,)

    @property
    def n_frames(self) -> int:
        """Frames that were read, repeated ones among them."""
        return len(self.frames.table)

    @property
    def n_duplicate_frames(self) -> int:
        """Frames that repeat others."""
        return n_true(self.duplicate)

    def blocks(self, block_rows: int = BLOCK_ROWS) -> Iterator[Block]:
        """Yield (start row, counts, present), the latter two of shape (rows, channels), in order.

        Rows of lost samples have ``present`` False and counts 0. Neither array may be written to.
        """
        for block in blocks_of(self.n_rows, block_rows):
            yield block.start, *self.read(block.start, block.stop)

    def read(self, start: int, stop: int) -> tuple[Counts, Bools]:
        """Counts and presence of the rows [start, stop), as in a block."""
        table, spool = self.frames.table, self.frames.counts
        first = max(int(np.searchsorted(self.start_row, start, side="right")) - 1, 0)
        last = int(np.searchsorted(self.start_row, stop, side="left"))
        which = self.placed[first:last]
        begin = np.maximum(self.start_row[first:last], start)
        end = np.minimum(self.start_row[first:last] + table.n_samples[which], stop)
        source = table.first_row[which] + begin - self.start_row[first:last]
        size = np.maximum(end - begin, 0)
        counts = np.zeros((stop - start, spool.n_channels), dtype=spool.dtype)
        present = np.zeros(stop - start, dtype=bool)
        _fill(spool, source, begin - start, size, counts, present)
        return counts, np.broadcast_to(present[:, np.newaxis], counts.shape)


@dataclass(frozen=True)
class JoinedGrid:
    """Several grids on the same rows: kinds of frame that run alike, or several readings of one wearing.

    Channels of the same name stand for the same samples: a row that one part lost comes from a later one.

    Attributes
    ----------
    parts : tuple of Grid
        All with ``n_rows`` rows; of these, clock, restarts, breaks and steps are only those here.
    """

    parts: tuple[Grid, ...]
    n_rows: int
    clock: Clock
    n_lost_frames: int = 0
    n_expected_frames: int = 0
    restarts: tuple[Restart, ...] = ()
    breaks: tuple[ClockBreak, ...] = ()
    steps: tuple[ClockStep, ...] = ()

    @cached_property
    def channels(self) -> tuple[Channel, ...]:
        """The columns of the counts: those of the parts end to end, each name once."""
        named = {channel.name: channel for part in reversed(self.parts) for channel in part.channels}
        order = dict.fromkeys(channel.name for part in self.parts for channel in part.channels)
        return tuple(named[name] for name in order)

    @property
    def frames(self) -> Frames:
        """The frames of the first part."""
        return self.parts[0].frames

    @property
    def sample_hz(self) -> float:
        """The nominal rate."""
        return self.parts[0].sample_hz

    @property
    def n_frames(self) -> int:
        """Frames that were read, repeated ones among them."""
        return sum(part.n_frames for part in self.parts)

    @property
    def n_duplicate_frames(self) -> int:
        """Frames that repeat others, or were not needed beside those of another part."""
        return sum(part.n_duplicate_frames for part in self.parts)

    @property
    def n_late(self) -> int:
        """Frames that arrived after one that follows them."""
        return sum(part.n_late for part in self.parts)

    def blocks(self, block_rows: int = BLOCK_ROWS) -> Iterator[Block]:
        """As those of a Grid."""
        for block in blocks_of(self.n_rows, block_rows):
            yield block.start, *self.read(block.start, block.stop)

    def read(self, start: int, stop: int) -> tuple[Counts, Bools]:
        """Counts and presence of the rows [start, stop), as in a block."""
        column = {channel.name: i for i, channel in enumerate(self.channels)}
        dtype = np.result_type(*(part.frames.counts.dtype for part in self.parts))
        counts = np.zeros((stop - start, len(column)), dtype=dtype)
        present = np.zeros(counts.shape, dtype=bool)
        for part in self.parts:
            read, is_there = part.read(start, stop)
            for k, channel in enumerate(part.channels):
                i = column[channel.name]
                new = is_there[:, k] & ~present[:, i]
                counts[new, i] = read[new, k]
                present[:, i] |= new
        return counts, present


def _fill(spool: CountSpool, source: Ints, target: Ints, size: Ints, counts: Counts, present: Bools) -> None:
    """Copy spans of the spool into a block; spans that follow each other in the spool are read at once."""
    source, target, size = source[size > 0], target[size > 0], size[size > 0]
    if not len(source):
        return
    follows = source[1:] == source[:-1] + size[:-1]
    cuts = np.concatenate(([0], np.flatnonzero(~follows) + 1, [len(source)]))
    for first, last in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        sizes = size[first:last]
        begin, n = int(source[first]), int(sizes.sum())
        rows = spool.read(begin, begin + n)
        if int(target[last - 1] + sizes[-1] - target[first]) == n:
            at: slice | Ints = slice(int(target[first]), int(target[first]) + n)
        else:
            before = np.cumsum(sizes) - sizes
            at = np.arange(n) + np.repeat(target[first:last] - before, sizes)
        counts[at] = rows
        present[at] = True
