"""All dumps of a session that share a layout to frames, by the layout's framing."""

import errno
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import Problem, ReadingFailed, Unreadable
from pipeline.frames.frames import Dump, DumpFile, Ledger, Reading
from pipeline.frames.reader import OpenDump
from pipeline.frames.readers import READERS, Reader
from pipeline.frames.sinks import FrameSink, sinks_for
from pipeline.frames.sync import BLOCK_BYTES
from pipeline.layouts import Layout

EMPTY_SHA256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
"""SHA-256 of no bytes (FIPS 180-4): what a missing or empty dump carries."""

_HEAD_BYTES = 1 << 20


def read_frames(
    dumps: Sequence[DumpFile], layout: Layout, spool_dir: Path, block_bytes: int = BLOCK_BYTES
) -> Reading:
    """Read dumps of one session, in their order.

    Parameters
    ----------
    dumps : sequence of (name, path)
        Path in the study, for messages, and where the file is.
    layout : Layout
        How the bytes are laid out.
    spool_dir : Path
        Where decoded counts go once they outgrow memory; an existing folder.
    block_bytes : int
        Bytes read at once; the result does not depend on it.

    Returns
    -------
    Reading
        With a note for each dump that could not be read while others could.

    Raises
    ------
    Unreadable
        When no samples can be decoded from any of the dumps, or the layout is another device's.
    ReadingFailed
        When the disk does not give one of them, or not all of it.
    """
    if not dumps:
        remedy = "Name the dumps in the sessions table."
        raise Unreadable(Problem("", "", "at least one dump", "none", remedy))
    reader = READERS[layout.framing](layout)
    sinks = sinks_for(layout, spool_dir)
    entries: list[Dump] = []
    problems: list[Problem] = []
    notes: list[str] = []
    for i, (name, path) in enumerate(dumps):
        dump = OpenDump(name, path, i)
        n_before = sum(len(sink) for sink in sinks)
        entry, problem = _read_one(dump, reader, sinks, block_bytes)
        entries.append(entry)
        notes += dump.notes
        if problem and sum(len(sink) for sink in sinks) > n_before:
            notes.append(f"{problem} The other kinds of frame were read.")
        elif problem:
            problems.append(problem)
    if not any(len(sink) for sink in sinks):
        raise Unreadable(problems[0])
    notes += [f"{problem} The other dumps of the session were read." for problem in problems]
    made = [frames for sink in sinks for frames in sink.frames(layout, tuple(entries))]
    # the order of the layout's streams, some of which a header may have completed
    made.sort(key=lambda frames: (frames.stream.frame.is_event, -frames.stream.sample_hz))
    return Reading(layout, tuple(entries), tuple(made), tuple(notes))


def _read_one(
    dump: OpenDump, reader: Reader, sinks: Sequence[FrameSink], block_bytes: int
) -> tuple[Dump, Problem | None]:
    """One dump's entry, and what was wrong with it (None: nothing)."""
    name, path = dump.name, dump.path
    nothing = Dump(name, 0, EMPTY_SHA256, Ledger())
    try:
        if path.is_dir():
            return nothing, Problem(name, "", "a dump", "a folder", "Name a file in it.")
        if path.exists() and not path.is_file():  # a pipe, at which reading would wait for ever
            return nothing, Problem(name, "", "a dump", "no regular file", "Copy the dump into a file.")
        with path.open("rb") as source:
            dump.source, dump.head = source, source.read(_HEAD_BYTES)
            source.seek(0)
            if not dump.head:
                remedy = "Copy the dump from the device again."
                return nothing, Problem(name, "byte 0", "frames", "an empty file", remedy)
            seen = reader.read(dump, sinks, block_bytes)
    except FileNotFoundError:
        remedy = "Copy the dump there, or correct its path."
        return nothing, Problem(name, "", "a dump", "no such file", remedy)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):  # our own spool is full, not the dump at fault
            raise
        found = error.strerror or str(error)
        remedy = "Check the file, its permissions and the disk or card, and run again."
        raise ReadingFailed(Problem(name, "", "a file that can be read", found, remedy)) from error
    tally = seen.tally
    entry = Dump(name, seen.n_bytes, seen.sha256, tally.ledger(), tally.n_damaged_frames, dump.header_start)
    return entry, reader.problem(dump)
