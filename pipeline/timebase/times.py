"""When frames of other kinds were sampled, told by the main stream's frames near them in the dump."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.frames import Frames, FrameTable
from pipeline.frames.room import blocks_of
from pipeline.timebase.device import ticks_hz
from pipeline.timebase.grid import Grid
from pipeline.timebase.sequence import Floats, Ints, extend, pieces_of, wrapped
from pipeline.timebase.sorting import in_order

_OFFSET_BITS = 44
_SAME_COUNTER_S = 60.0
_FLOOR_FRAMES = 64
_REACH = 2 * _FLOOR_FRAMES - 1
"""As far as minima of neighbours 1, 2, 4 and so on up to `_FLOOR_FRAMES` places away reach together."""


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
    table, n = grid.frames.table, len(grid.placed)
    key, place = table.room.zeros(n), table.room.zeros(n)
    for block in blocks_of(n):
        key[block], place[block] = _keys(table, grid.placed[block]), np.arange(block.start, block.stop)
    if not in_order(np.broadcast_to(np.int32(0), n), key):
        place = np.argsort(key, kind="stable")
        key = key[place]
    return Anchor(grid, key, place)


def _keys(table: FrameTable, which: Ints) -> Ints:
    """Numbers in the order of dump and offset."""
    return (table.dump[which].astype(np.int64) << _OFFSET_BITS) + table.offset[which]


@dataclass(frozen=True)
class _Beside:
    """Frames of another kind, and the main frames that they arrived between."""

    anchor: Anchor
    frames: Frames
    which: Ints

    def between(self, block: slice) -> tuple[Ints, Ints]:
        """The main frames before some of them, and behind them."""
        behind = np.searchsorted(self.anchor.key, _keys(self.frames.table, self.which[block]))
        return np.maximum(behind - 1, 0), np.minimum(behind, len(self.anchor.key) - 1)

    def median_of(self, value: Callable[[slice], Floats]) -> float:
        """The median of what some of them give; of many, of some stretches."""
        found = [value(piece) for piece in pieces_of(len(self.which))]
        return float(np.median(np.concatenate(found)))


_Dated = Callable[[slice], tuple[Floats, Ints]]
"""Seconds of some of the frames, and the main frames between whose restarts they lie."""


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
    beside, room = _Beside(anchor, frames, which), frames.table.room
    by: By = "order"
    wraps_s, dated = 0.0, None
    if (by_ticks := _by_ticks(beside)) is not None:
        by, (dated, wraps_s) = "ticks", by_ticks
    elif (by_stamps := _by_stamps(beside)) is not None:
        by, dated = "stamps", by_stamps
    dated = dated or _by_order(beside)
    n = len(which)
    second, run, room_s = room.zeros(n, np.float64), room.zeros(n), room.zeros(n, np.float64)
    for block in blocks_of(n):
        before, behind = beside.between(block)
        room_s[block] = anchor.start_s(behind) - anchor.start_s(before)
        second[block], at = dated(block)
        run[block] = anchor.run(at)
    return Seconds(second, by, run, room_s, wraps_s)


def _by_ticks(beside: _Beside) -> tuple[_Dated, float] | None:
    """Seconds from the nearer main frame on, and after how long the ticks wrap."""
    anchor, frames = beside.anchor, beside.frames
    main = anchor.grid.frames
    hz = ticks_hz(main)
    part, own = main.stream.frame.part("ticks"), frames.stream.frame.part("ticks")
    if anchor.grid.rate is None or part is None or own is None or not hz or ticks_hz(frames) != hz:
        return None
    bits = [p.wraps_at_bits for p in (part, own) if p.wraps_at_bits]
    modulus = float(1 << min(bits)) if bits and min(bits) < 63 else 0.0
    tick_s = 1 / (anchor.grid.clock.tick_hz or hz)

    def steps_from(block: slice) -> tuple[Floats, Ints]:
        ticks, sides = frames.table.ticks[beside.which[block]], beside.between(block)
        gone = [
            wrapped((ticks - main.table.ticks[anchor.frame(at)]).astype(np.float64), modulus) for at in sides
        ]
        nearer = np.abs(gone[1]) < np.abs(gone[0])
        return np.where(nearer, gone[1], gone[0]), np.where(nearer, sides[1], sides[0])

    def dated(block: slice) -> tuple[Floats, Ints]:
        steps, at = steps_from(block)
        return anchor.start_s(at) + steps * tick_s, at

    if len(beside.which) and beside.median_of(lambda b: np.abs(steps_from(b)[0])) * tick_s > _SAME_COUNTER_S:
        return None  # counters of two crystals, or one of them is no counter
    return dated, modulus * tick_s


def _by_stamps(beside: _Beside) -> _Dated | None:
    anchor, frames, which = beside.anchor, beside.frames, beside.which
    main, n = anchor.grid.frames, len(anchor.key)
    part, own = main.stream.frame.part("received"), frames.stream.frame.part("received")
    if part is None or own is None or not part.hz or not own.hz or part.epoch_s != own.epoch_s:
        return None
    room, hz, own_hz = frames.table.room, part.hz, own.hz
    frame = room.arranged(anchor.grid.placed, anchor.place)
    stamps = extend(room.arranged(main.table.received, frame), part.wraps_at_bits or part.bits, room)
    received = extend(room.arranged(frames.table.received, which), own.wraps_at_bits or own.bits, room)
    if not any(np.any(stamps[block] != stamps[0]) for block in blocks_of(n)) or not len(which):
        return None

    def near(block: slice) -> Floats:
        before, _ = beside.between(block)
        return np.asarray(np.abs(received[block] / own_hz - stamps[before] / hz))

    if beside.median_of(near) > _SAME_COUNTER_S:
        return None
    ahead = room.zeros(n, np.float64)
    for block in blocks_of(n):
        around = np.arange(max(block.start - _REACH, 0), min(block.stop + _REACH, n))
        least = _floor(stamps[around] / hz - anchor.end_s(around))
        ahead[block] = least[block.start - around[0] : block.stop - around[0]]

    def dated(block: slice) -> tuple[Floats, Ints]:
        before, _ = beside.between(block)
        return received[block] / own_hz - ahead[before], before

    return dated


def _floor(values: Floats) -> Floats:
    """The least of the values up to `_REACH` places to either side."""
    least, step = values.copy(), 1
    while step <= _FLOOR_FRAMES and step < len(values):
        shrunk = least.copy()
        np.minimum(shrunk[:-step], least[step:], out=shrunk[:-step])
        np.minimum(shrunk[step:], least[:-step], out=shrunk[step:])
        least, step = shrunk, step * 2
    return least


def _by_order(beside: _Beside) -> _Dated:
    """A frame was full after the main frame before it was, and before the one behind it was."""
    anchor = beside.anchor

    def lasts_s(block: slice) -> Floats:
        before, _ = beside.between(block)
        return anchor.end_s(before) - anchor.start_s(before)

    period = beside.median_of(lasts_s)

    def dated(block: slice) -> tuple[Floats, Ints]:
        before, behind = beside.between(block)
        full = anchor.end_s(before)
        return 0.5 * (full + np.minimum(anchor.end_s(behind), full + period)), before

    return dated
