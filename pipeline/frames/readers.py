"""The readers by framing: each is made once for a layout and reads its dumps one after the other."""

from collections.abc import Callable, Sequence
from typing import Protocol

from pipeline.errors import Problem, Unreadable
from pipeline.frames.diagnose import columns_of, no_lines, no_sync_frames, wrong_checksum
from pipeline.frames.edf import EdfReader
from pipeline.frames.kinds import kinds_of
from pipeline.frames.lines import line_form
from pipeline.frames.reader import OpenDump
from pipeline.frames.seen import Seen as SeenBinary
from pipeline.frames.sinks import FrameSink, Seen
from pipeline.frames.sync import read_sync
from pipeline.frames.text import SeenLines, read_text
from pipeline.frames.wav import WavReader
from pipeline.layouts import Layout


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
        for k, shape in enumerate(self._kinds.shapes):
            other = wrong_checksum(dump.name, shape, self._seen.of(k))
            if other is not None:
                raise Unreadable(other)
        return no_sync_frames(dump.name, dump.head, self._layout, self._kinds.shapes[0], self._seen)


class TextReader:
    """Lines of text; columns that one dump names hold for the next ones, too."""

    def __init__(self, layout: Layout) -> None:
        self._form = line_form(layout)
        self._seen = SeenLines()

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> Seen:
        """Put the lines of a dump into the sinks."""
        self._form = columns_of(self._form, dump.name, dump.head)
        self._seen = read_text(dump.source, self._form, dump.index, sinks[0], block_bytes)
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say what is wrong with columns, delimiter or codes."""
        return no_lines(dump.name, dump.head, self._form, self._seen)


READERS: dict[str, Callable[[Layout], Reader]] = {
    "sync": SyncReader,
    "text": TextReader,
    "wav": WavReader,
    "edf": EdfReader,
}
"""Framing -> its reader."""
