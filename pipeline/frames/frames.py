"""What comes out of the dumps: frames, where each stood, and where every byte went."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import MEMORY, Room
from pipeline.frames.spool import CountSpool
from pipeline.layouts import Layout, Stream


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
    room : Room
        Where further columns of as many numbers can go.
    """

    dump: npt.NDArray[np.int32]
    offset: npt.NDArray[np.int64]
    n_bytes: npt.NDArray[np.int32]
    sequence: npt.NDArray[np.int64]
    ticks: npt.NDArray[np.int64]
    received: npt.NDArray[np.int64]
    first_row: npt.NDArray[np.int64]
    n_samples: npt.NDArray[np.int64]
    room: Room = MEMORY

    def __len__(self) -> int:
        return len(self.offset)

    @property
    def columns(self) -> dict[str, npt.NDArray[np.signedinteger]]:
        """The arrays by name."""
        return {name: values for name, values in vars(self).items() if name != "room"}


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
