"""When frames of other kinds were sampled, told by the main stream's frames near them in the dump."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.frames import Frames, FrameTable
from pipeline.timebase.device import ticks_hz
from pipeline.timebase.grid import Grid
from pipeline.timebase.sequence import Floats, Ints, extend, wrapped

_OFFSET_BITS = 44
_SAME_COUNTER_S = 60.0
_FLOOR_FRAMES = 64


By = Literal["ticks", "stamps", "order"]


@dataclass(frozen=True)
class Anchor:
    """The main stream's placed frames in the order of arrival, on the corrected clock.

    Attributes
    ----------
    grid : Grid
        With its clock; at least one placed frame.
    key : int64, shape (m,)
        Where each frame stands in the dumps, ascending.
    place : int64, shape (m,)
        Which of the placed frames it is.
    """

    grid: Grid
    key: Ints
    place: Ints

    def frame(self, at: Ints) -> Ints:
        """Indices in the frame table."""
        return np.asarray(self.grid.placed[self.place[at]])

    def start_s(self, at: Ints) -> Floats:
        """When the first samples of frames were taken."""
        return self.grid.clock.time_s(self.grid.start_row[self.place[at]])

    def end_s(self, at: Ints) -> Floats:
        """One period after their last samples."""
        size = self.grid.frames.table.n_samples[self.frame(at)]
        last = self.grid.start_row[self.place[at]] + size - 1
        return np.asarray(self.grid.clock.time_s(last) + 1 / (self.grid.clock.rate_hz or self.grid.sample_hz))

    def run(self, at: Ints) -> Ints:
        """Between which restarts they lie."""
        begins = [restart.row for restart in self.grid.restarts]
        return np.searchsorted(begins, self.grid.start_row[self.place[at]], side="right")


@dataclass(frozen=True)
class Seconds:
    """When frames were sampled; all arrays of shape (n,).

    Attributes
    ----------
    second : float64
        Of the first sample by ticks; else of the end of the frame, and uncertain by delays.
    by : str
        'ticks', 'stamps' of the receiver, or 'order' of arrival.
    run : int64
        Between which restarts of the main stream.
    room_s : float64
        How far the main frames before and behind are apart.
    wraps_s : float
        After how long the ticks wrap; 0 where they do not.
    """

    second: Floats
    by: By
    run: Ints
    room_s: Floats
    wraps_s: float = 0.0


def make_anchor(grid: Grid) -> Anchor:
    """The anchor of a grid with its corrected clock; at least one placed frame."""
    key = _keys(grid.frames.table, grid.placed)
    place = np.argsort(key, kind="stable")
    return Anchor(grid, key[place], place)


def _keys(table: FrameTable, which: Ints) -> Ints:
    """Numbers in the order of dump and offset."""
    return (table.dump[which].astype(np.int64) << _OFFSET_BITS) + table.offset[which]


def seconds_of(anchor: Anchor, frames: Frames, which: Ints) -> Seconds:
    """When frames of another kind were sampled, on the clock of the main stream.

    By their ticks, counted from those of the main frame next to them; else by the receiver's stamps, next to
    those of the main frames; else between the main frames that they arrived between.

    Parameters
    ----------
    anchor : Anchor
        Of the main stream; of the same reading.
    frames : Frames
        Of the other kind.
    which : int64, shape (n,)
        Their indices in its table.
    """
    key = _keys(frames.table, which)
    behind = np.searchsorted(anchor.key, key)
    before, behind = np.maximum(behind - 1, 0), np.minimum(behind, len(anchor.key) - 1)
    room_s = anchor.start_s(behind) - anchor.start_s(before)
    by_ticks = _by_ticks(anchor, frames, which, before, behind)
    if by_ticks is not None:
        second, at, wraps_s = by_ticks
        return Seconds(second, "ticks", anchor.run(at), room_s, wraps_s)
    by_stamps = _by_stamps(anchor, frames, which, before)
    if by_stamps is not None:
        return Seconds(by_stamps, "stamps", anchor.run(before), room_s)
    return Seconds(_by_order(anchor, before, behind), "order", anchor.run(before), room_s)


def _by_ticks(
    anchor: Anchor, frames: Frames, which: Ints, before: Ints, behind: Ints
) -> tuple[Floats, Ints, float] | None:
    """Seconds, the main frame from which they were counted, and after how long the ticks wrap."""
    main = anchor.grid.frames
    hz = ticks_hz(main)
    part, own = main.stream.frame.part("ticks"), frames.stream.frame.part("ticks")
    if anchor.grid.rate is None or part is None or own is None or not hz or ticks_hz(frames) != hz:
        return None
    bits = [p.wraps_at_bits for p in (part, own) if p.wraps_at_bits]
    modulus = float(1 << min(bits)) if bits and min(bits) < 63 else 0.0
    tick_s = 1 / (anchor.grid.clock.tick_hz or hz)
    ticks = frames.table.ticks[which]
    gone = [
        wrapped((ticks - main.table.ticks[anchor.frame(at)]).astype(np.float64), modulus)
        for at in (before, behind)
    ]
    nearer = np.abs(gone[1]) < np.abs(gone[0])
    at, steps = np.where(nearer, behind, before), np.where(nearer, gone[1], gone[0])
    if len(which) and float(np.median(np.abs(steps))) * tick_s > _SAME_COUNTER_S:
        return None  # counters of two crystals, or one of them is no counter
    return anchor.start_s(at) + steps * tick_s, at, modulus * tick_s


def _by_stamps(anchor: Anchor, frames: Frames, which: Ints, before: Ints) -> Floats | None:
    main = anchor.grid.frames
    part, own = main.stream.frame.part("received"), frames.stream.frame.part("received")
    if part is None or own is None or not part.hz or not own.hz or part.epoch_s != own.epoch_s:
        return None
    everything = np.arange(len(anchor.key))
    stamps = extend(main.table.received[anchor.frame(everything)], part.wraps_at_bits or part.bits) / part.hz
    ahead = _floor(stamps - anchor.end_s(everything))
    own_s = extend(frames.table.received[which], own.wraps_at_bits or own.bits) / own.hz
    if not np.any(stamps != stamps[0]) or not len(own_s):
        return None
    near = own_s - stamps[before]
    if float(np.median(np.abs(near))) > _SAME_COUNTER_S:
        return None
    return np.asarray(own_s - ahead[before])


def _floor(values: Floats) -> Floats:
    """The least of the values up to 64 places to either side."""
    least, step = values.copy(), 1
    while step <= _FLOOR_FRAMES and step < len(values):
        shrunk = least.copy()
        np.minimum(shrunk[:-step], least[step:], out=shrunk[:-step])
        np.minimum(shrunk[step:], least[:-step], out=shrunk[step:])
        least, step = shrunk, step * 2
    return least


def _by_order(anchor: Anchor, before: Ints, behind: Ints) -> Floats:
    """A frame was full after the main frame before it was, and before the one behind it was."""
    period = float(np.median(anchor.end_s(before) - anchor.start_s(before)))
    full = anchor.end_s(before)
    return 0.5 * (full + np.minimum(anchor.end_s(behind), full + period))
