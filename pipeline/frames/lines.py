"""What a line of a text dump holds, by position or by the names in its header."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pipeline.errors import Problem, Unreadable
from pipeline.frames.sinks import counts_dtype
from pipeline.layouts import Frame, Layout, Part, Stream

DELIMITERS = {"tab": b"\t", "blanks": b" "}
"""Delimiters that layouts write by name."""

_HEADER_LINES = 5000
_BOM = b"\xef\xbb\xbf"
_LARGEST = (1 << 63) - 1

Places = dict[int, tuple[int, ...]]
"""The columns of each part, by its place among the parts of its frame."""


@dataclass(frozen=True)
class Column:
    """One column: its number, the decimals that make its numbers whole, and the codes between which they lie.

    ``name`` is the channel, ``stamp`` how received stamps are written.
    """

    at: int
    decimals: int = 0
    low: int = 0
    high: int = _LARGEST
    name: str = ""
    stamp: str = "number"


@dataclass(frozen=True)
class StreamColumns:
    """The values of one stream in a line: rows of all its channels, one behind the other."""

    columns: tuple[Column, ...]
    n_rows: int
    dtype: str


@dataclass(frozen=True)
class LineKind:
    """One kind of line.

    Attributes
    ----------
    name : str
        As the layout names it.
    is_event : bool
        Whether such lines come at no rate.
    n_columns : int
        Values of a line.
    streams : tuple of StreamColumns
        In the order of the kind's sink.
    word, word_at : bytes, int
        What stands in which column of lines of this kind; -1 where any line is of it.
    sequence, ticks, received : Column or None
        Where the counters stand.
    sequence_bits, ticks_bits : int
        At which they wrap, 0 where they do not.
    shares_sequence : bool
        Whether the sequence runs through lines of all kinds.
    ticks_per_line : float
        Of lines at a rate; infinite for events.
    """

    name: str
    is_event: bool
    n_columns: int
    streams: tuple[StreamColumns, ...]
    word: bytes = b""
    word_at: int = -1
    sequence: Column | None = None
    ticks: Column | None = None
    received: Column | None = None
    sequence_bits: int = 0
    ticks_bits: int = 0
    shares_sequence: bool = False
    ticks_per_line: float = np.inf

    @property
    def value_names(self) -> list[str]:
        """The channel of each value of a line, stream by stream."""
        return [column.name for stream in self.streams for column in stream.columns]

    @property
    def n_needed(self) -> int:
        """How many of the values must be numbers (or stamps)."""
        counters = (self.sequence, self.ticks, self.received)
        return sum(len(stream.columns) for stream in self.streams) + sum(c is not None for c in counters)


@dataclass(frozen=True)
class LineForm:
    """Columns and signs. ``kinds`` is empty while a header is still to be found, ``header`` its line."""

    layout: Layout
    delimiter: bytes
    any_blanks: bool
    decimal: str
    comment: bytes
    has_header: bool
    quote: str = ""
    kinds: tuple[LineKind, ...] = ()
    header: bytes = b""

    @property
    def n_columns(self) -> int:
        """Values of a line of the first kind, 0 while that is not known."""
        return self.kinds[0].n_columns if self.kinds else 0

    @property
    def has_words(self) -> bool:
        """Whether each line says of which kind it is."""
        return any(kind.word_at >= 0 for kind in self.kinds)

    @property
    def delimiter_words(self) -> str:
        """The delimiter for messages."""
        return {"blanks": "blanks", "tab": "tabs"}.get(self.delimiter_key, repr(self.delimiter_key))

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
        signs = self.decimal.encode() + self.delimiter + self.quote.encode()
        table[list(b"0123456789+- \t" + signs)] = True
        return table


def line_form(layout: Layout) -> LineForm:
    """The form of the layout's lines; columns by position unless there is a header to find."""
    text = layout.text
    if text is None:
        raise ValueError("a layout with framing 'text' has a [text] table")
    form = LineForm(
        layout=layout,
        delimiter=DELIMITERS.get(text.delimiter, text.delimiter.encode()),
        any_blanks=text.delimiter == "blanks",
        decimal=text.decimal,
        comment=text.comment.encode(),
        has_header=text.header,
        quote=text.quote,
    )
    return form if text.header else by_position(form)


