"""All dumps of a session to frames, by the layout's framing."""

import errno
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import Problem, Unreadable
from pipeline.frames.diagnose import columns_of, no_lines, no_sync_frames, wrong_checksum
from pipeline.frames.frames import CountSpool, Dump, DumpFile, Frames, Ledger
from pipeline.frames.lines import LineForm, line_form, text_dtype
from pipeline.frames.shape import Shape, shape_of, spool_dtype
from pipeline.frames.sync import BLOCK_BYTES, Seen, read_sync
from pipeline.frames.tables import TableBuilder
from pipeline.frames.text import SeenLines, read_text
from pipeline.layouts import Layout

EMPTY_SHA256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
"""SHA-256 of no bytes (FIPS 180-4): what a missing or empty dump carries."""

_HEAD_BYTES = 1 << 20


def read_frames(
    dumps: Sequence[DumpFile], layout: Layout, spool_dir: Path, block_bytes: int = BLOCK_BYTES
) -> Frames:
    """Read the dumps of one session, in their order.

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
    Frames
        With a note for each dump that could not be read while others could.

    Raises
    ------
    Unreadable
        When no frame can be decoded from any of the dumps, or the layout is another device's.
    """
    is_text = layout.framing == "text"
    shape = None if is_text else shape_of(layout)
    form = line_form(layout) if is_text else None
    samples = layout.frame.part("samples")
    if samples is None:
        raise ValueError("a layout has a samples part")
    dtype = text_dtype(layout) if is_text else spool_dtype(samples)
    spool = CountSpool(len(samples.channels), dtype, spool_dir)
    table = TableBuilder()
    entries: list[Dump] = []
    problems: list[Problem] = []
    for i, (name, path) in enumerate(dumps):
        entry, problem, form = _read_one((name, path), i, layout, shape, form, spool, table, block_bytes)
        entries.append(entry)
        if problem:
            problems.append(problem)
    if not dumps:
        raise Unreadable(
            Problem("", "", "at least one dump", "none", "Name the dumps in the sessions table.")
        )
    if not len(table):
        raise Unreadable(problems[0])
    notes = tuple(f"{problem} The other dumps of the session were read." for problem in problems)
    return Frames(layout, tuple(entries), table.table(), spool, notes)


def _read_one(
    dump: DumpFile,
    index: int,
    layout: Layout,
    shape: Shape | None,
    form: LineForm | None,
    spool: CountSpool,
    table: TableBuilder,
    block_bytes: int,
) -> tuple[Dump, Problem | None, LineForm | None]:
    """One dump's entry, what was wrong with it (None: nothing), and the columns for the next dump."""
    name, path = dump
    try:
        if path.is_dir():
            problem = Problem(name, "", "a dump", "a folder", "Name a file in it.")
            return Dump(name, 0, EMPTY_SHA256, Ledger()), problem, form
        if path.exists() and not path.is_file():  # a pipe, at which reading would wait for ever
            problem = Problem(name, "", "a dump", "no regular file", "Copy the dump into a file.")
            return Dump(name, 0, EMPTY_SHA256, Ledger()), problem, form
        with path.open("rb") as source:
            head = source.read(_HEAD_BYTES)
            source.seek(0)
            if not head:
                problem = Problem(
                    name, "byte 0", "frames", "an empty file", "Copy the dump from the device again."
                )
                return Dump(name, 0, EMPTY_SHA256, Ledger()), problem, form
            if form is not None:
                form = columns_of(form, name, head)
                lines = read_text(source, form, index, spool, table, block_bytes)
                return _entry(name, lines), no_lines(name, head, form, lines), form
            if shape is None:
                raise ValueError("a layout is either text or binary")
            seen = read_sync(source, shape, index, spool, table, block_bytes)
    except FileNotFoundError:
        remedy = "Copy the dump there, or correct its path."
        return (
            Dump(name, 0, EMPTY_SHA256, Ledger()),
            Problem(name, "", "a dump", "no such file", remedy),
            form,
        )
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):  # our own spool is full, not the dump at fault
            raise
        found = error.strerror or str(error)
        problem = Problem(name, "", "a file that can be read", found, "Check the file and its permissions.")
        return Dump(name, 0, EMPTY_SHA256, Ledger()), problem, form
    other = wrong_checksum(name, shape, seen)
    if other is not None:
        raise Unreadable(other)
    return _entry(name, seen), no_sync_frames(name, head, layout, shape, seen), form


def _entry(name: str, seen: Seen | SeenLines) -> Dump:
    return Dump(name, seen.n_bytes, seen.sha256, seen.tally.ledger(), seen.tally.n_damaged_frames)
