"""What a line of a text dump holds, by position or by the names in its header."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pipeline.errors import Problem, Unreadable
from pipeline.layouts import Layout, Part

DELIMITERS = {"tab": b"\t", "blanks": b" "}
"""Delimiters that layouts write by name."""


@dataclass(frozen=True)
class LineForm:
    """Columns and signs. ``n_columns`` is 0 while a header is still to be found.

    ``parts`` are the layout's parts in order; ``sequence``, ``ticks`` (-1 where there is none) and
    ``values`` are column numbers. ``low`` and ``high`` are the end codes for each value of a line.
    """

    parts: tuple[Part, ...]
    delimiter: bytes
    any_blanks: bool
    decimal: str
    comment: bytes
    has_header: bool
    low: npt.NDArray[np.int64]
    high: npt.NDArray[np.int64]
    names: tuple[str, ...]
    decimals: int
    rows_per_line: int
    ticks_per_line: float
    sequence_bits: int = 0
    ticks_bits: int = 0
    n_columns: int = 0
    sequence: int = -1
    ticks: int = -1
    values: tuple[int, ...] = ()
    header: bytes = b""

    @property
    def delimiter_words(self) -> str:
        """The delimiter for messages."""
        return (
            "blanks"
            if self.any_blanks
            else "tabs"
            if self.delimiter == b"\t"
            else repr(self.delimiter.decode())
        )

    @property
    def delimiter_key(self) -> str:
        """The delimiter as layouts write it."""
        if self.any_blanks:
            return "blanks"
        return "tab" if self.delimiter == b"\t" else self.delimiter.decode()

    @cached_property
    def blank(self) -> npt.NDArray[np.bool_]:
        """Whether each byte is a blank that may stand around a value."""
        table = np.zeros(256, dtype=bool)
        for byte in b" \t":
            table[byte] = self.any_blanks or self.delimiter != bytes([byte])
        return table

    @cached_property
    def numeric(self) -> npt.NDArray[np.bool_]:
        """Whether each byte may stand in a line of numbers."""
        table = np.zeros(256, dtype=bool)
        table[list(b"0123456789+- \t" + self.decimal.encode() + self.delimiter)] = True
        return table


def line_form(layout: Layout) -> LineForm:
    """The form of the layout's lines; columns by position unless there is a header to find."""
    text, samples = layout.text, layout.frame.part("samples")
    if text is None or samples is None:
        raise ValueError("a layout with framing 'text' has a [text] table and a samples part")
    repeat = samples.count
    sequence, ticks = layout.frame.part("sequence"), layout.frame.part("ticks")
    form = LineForm(
        parts=layout.frame.parts,
        delimiter=DELIMITERS.get(text.delimiter, text.delimiter.encode()),
        any_blanks=text.delimiter == "blanks",
        decimal=text.decimal,
        comment=text.comment.encode(),
        has_header=text.header,
        low=np.array([channel.adc_min for channel in layout.sampled] * repeat, dtype=np.int64),
        high=np.array([channel.adc_max for channel in layout.sampled] * repeat, dtype=np.int64),
        names=tuple(channel.name for channel in layout.sampled) * repeat,
        decimals=samples.decimals,
        rows_per_line=repeat,
        ticks_per_line=repeat * (layout.tick_hz or 0.0) / layout.sample_hz,
        sequence_bits=sequence.wraps_at_bits if sequence else 0,
        ticks_bits=ticks.wraps_at_bits if ticks else 0,
    )
    return form if text.header else by_position(form)


def _width(form: LineForm, part: Part) -> int:
    if part.is_ == "samples":
        return len(part.channels) * part.count
    return part.count if part.is_ == "ignored" else 1


def by_position(form: LineForm) -> LineForm:
    """The form with its columns where the parts' order puts them."""
    at, places, values = 0, {"sequence": -1, "ticks": -1}, tuple[int, ...]()
    for part in form.parts:
        width = _width(form, part)
        if part.is_ == "samples":
            values = tuple(range(at, at + width))
        elif part.is_ != "ignored":
            places[part.is_] = at
        at += width
    return replace(form, n_columns=at, sequence=places["sequence"], ticks=places["ticks"], values=values)


def split_names(form: LineForm, line: bytes) -> list[str]:
    """The names in a header line, without blanks and quotation marks around them."""
    text = line.decode("utf-8", errors="replace").strip("\ufeff\0 \t\r\n")
    pieces = text.split() if form.any_blanks else text.split(form.delimiter.decode())
    return [piece.strip().strip("\"'").strip() for piece in pieces]


def header_line(form: LineForm, name: str, head: bytes) -> LineForm:
    """Find the line that names the columns; a part of a recording without one keeps those of the part before.

    Parameters
    ----------
    form : LineForm
        As made from the layout, or as it was for the dump before.
    name : str
        The dump, for messages.
    head : bytes
        Its beginning.

    Raises
    ------
    Unreadable
        When there is no header line, or it lacks a column of the layout.
    """
    if not form.has_header:
        return form
    best: tuple[int, int, list[str]] | None = None
    lines = head.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")[:5000]
    for i, raw in enumerate(lines):
        line = raw.strip(b"\0\xff \t").removeprefix(b"\xef\xbb\xbf")
        if not line or (form.comment and line.startswith(form.comment)):
            continue
        columns = split_names(form, line)
        missing = [wanted for wanted in wanted_columns(form) if wanted not in columns]
        if not missing:
            return _by_name(form, columns, line.strip(b" \t"))
        is_numbers = bool(np.all(form.numeric[np.frombuffer(line, dtype=np.uint8)]))
        if not is_numbers and (best is None or len(missing) < best[0]):
            best = (len(missing), i + 1, columns)
    if form.n_columns:
        return form
    wanted = "a header line with the columns " + ", ".join(f"'{column}'" for column in wanted_columns(form))
    if best is None:
        remedy = (
            "Set header = false in [text], remove column and columns, and order the parts as the columns."
        )
        raise Unreadable(Problem(name, "line 1", wanted, "no line of names", remedy))
    _, line_number, columns = best
    missing = [column for column in wanted_columns(form) if column not in columns]
    shown = ", ".join(f"'{column[:40]}'" for column in columns[:30])
    found = f"columns {shown}; missing {', '.join(repr(column) for column in missing)}"
    remedy = "Correct column or columns in the layout's parts, or the delimiter."
    raise Unreadable(Problem(name, f"line {line_number}", wanted, found, remedy))


def wanted_columns(form: LineForm) -> list[str]:
    """The names that a header must have."""
    return [column for part in form.parts if part.is_ != "ignored" for column in part.columns]


def _by_name(form: LineForm, columns: list[str], line: bytes) -> LineForm:
    """Columns by name; a part that names none stands where the parts' order puts it."""
    position = by_position(form)
    places = {"sequence": position.sequence, "ticks": position.ticks}
    values = position.values
    for part in form.parts:
        if part.is_ == "samples" and part.columns:
            values = tuple(columns.index(column) for column in part.columns)
            if len(values) != len(form.names):
                values = tuple(range(values[0], values[0] + len(form.names)))
        elif part.is_ in places and part.columns:
            places[part.is_] = columns.index(part.columns[0])
    return replace(
        form,
        n_columns=max(len(columns), *values, *places.values()),
        sequence=places["sequence"],
        ticks=places["ticks"],
        values=values,
        header=line,
    )
