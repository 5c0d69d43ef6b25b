"""The receiver's stamps of placed frames beside the device's seconds, and their jitter."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.frames import FrameTable
from pipeline.frames.room import blocks_of, taken
from pipeline.timebase.arrival import exact_place, fastest_of
from pipeline.timebase.device import DeviceTime
from pipeline.timebase.grid import Grid
from pipeline.timebase.sequence import Floats, Ints, extend
from pipeline.timebase.skew import interarrival_jitter
from pipeline.timebase.sorting import sorted_parts

_N_PIECES = 4096
_FEW = 1 << 18
_EVERY = 16
_BESIDE = 8


@dataclass(frozen=True)
class Stamps:
    """When frames arrived, by the clock of the receiver.

    Attributes
    ----------
    placed, start_row : int64, shape (m,)
        As those of the grid.
    table : FrameTable
        Of the frames.
    stamps : int64, shape (n,)
        Of all frames of the table, wraps undone.
    hz : float
        Stamps in a second.
    epoch_s : float or None
        The second since 1970 at which stamps were 0.
    """

    placed: Ints
    start_row: Ints
    table: FrameTable
    stamps: Ints
    hz: float
    epoch_s: float | None

    @property
    def zero_s(self) -> float:
        """The first placed frame's stamp, from which :meth:`second` counts."""
        return int(self.stamps[self.placed[0]]) / self.hz

    def second(self, places: slice | Ints) -> Floats:
        """Stamps of some of the placed frames, in seconds after `zero_s`."""
        stamps = taken(self.stamps, taken(self.placed, places))
        return np.asarray((stamps - self.stamps[self.placed[0]]) / self.hz)

    def last_row(self, places: slice | Ints) -> Ints:
        """The last row of each frame, before which it could not be sent."""
        size = taken(self.table.n_samples, taken(self.placed, places))
        return np.asarray(taken(self.start_row, places) + size - 1)


def stamps_of(grid: Grid) -> Stamps | None:
    """The receiver's stamps of the frames of a grid; None where it has none, or they never change."""
    part, table, placed = grid.frames.stream.frame.part("received"), grid.frames.table, grid.placed
    if part is None or not part.hz or len(placed) < 2:
        return None
    stamps = extend(table.received, part.wraps_at_bits or part.bits, table.room)
    if all(bool(np.all(stamps[block] == stamps[0])) for block in blocks_of(len(stamps))):
        return None
    return Stamps(placed, grid.start_row, table, stamps, part.hz, part.epoch_s)


@dataclass(frozen=True)
class Seen:
    """Frames as the receiver saw them, in the order of rows: all, or of many the fastest of every few.

    Attributes
    ----------
    place : int64, shape (k,)
        Which of the placed frames.
    x, y : float64, shape (k,)
        The device's seconds at their last row, and the receiver's when they came.
    run : int64, dump : int32, shape (k,)
        Between which restarts they lie, and in which dump: receivers differ from dump to dump.
    """

    device: DeviceTime
    stamps: Stamps
    place: Ints
    x: Floats
    y: Floats
    run: Ints
    dump: npt.NDArray[np.int32]

    def row_of_step(self, before: int, behind: int, size: float) -> tuple[int, int]:
        """First row of the frame with which the stamps jump by `size`, between two seen; rows lost there."""
        at = exact_place(self._delay, int(self.place[before]), int(self.place[behind]), size)
        last = int(self.stamps.last_row(slice(at - 1, at))[0])
        return int(self.stamps.start_row[at]), int(self.stamps.start_row[at]) - last - 1

    def _delay(self, start: int, stop: int) -> Floats:
        places = slice(start, stop)
        return np.asarray(self.stamps.second(places) - self.device.at(self.stamps.last_row(places)))


def seen_by(device: DeviceTime, stamps: Stamps, begins: Ints) -> Seen:
    """The frames that tell how the device's seconds go with the receiver's.

    Parameters
    ----------
    device : DeviceTime
        Of the grid.
    stamps : Stamps
        Of its frames.
    begins : int64
        Rows at which runs between restarts begin.
    """
    m = len(stamps.placed)
    coarse = _coarse_slope(device, stamps)

    def delay(start: int, stop: int) -> Floats:
        places = slice(start, stop)
        return np.asarray(stamps.second(places) - coarse * device.at(stamps.last_row(places)))

    place = fastest_of(m, delay)
    if len(place) < m:
        # a short run keeps all that it has
        beside = np.searchsorted(stamps.start_row, begins)[:, np.newaxis] + np.arange(-_BESIDE, _BESIDE)
        beside = beside[(beside >= 0) & (beside < m)]
        place = np.unique(np.concatenate((place, beside)))
    run = np.searchsorted(begins, taken(stamps.start_row, place), side="right")
    dump = taken(stamps.table.dump, taken(stamps.placed, place))
    return Seen(device, stamps, place, device.at(stamps.last_row(place)), stamps.second(place), run, dump)


def _coarse_slope(device: DeviceTime, stamps: Stamps) -> float:
    """Seconds of the receiver in one of the device, by the median over pieces."""
    places = np.unique(np.linspace(0, len(stamps.placed) - 1, _N_PIECES).astype(np.int64))
    run, rise = np.diff(device.at(stamps.last_row(places))), np.diff(stamps.second(places))
    return float(np.median(rise[run > 0] / run[run > 0])) if np.any(run > 0) else 1.0


def jitter_of(device: DeviceTime, stamps: Stamps, slope: float) -> float:
    """Median of RFC 3550's running estimate over the frames in the order of their arrival, in seconds."""
    m, placed = len(stamps.placed), stamps.placed
    found, last, estimate = list[Floats](), np.zeros(0), 0.0
    for part in sorted_parts(np.broadcast_to(np.int32(0), m), placed):
        places = part.start + np.argsort(placed[part], kind="stable")
        transit = stamps.second(places) - slope * device.at(stamps.last_row(places))
        jitter = interarrival_jitter(np.concatenate((last, transit)), estimate)[len(last) :]
        last, estimate = transit[-1:], float(jitter[-1])
        found.append(jitter if m <= _FEW else jitter[::_EVERY])
    return float(np.median(np.concatenate(found)))
