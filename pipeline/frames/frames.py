"""What comes out of the dumps: frames, where each stood, and where every byte went."""

import tempfile
import weakref
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Layout, Stream

SPOOL_IN_MEMORY_BYTES = 32 << 20
"""Decoded counts beyond this size go to a temporary file, so that memory stays bounded."""

_ROWS_AT_ONCE = 1 << 16


class CountSpool:
    """Decoded counts in the order of the dump, `n_channels` to a row, in memory or in a temporary file.

    Parameters
    ----------
    n_channels : int
        Columns.
    dtype : str
        NumPy integer type that holds every count of the layout.
    folder : Path
        Where the temporary file goes once the counts outgrow memory.
    """

    def __init__(self, n_channels: int, dtype: str, folder: Path) -> None:
        self.n_channels = n_channels
        self.dtype = np.dtype(dtype)
        self.n_rows = 0
        self._folder = str(folder)
        self._file = tempfile.SpooledTemporaryFile(SPOOL_IN_MEMORY_BYTES, dir=self._folder)  # noqa: SIM115
        # the spool lives as long as the frames that point into it, and its file no longer
        self.close = weakref.finalize(self, self._file.close)

    def append(self, counts: npt.NDArray[np.integer]) -> None:
        """Add rows; `counts` has shape (rows, n_channels)."""
        self._file.seek(0, 2)
        self._file.write(np.ascontiguousarray(counts, dtype=self.dtype).reshape(-1).view(np.uint8).data)
        self.n_rows += len(counts)

    def turn(self, first: int, by: int) -> None:
        """Put the first `by` of the rows from that one on behind the others."""
        kept = [(0, first), (first + by, self.n_rows), (first, first + by)]
        turned = tempfile.SpooledTemporaryFile(SPOOL_IN_MEMORY_BYTES, dir=self._folder)  # noqa: SIM115
        for start, stop in kept:
            for row in range(start, stop, _ROWS_AT_ONCE):
                turned.write(self.read(row, min(row + _ROWS_AT_ONCE, stop)).tobytes())
        self.close()
        self._file = turned
        self.close = weakref.finalize(self, self._file.close)

    def read(self, start: int, stop: int) -> npt.NDArray[np.integer]:
        """Rows [start, stop), shape (stop - start, n_channels)."""
        row_bytes = self.n_channels * self.dtype.itemsize
        self._file.seek(start * row_bytes)
        data = self._file.read((stop - start) * row_bytes)
        return np.frombuffer(data, dtype=self.dtype).reshape(-1, self.n_channels)


@dataclass(frozen=True)
class FrameTable:
    """One entry for each frame that passed its check, in the order of the dumps; all arrays have length n.

    Attributes
    ----------
    dump, n_bytes : int32
        Index of the dump; how long the frame is in it, its delimiter with it.
    offset : int64
        Where the frame stands in its dump.
    sequence, ticks, received : int64
        As read, before any wrap is undone; -1 where the layout has none; of 64 bits, by their bit pattern.
        ``received`` is the receiver's time stamp, in the unit that its part states.
    first_row, n_samples : int64
        Where its counts stand in the spool: rows [first_row, first_row + n_samples).
    """

    dump: npt.NDArray[np.int32]
    offset: npt.NDArray[np.int64]
    n_bytes: npt.NDArray[np.int32]
    sequence: npt.NDArray[np.int64]
    ticks: npt.NDArray[np.int64]
    received: npt.NDArray[np.int64]
    first_row: npt.NDArray[np.int64]
    n_samples: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.offset)


@dataclass(frozen=True)
class Ledger:
    """Bytes of one dump by what became of them; they sum to the file's size."""

    decoded: int = 0
    duplicate: int = 0
    damaged: int = 0
    unrecognised: int = 0
    padding: int = 0

    @property
    def total(self) -> int:
        """Sum of all entries, in bytes."""
        return self.decoded + self.duplicate + self.damaged + self.unrecognised + self.padding


@dataclass(frozen=True)
class Dump:
    """One file as it was read: its path in the study, size, SHA-256 and ledger.

    ``n_damaged_frames`` counts frames that were recognised and failed their check or lacked their end.
    ``header_start`` is the start of the recording that the file itself states (EDF), in local time without
    an offset, as ISO 8601 writes it; empty where it states none.
    """

    name: str
    n_bytes: int
    sha256: str
    ledger: Ledger
    n_damaged_frames: int = 0
    header_start: str = ""


@dataclass(frozen=True)
class Frames:
    """All frames of one stream, from all dumps of one layout. Duplicates are still among them.

    Attributes
    ----------
    table : FrameTable
        Streams of one kind of frame share their frames; ``first_row`` and ``n_samples`` are their own.
    counts : CountSpool
        One column for each of the stream's channels.
    extra : CountSpool or None
        One row for each frame: what stood there beside what the layout gives a meaning to, part by part in
        their order; None where the kind has nothing of that. An 'ignored' part keeps its bytes. Packed
        samples that need not end on a whole byte (``row_bits * count`` no multiple of 8; of open count,
        ``row_bits``) keep one byte: their last one with the bits of samples cleared, which is 0 where they
        fill it. A frame that states its length and stands in a sector keeps two bytes more. The first says
        where the sector's filler is: 0 behind the frame; 1 before its checksum, which stands at the sector's
        end and covers the filler (where the length part stands behind the samples, before all that does); 2
        as 1, but not all of one value, so that the frame cannot be given back. The second is the filler's
        value. Together with counts and counters all these give the frame back byte for byte; with 1, that is
        the whole sector, while ``table.n_bytes`` leaves the filler out.
    """

    layout: Layout
    stream: Stream
    dumps: tuple[Dump, ...]
    table: FrameTable
    counts: CountSpool
    extra: CountSpool | None = None
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Reading:
    """What the dumps of one layout gave: a `Frames` for each of the layout's streams, in its order."""

    layout: Layout
    dumps: tuple[Dump, ...]
    streams: tuple[Frames, ...]
    notes: tuple[str, ...] = field(default=())

    @property
    def main(self) -> Frames:
        """Frames of the fastest stream."""
        return self.streams[0]


DumpFile = tuple[str, Path]
"""A dump's path in the study, as the user knows it, and where it is on this machine."""

Dumps = Sequence[DumpFile]
