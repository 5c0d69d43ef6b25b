"""Collects frames block by block into one table."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.frames.frames import FrameTable
from pipeline.frames.room import AT_ONCE, MEMORY, Room, let_go, sums_before

Ints = npt.NDArray[np.int64]

_LEAST_ROOM = 1 << 12
_DOUBLED = 1 << 20


@dataclass
class _Column:
    """Numbers that are added block by block; as long as they are all the same they take no memory.

    The column doubles while it is small, and then grows by a quarter: many separate blocks would be copied
    once more in the end, and their memory would stay with the process.
    """

    room: Room
    dtype: type[np.signedinteger] = np.int64
    n: int = 0
    _same: int | None = None
    _kept: npt.NDArray[np.signedinteger] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def add(self, values: Ints) -> None:
        """Add numbers, which fit the type."""
        stop = self.n + len(values)
        if not len(self._kept) and len(values):
            first = int(values[0]) if self._same is None else self._same
            # one number that is only repeated need not be compared again and again
            if bool(np.all((values if values.strides[0] else values[:1]) == first)):
                self._same, self.n = first, stop
                return
            self._kept = self.room.copy(np.broadcast_to(self.dtype(first), self.n), max(stop, _LEAST_ROOM))
        if len(self._kept):
            if stop > len(self._kept):
                more = stop + max(stop // 4, min(stop, _DOUBLED))
                self._kept = self.room.copy(self._kept[: self.n], more)
            self._kept[self.n : stop] = values
        self.n = stop

    def from_(self, first: int) -> Ints:
        """The numbers from that index on."""
        if not len(self._kept):
            return np.full(self.n - first, self._same or 0, dtype=np.int64)
        return self._kept[first : self.n].astype(np.int64)

    def turn(self, first: int, by: int) -> None:
        """Put the first `by` of the numbers from that index on behind the others."""
        if len(self._kept):
            self._kept[first : self.n] = np.roll(self._kept[first : self.n], -by)

    def taken(self) -> npt.NDArray[np.signedinteger]:
        """All numbers; nothing can be added any more."""
        if not len(self._kept):
            return np.broadcast_to(self.dtype(self._same or 0), self.n)
        if self._kept.flags.owndata:
            self._kept.resize(self.n, refcheck=False)
        return self._kept[: self.n]


class TableBuilder:
    """Columns of the frame tables of one kind of frame; columns that never change cost no memory.

    Parameters
    ----------
    n_streams : int
        Streams that the kind carries: each has its own number of samples in a frame.
    room : Room
        Where columns go that outgrow memory.
    """

    def __init__(self, n_streams: int = 1, room: Room = MEMORY) -> None:
        self._room = room
        self._dump, self._n_bytes = _Column(room, np.int32), _Column(room, np.int32)
        self._offset, self._sequence = _Column(room), _Column(room)
        self._ticks, self._received = _Column(room), _Column(room)
        self._n_samples = [_Column(room) for _ in range(n_streams)]
        self._turns = list[tuple[int, int, int]]()
        self._n_fresh = 0

    def add(
        self,
        dump: int,
        offset: Ints,
        n_bytes: Ints,
        sequence: Ints | None,
        ticks: Ints | None,
        received: Ints | None,
        *n_samples: Ints,
    ) -> None:
        """Add frames of one dump, in their order; one array of sizes for each stream."""
        none = np.broadcast_to(np.int64(-1), len(offset))
        self._dump.add(np.broadcast_to(np.int64(dump), len(offset)))
        self._offset.add(offset)
        self._n_bytes.add(n_bytes)
        self._sequence.add(none if sequence is None else sequence)
        self._ticks.add(none if ticks is None else ticks)
        self._received.add(none if received is None else received)
        for column, sizes in zip(self._n_samples, n_samples, strict=True):
            column.add(sizes)
        self._n_fresh += len(offset)
        if self._n_fresh >= AT_ONCE:
            let_go()
            self._n_fresh = 0

    def __len__(self) -> int:
        return self._offset.n

    def offsets(self, first: int) -> Ints:
        """Offsets from that frame on."""
        return self._offset.from_(first)

    def sequences(self, first: int) -> Ints:
        """Sequence numbers from that frame on."""
        return self._sequence.from_(first)

    def turn(self, first: int, by: int) -> None:
        """Put the first `by` of the frames from that one on behind the others; their counts stay in place."""
        for column in (self._offset, self._n_bytes, self._sequence, self._ticks, self._received):
            column.turn(first, by)
        self._turns.append((first, self._offset.n, by))

    def tables(self) -> tuple[FrameTable, ...]:
        """The whole table for each stream; nothing can be added any more."""
        shared = {
            "dump": self._dump.taken(),
            "offset": self._offset.taken(),
            "n_bytes": self._n_bytes.taken(),
            "sequence": self._sequence.taken(),
            "ticks": self._ticks.taken(),
            "received": self._received.taken(),
        }
        tables = []
        for column in self._n_samples:
            n_samples = column.taken()
            first_row = sums_before(n_samples, self._room)
            if self._turns:
                n_samples = n_samples.copy()
            for first, stop, by in self._turns:
                for rows in (first_row, n_samples):
                    rows[first:stop] = np.roll(rows[first:stop], -by)
            tables.append(FrameTable(**shared, first_row=first_row, n_samples=n_samples, room=self._room))
        return tuple(tables)
