"""The readers by framing: each is made once for a layout and reads its dumps one after the other."""

from collections.abc import Callable, Sequence
from typing import Protocol

from pipeline.errors import Problem, Unreadable
from pipeline.frames import cobs, slip
from pipeline.frames.diagnose import no_sync_frames, wrong_checksum
from pipeline.frames.edf import EdfReader
from pipeline.frames.kinds import Kinds, kinds_of
from pipeline.frames.packets import PacketReader, Stuffing
from pipeline.frames.reader import OpenDump
from pipeline.frames.sectors import SectorReader
from pipeline.frames.seen import Seen as SeenBinary
from pipeline.frames.sinks import FrameSink, Seen
from pipeline.frames.sync import read_sync
from pipeline.frames.text_reader import TextReader
from pipeline.frames.wav import WavReader
from pipeline.layouts import Layout

STUFFINGS = {
    "cobs": Stuffing(cobs.DELIMITER, cobs.unstuff, cobs.most_bytes),
    "slip": Stuffing(slip.DELIMITER, slip.unstuff, slip.most_bytes),
}
"""Framing -> how its packets are stuffed."""


class Reader(Protocol):
    """Reads the dumps of one layout, one after the other."""

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> Seen:
        """Put the frames of a dump into the sinks; account for every byte of it."""

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say why the dump just read gave no frame (None: it did); Unreadable where the layout is wrong."""


class SyncReader:
    """Binary frames that begin with fixed bytes."""

    def __init__(self, layout: Layout) -> None:
        self._layout, self._kinds = layout, kinds_of(layout)
        self._seen = SeenBinary()

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> Seen:
        """Put the frames of a dump into the sinks."""
        self._seen = read_sync(dump.source, self._kinds, dump.index, sinks, block_bytes)
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say what is wrong with sync bytes, lengths or the checksum."""
        return _binary_problem(dump, self._layout, self._kinds, self._seen)


def _binary_problem(dump: OpenDump, layout: Layout, kinds: Kinds, seen: SeenBinary) -> Problem | None:
    """What is wrong with a dump; it is not refused where frames of other kinds came out of it."""
    several = len(kinds.shapes) > 1
    names = [frame.name if several else "" for frame in layout.frames]
    others = [
        wrong_checksum(dump.name, layout, shape, seen.of(k), names[k]) for k, shape in enumerate(kinds.shapes)
    ]
    wrong = [problem for problem in others if problem is not None]
    if wrong:
        if any(kind.n_frames for kind, problem in zip(seen.kinds, others, strict=True) if problem is None):
            return wrong[0]
        raise Unreadable(wrong[0])
    return no_sync_frames(dump.name, dump.head, layout, kinds.shapes[0], seen)


class PacketsReader:
    """Binary frames in packets, stuffed by COBS or SLIP."""

    def __init__(self, layout: Layout) -> None:
        self._layout, self._kinds = layout, kinds_of(layout)
        self._stuffing = STUFFINGS[layout.framing]
        self._seen = SeenBinary()

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> Seen:
        """Put the frames of a dump into the sinks."""
        reader = PacketReader(self._kinds, self._stuffing, dump.index, sinks)
        self._seen = reader.read(dump.source, block_bytes)
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say what is wrong with delimiters, sizes or the checksum."""
        return _binary_problem(dump, self._layout, self._kinds, self._seen)


class SectorsReader:
    """Binary frames in the sectors of a memory."""

    def __init__(self, layout: Layout) -> None:
        self._layout, self._kinds = layout, kinds_of(layout)
        self._seen = SeenBinary()

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> Seen:
        """Put the frames of a dump into the sinks."""
        reader = SectorReader(self._kinds, self._layout.sector_bytes, dump.index, sinks)
        self._seen = reader.read(dump.source, block_bytes)
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say what is wrong with sectors, lengths or the checksum."""
        return _binary_problem(dump, self._layout, self._kinds, self._seen)


READERS: dict[str, Callable[[Layout], Reader]] = {
    "sync": SyncReader,
    "sectors": SectorsReader,
    "cobs": PacketsReader,
    "slip": PacketsReader,
    "text": TextReader,
    "wav": WavReader,
    "edf": EdfReader,
}
"""Framing -> its reader."""