def by_position(form: LineForm) -> LineForm:
    """The form with its columns where the parts' order puts them."""
    kinds = []
    for frame in form.layout.frames:
        places = _places(frame)
        n_columns = 1 + max(places[len(places) - 1])
        kinds.append(_kind(form.layout, frame, places, n_columns))
    return replace(form, kinds=tuple(kinds))


def _by_name(form: LineForm, names: Sequence[str], line: bytes) -> LineForm:
    """Columns by name, the same for all kinds; a part without a name stands where the order puts it."""
    kinds = []
    for frame in form.layout.frames:
        places = _places(frame)
        for i, part in enumerate(frame.parts):
            if part.is_ != "ignored" and part.columns:
                at = tuple(names.index(column) for column in part.columns)
                width = len(places[i])
                places[i] = at if len(at) == width else tuple(range(at[0], at[0] + width))
        needed = [at for i, part in enumerate(frame.parts) if part.is_ != "ignored" for at in places[i]]
        kinds.append(_kind(form.layout, frame, places, max(len(names), 1 + max(needed))))
    return replace(form, kinds=tuple(kinds), header=line)


def _places(frame: Frame) -> Places:
    """Columns in the order of the parts."""
    at, places = 0, Places()
    for i, part in enumerate(frame.parts):
        width = part.count * len(part.channels) if part.is_ == "samples" else 1
        width = part.count if part.is_ == "ignored" else width
        places[i] = tuple(range(at, at + width))
        at += width
    return places


def _kind(layout: Layout, frame: Frame, places: Places, n_columns: int) -> LineKind:
    """A kind of line whose columns are known."""
    parts = {
        part.is_: (part, _counter(part, places[i][0]))
        for i, part in reversed(list(enumerate(frame.parts)))
        if part.is_ not in ("samples", "ignored")
    }
    none = (Part("ignored"), None)
    word, sequence, ticks, received = (
        parts.get(is_, none) for is_ in ("kind", "sequence", "ticks", "received")
    )
    streams = [stream for stream in layout.streams if stream.frame is frame]
    rate = 0.0 if frame.is_event or not streams else streams[0].parts[0].count / streams[0].sample_hz
    return LineKind(
        name=frame.name,
        is_event=frame.is_event,
        n_columns=n_columns,
        streams=tuple(_stream(stream, frame, places) for stream in streams),
        word=str(word[0].value).encode() if word[1] else b"",
        word_at=word[1].at if word[1] else -1,
        sequence=sequence[1],
        ticks=ticks[1],
        received=received[1],
        sequence_bits=sequence[0].wraps_at_bits,
        ticks_bits=ticks[0].wraps_at_bits,
        shares_sequence=sequence[0].shared,
        ticks_per_line=rate * (layout.tick_hz or 0.0) if rate else np.inf,
    )


def _counter(part: Part, at: int) -> Column:
    """The column of a counter, which is not negative and fits its bits."""
    bits = part.wraps_at_bits
    return Column(at, part.decimals, 0, (1 << bits) - 1 if 0 < bits < 63 else _LARGEST, "", part.stamp)


def _stream(stream: Stream, frame: Frame, places: Places) -> StreamColumns:
    """Columns of a stream's values, row by row through all its parts."""
    described = {channel.name: channel for channel in stream.channels}
    n_rows, columns = stream.parts[0].count, list[Column]()
    for row in range(n_rows):
        for part in stream.parts:
            own = places[next(i for i, other in enumerate(frame.parts) if other is part)]
            for i, name in enumerate(part.channels):
                channel = described[name]
                at = own[row * len(part.channels) + i]
                columns.append(Column(at, part.decimals, channel.adc_min, channel.adc_max, name))
    return StreamColumns(tuple(columns), n_rows, counts_dtype(stream))


