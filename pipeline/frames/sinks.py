"""Where readers put what they decode: a table for each kind of frame, counts for each of its streams."""

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.frames import Dump, Frames
from pipeline.frames.leftover import Ints, Tally
from pipeline.frames.packing import extra_bytes
from pipeline.frames.room import Room
from pipeline.frames.spool import CountSpool
from pipeline.frames.tables import TableBuilder
from pipeline.layouts import Frame, Layout, Stream


class Seen(Protocol):
    """What every reader says of a dump: its ledger in the making, its size and SHA-256, its good frames."""

    tally: Tally
    n_bytes: int
    sha256: str

    @property
    def n_frames(self) -> int:
        """Of all kinds."""


class FrameSink:
    """Takes the frames of one kind.

    Parameters
    ----------
    frame : Frame
        The kind.
    streams : sequence of Stream
        Those that it carries, in the layout's order.
    folder : Path
        Where counts and columns go once they outgrow memory.
    n_extra : int
        Bytes of each frame that are kept for the way back, 0 where nothing is.
    """

    def __init__(self, frame: Frame, streams: Sequence[Stream], folder: Path, n_extra: int = 0) -> None:
        self.frame = frame
        self.streams = tuple(streams)
        self._table = TableBuilder(len(self.streams), Room(folder))
        self._spools = [CountSpool(len(s.channels), counts_dtype(s), folder) for s in self.streams]
        self._extra = CountSpool(n_extra, "u1", folder) if n_extra else None

    def add(
        self,
        dump: int,
        offset: Ints,
        n_bytes: Ints,
        counters: tuple[Ints | None, Ints | None, Ints | None],
        counts: Sequence[npt.NDArray[np.integer]],
        n_samples: Sequence[Ints],
        extra: Bytes | None = None,
    ) -> None:
        """Add frames of one dump, in their order.

        Parameters
        ----------
        dump : int
            Index of the dump.
        offset, n_bytes : int64, shape (n,)
            Where each frame stands in the dump, and how long it is there, with its delimiters.
        counters : (sequence, ticks, received)
            int64, shape (n,), or None where the kind has none.
        counts : integers, shape (rows, channels) or (frames, rows, channels), one for each stream
            Rows of all frames end to end.
        n_samples : int64, shape (n,), one for each stream
            Rows of each frame.
        extra : uint8, shape (n, n_extra) or None
            As `Frames.extra` holds them; needed where something is kept.
        """
        for spool, rows in zip(self._spools, counts, strict=True):
            spool.append(rows)
        if self._extra is not None and extra is not None:
            self._extra.append(extra)
        self._table.add(dump, offset, n_bytes, *counters, *n_samples)

    def complete(self, streams: Sequence[Stream]) -> None:
        """Put in the place of the streams the same ones with what a dump's header says of their channels."""
        self.streams = tuple(streams)

    def offsets(self, first: int) -> Ints:
        """Offsets of the frames from that one on."""
        return self._table.offsets(first)

    def sequences(self, first: int) -> Ints:
        """Sequence numbers of the frames from that one on."""
        return self._table.sequences(first)

    def turn(self, first: int, by: int) -> None:
        """Put the first `by` of the frames from that one on behind the others."""
        self._table.turn(first, by)
        if self._extra is not None:
            self._extra.turn(first, by)

    def __len__(self) -> int:
        return len(self._table)

    def frames(self, layout: Layout, dumps: tuple[Dump, ...]) -> list[Frames]:
        """The frames of each stream; nothing can be added any more."""
        return [
            Frames(layout, stream, dumps, table, spool, self._extra)
            for stream, table, spool in zip(self.streams, self._table.tables(), self._spools, strict=True)
        ]


def sinks_for(layout: Layout, folder: Path) -> tuple[FrameSink, ...]:
    """One sink for each kind of frame of the layout, in its order."""
    return tuple(
        FrameSink(
            frame,
            [stream for stream in layout.streams if stream.frame is frame],
            folder,
            extra_bytes(frame, layout.framing),
        )
        for frame in layout.frames
    )


def counts_dtype(stream: Stream) -> str:
    """The narrowest NumPy type that holds a stream's counts: by its parts' bits, in text by end codes."""
    if all(part.bits for part in stream.parts):
        widest = max(part.bits + (part.form == "unsigned") for part in stream.parts)
    else:
        ends = [code for channel in stream.channels for code in (channel.adc_min, channel.adc_max)]
        widest = max(int(code if code >= 0 else ~code).bit_length() + 1 for code in ends)
    return "i2" if widest <= 16 else "i4" if widest <= 32 else "i8"
