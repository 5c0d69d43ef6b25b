"""Counts on one time grid: which frame fills which rows, and when each row was sampled."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.frames import Frames

ClockSource = Literal["receiver", "ticks", "nominal"]

BLOCK_ROWS = 1 << 17
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

    def blocks(
        self, block_rows: int = BLOCK_ROWS
    ) -> Iterator[tuple[int, npt.NDArray[np.integer], npt.NDArray[np.bool_]]]:
        """Yield (start row, counts of shape (rows, channels), present of shape (rows,)), in order.

        Rows of lost samples have ``present`` False and counts 0.
        """
        raise NotImplementedError