def split_names(form: LineForm, line: bytes) -> list[str]:
    """The names in a header line, without blanks and quotation marks around them."""
    text = line.decode("utf-8", errors="replace").strip("\ufeff\0 \t\r\n")
    names = [piece.strip().strip("\"'").strip() for piece in split_line(form, text)]
    return names[:-1] if len(names) > 1 and not names[-1] else names


def split_line(form: LineForm, text: str) -> list[str]:
    """The values of one line as they stand there, blanks and quotation marks around them included.

    Delimiters within quotation marks part nothing, by RFC 4180, where the whole line keeps to it: a value
    begins and ends with the mark, and each mark within is doubled. In any other line they do.
    """
    pattern = r"[ \t]+" if form.any_blanks else re.escape(form.delimiter.decode())
    plain = re.split(f"({pattern})", text)
    if not form.quote or form.quote not in text:
        return plain[::2]
    mark = re.escape(form.quote)
    whole = re.compile(rf"[ \t]*{mark}(?:[^{mark}]|{mark}{mark})*{mark}[ \t]*|[^{mark}]*")
    pieces = list(_joined(plain, form.quote))
    return pieces if all(whole.fullmatch(piece) for piece in pieces) else plain[::2]


def _joined(pieces: Sequence[str], quote: str) -> Iterator[str]:
    """Values and the delimiters between them, put together again while a quotation mark is open."""
    value = ""
    for i, piece in enumerate(pieces):
        if i % 2 and value.count(quote) % 2 == 0:
            yield value
            value = ""
        else:
            value += piece
    yield value


def renamed(form: LineForm, line: bytes) -> LineForm | None:
    """The form with the columns that a line names, where it names all that the layout wants."""
    names, wanted = split_names(form, line), wanted_columns(form)
    return _by_name(form, names, line) if set(wanted) <= set(names) else None


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
    wanted = wanted_columns(form)
    best: tuple[int, int, list[str]] | None = None
    lines = head.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")[:_HEADER_LINES]
    for i, raw in enumerate(lines):
        line = raw.strip(b"\0\xff \t").removeprefix(_BOM)
        if not line or (form.comment and line.startswith(form.comment)):
            continue
        columns = split_names(form, line)
        missing = [column for column in wanted if column not in columns]
        if not missing:
            return _by_name(form, columns, line.strip(b" \t"))
        is_numbers = bool(np.all(form.numeric[np.frombuffer(line, dtype=np.uint8)]))
        if not is_numbers and (best is None or len(missing) < best[0]):
            best = (len(missing), i + 1, columns)
    if form.kinds:
        return form
    raise Unreadable(_no_header(name, wanted, best))


def _no_header(name: str, wanted: Sequence[str], best: tuple[int, int, list[str]] | None) -> Problem:
    """The message for a dump without a header that has all columns; `best` is the line that comes closest."""
    expected = "a header line with the columns " + ", ".join(f"'{column}'" for column in wanted)
    if best is None:
        remedy = (
            "Set header = false in [text], remove column and columns, and order the parts as the columns."
        )
        return Problem(name, "line 1", expected, "no line of names", remedy)
    _, line_number, columns = best
    missing = [column for column in wanted if column not in columns]
    shown = ", ".join(f"'{column[:40]}'" for column in columns[:30])
    found = f"columns {shown}; missing {', '.join(repr(column) for column in missing)}"
    remedy = "Correct column or columns in the layout's parts, or the delimiter."
    return Problem(name, f"line {line_number}", expected, found, remedy)


def wanted_columns(form: LineForm) -> list[str]:
    """The names that a header must have, each once."""
    parts = [part for frame in form.layout.frames for part in frame.parts if part.is_ != "ignored"]
    return list(dict.fromkeys(column for part in parts for column in part.columns))
