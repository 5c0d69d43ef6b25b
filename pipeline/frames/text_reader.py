"""Dumps of text, one after the other."""

from collections.abc import Sequence
from dataclasses import replace

from pipeline.errors import Problem
from pipeline.frames.diagnose import columns_of, no_lines
from pipeline.frames.lines import LineForm, line_form
from pipeline.frames.reader import OpenDump
from pipeline.frames.sinks import FrameSink, Seen
from pipeline.frames.text import SeenLines, read_text
from pipeline.layouts import Layout

_MOST = 0.5
"""What is wrong with so many of the lines is what is wrong with the dump."""


class TextReader:
    """Lines of text; columns that one dump names hold for the next ones, too."""

    def __init__(self, layout: Layout) -> None:
        self._form = line_form(layout)
        self._seen = SeenLines(self._form)

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> Seen:
        """Put the lines of a dump into the sinks."""
        self._form = columns_of(self._form, dump.name, dump.head)
        self._seen = read_text(dump.source, self._form, dump.index, sinks, block_bytes)
        self._form = self._seen.form
        if self._seen.n_frames:
            dump.notes += _absent(dump.name, self._form, self._seen)
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say what is wrong with columns, delimiter or codes."""
        problem = no_lines(dump.name, dump.head, self._form, self._seen)
        if problem is None or not problem.expected.startswith("lines of"):
            return problem
        if self._seen.n_unstamped >= _MOST * max(self._seen.n_numeric, 1):
            return _unstamped(problem, self._seen.n_unstamped)
        return replace(problem, expected=_expected(self._form)) if self._form.has_words else problem


def _unstamped(problem: Problem, n: int) -> Problem:
    """The message for lines of the right shape whose received stamps are none."""
    expected = "time stamps by RFC 3339 with the offset from UTC, such as 2026-03-02T09:30:00+01:00"
    found = f"{n:,} line{'' if n == 1 else 's'} without one in its column"
    remedy = "Write form = 'number' where it is a number; make the part 'ignored' where it has no offset."
    return replace(problem, expected=expected, found=found, remedy=remedy)


def _expected(form: LineForm) -> str:
    """What lines of several kinds look like."""
    kinds = form.kinds
    words = " or ".join(f"{kind.word.decode()!r} ({kind.n_columns} values)" for kind in kinds)
    return f"lines with {words} in column {kinds[0].word_at + 1}, between {form.delimiter_words}"


def _absent(name: str, form: LineForm, seen: SeenLines) -> list[str]:
    """A note for each kind of line at a rate of which there is none: its word may be spelt otherwise."""
    return [
        f"{name} has no good line of kind '{kind.name}', whose word is {kind.word.decode()!r}."
        for kind, n in zip(form.kinds, seen.n_of_kind, strict=True)
        if not n and not kind.is_event
    ]
