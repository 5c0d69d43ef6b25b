"""Collects frames block by block into one table."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.frames.frames import FrameTable

Ints = npt.NDArray[np.int64]


@dataclass
class TableBuilder:
    """Columns of the frame table as lists of arrays; counters a layout lacks cost no memory."""

    has_sequence: bool
    has_ticks: bool
    n_rows: int = 0
    _dump: list[tuple[int, int]] = field(default_factory=list)
    _offset: list[Ints] = field(default_factory=list)
    _n_bytes: list[Ints] = field(default_factory=list)
    _sequence: list[Ints] = field(default_factory=list)
    _ticks: list[Ints] = field(default_factory=list)
    _n_samples: list[Ints] = field(default_factory=list)

    def add(
        self,
        dump: int,
        offset: Ints,
        n_bytes: Ints,
        sequence: Ints | None,
        ticks: Ints | None,
        n_samples: Ints,
    ) -> None:
        """Add frames of one dump, in their order."""
        self._dump.append((dump, len(offset)))
        self._offset.append(offset)
        self._n_bytes.append(_small(n_bytes))
        self._n_samples.append(_small(n_samples))
        if sequence is not None:
            self._sequence.append(sequence)
        if ticks is not None:
            self._ticks.append(ticks)
        self.n_rows += int(n_samples.sum())

    def __len__(self) -> int:
        return sum(n for _, n in self._dump)

    def table(self) -> FrameTable:
        """The whole table."""
        n = len(self)
        none = np.broadcast_to(np.int64(-1), n)
        n_samples = _joined(self._n_samples, n)
        first_row = np.cumsum(n_samples)
        first_row -= n_samples
        of = [np.full(m, dump, dtype=np.int32) for dump, m in self._dump]
        return FrameTable(
            dump=np.concatenate(of) if of else np.zeros(0, dtype=np.int32),
            offset=_joined(self._offset, n),
            n_bytes=_joined(self._n_bytes, n),
            sequence=_joined(self._sequence, n) if self.has_sequence else none,
            ticks=_joined(self._ticks, n) if self.has_ticks else none,
            first_row=first_row,
            n_samples=n_samples,
        )


def _small(values: Ints) -> Ints:
    """A view without memory of its own where all values are the same."""
    if len(values) and bool(np.all(values == values[0])):
        return np.broadcast_to(np.int64(values[0]), len(values))
    return values


def _joined(pieces: list[Ints], n: int) -> Ints:
    if not pieces:
        return np.zeros(0, dtype=np.int64)
    if all(piece.strides == (0,) and piece[0] == pieces[0][0] for piece in pieces if len(piece)):
        return np.broadcast_to(np.int64(pieces[0][0]), n) if len(pieces[0]) else np.concatenate(pieces)
    return np.concatenate(pieces)
