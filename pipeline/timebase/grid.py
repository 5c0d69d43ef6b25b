"""Counts on one time grid: which frame fills which rows, and when each row was sampled."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.frames import CountSpool, Frames

ClockSource = Literal["receiver", "ticks", "nominal"]

BLOCK_ROWS = 1 << 18
"""Rows handled at once: large enough to vectorise, small enough for bounded memory."""


@dataclass(frozen=True)
class Clock:
    """When each row was sampled: piecewise linear through knots, seconds from row 0.

    ``rate_hz`` is the measured sampling rate, ``residual_s`` the largest distance of a time stamp from
    the clock; both None where nothing but the nominal rate is known.
    """

    source: ClockSource
    knot_row: npt.NDArray[np.float64]
    knot_s: npt.NDArray[np.float64]
    rate_hz: float | None
    residual_s: float | None

    def time_s(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Time of each of `rows` (any shape), in seconds."""
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
    """The device began anew: the first row after it, and why we think so."""

    row: int
    reason: str


@dataclass(frozen=True)
class ClockBreak:
    """The ticks went on by `gap_s` before this row while the sequence saw nothing missing: a pause."""

    row: int
    gap_s: float


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
    """

    frames: Frames
    placed: npt.NDArray[np.int64]
    start_row: npt.NDArray[np.int64]
    n_rows: int
    duplicate: npt.NDArray[np.bool_]
    clock: Clock
    n_late: int = 0
    n_lost_frames: int = 0
    n_expected_frames: int = 0
    restarts: tuple[Restart, ...] = ()
    breaks: tuple[ClockBreak, ...] = ()
    absurd: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def blocks(
        self, block_rows: int = BLOCK_ROWS
    ) -> Iterator[tuple[int, npt.NDArray[np.integer], npt.NDArray[np.bool_]]]:
        """Yield (start row, counts of shape (rows, channels), present of shape (rows,)), in order.

        Rows of lost samples have ``present`` False and counts 0.
        """
        table, spool = self.frames.table, self.frames.counts
        for start in range(0, self.n_rows, block_rows):
            stop = min(start + block_rows, self.n_rows)
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
            yield start, counts, present


def _fill(
    spool: CountSpool,
    source: npt.NDArray[np.int64],
    target: npt.NDArray[np.int64],
    size: npt.NDArray[np.int64],
    counts: npt.NDArray[np.integer],
    present: npt.NDArray[np.bool_],
) -> None:
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
            at: slice | npt.NDArray[np.int64] = slice(int(target[first]), int(target[first]) + n)
        else:
            before = np.cumsum(sizes) - sizes
            at = np.arange(n) + np.repeat(target[first:last] - before, sizes)
        counts[at] = rows
        present[at] = True
