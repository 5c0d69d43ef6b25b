"""An encoder of its own: layout and counts to the bytes of a dump, with nothing from the readers."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from checks import check_of
from wrapping import cobs, into_sectors, slip

from pipeline.layouts import Frame, Layout, Part, Stream

DELIMITERS = {"tab": "\t", "blanks": "  "}
_DEFAULT_ROWS = 8


@dataclass(frozen=True)
class Encoded:
    """One frame as it stands in the dump, and what is in it.

    ``kind`` is the index of its kind among the layout's frames; ``counts`` are its rows, one array for each
    of the streams of that kind, in the layout's order. Counters are as written, thus wrapped.
    """

    data: bytes
    kind: int
    sequence: int
    ticks: int
    received: int
    counts: tuple[np.ndarray, ...]


def streams_of(layout: Layout, frame: Frame) -> list[Stream]:
    """The streams that a kind of frame carries, in the layout's order."""
    return [stream for stream in layout.streams if stream.frame is frame]


def encode_frames(
    layout: Layout,
    counts: np.ndarray,
    *,
    first_sequence: int = 0,
    first_tick: int = 0,
    ticks_per_sample: float | None = None,
    samples_per_frame: int | Sequence[int] | None = None,
) -> list[bytes]:
    """Frames of `counts`, shape (n, channels), one byte string each; in text, one line each.

    For layouts of one stream. ``samples_per_frame`` matters only where frames state their own length (8 where
    it is not given). Counts that do not fill a last frame are left out.
    """
    hz = None if ticks_per_sample is None else ticks_per_sample * layout.sample_hz
    made = encode_all(
        layout,
        [counts],
        first_sequence=first_sequence,
        first_tick=first_tick,
        tick_hz=hz,
        samples_per_frame=samples_per_frame,
    )
    return [encoded.data for encoded in made]


def encode_all(
    layout: Layout,
    counts: Sequence[np.ndarray],
    *,
    first_sequence: int = 0,
    first_tick: int = 0,
    first_received: int = 0,
    tick_hz: float | None = None,
    samples_per_frame: int | Sequence[int] | None = None,
    event_s: Sequence[float] = (),
    both_ends: bool = False,
    fill: int = 0xFF,
    check_at_end: bool = False,
) -> list[Encoded]:
    """Frames of all kinds in the order of time, as a device sends them.

    Parameters
    ----------
    layout : Layout
        What is written.
    counts : sequence of arrays of shape (n, channels)
        One for each of the layout's streams, in its order.
    first_sequence, first_tick, first_received : int
        Counters at second 0; stamps of the receiver go with the nominal rate.
    tick_hz : float
        Ticks in a second of the nominal rate, where the crystal is off.
    samples_per_frame : int or sequence of int
        Rows in each frame of a kind that states its length.
    event_s : sequence of float
        When frames of events come, one for each, in seconds.
    both_ends, fill :
        As `on_the_wire` takes them.
    check_at_end : bool
        In sectors: the checksum stands at the sector's end, and covers the filler. So it does where the
        length stands behind the samples, with all that follows them.
    """
    planned = []
    for kind, frame in enumerate(layout.frames):
        for i, (second, rows) in enumerate(
            _events(layout, frame, counts, event_s)
            if frame.is_event
            else _periodic(layout, frame, counts, samples_per_frame)
        ):
            planned.append((second, kind, i, rows))
    planned.sort(key=lambda plan: (plan[0], plan[1], plan[2]))
    made, n_shared = [], 0
    for second, kind, i, rows in planned:
        frame = layout.frames[kind]
        number = first_sequence + i
        sequence = frame.part("sequence")
        if sequence is not None and sequence.shared:
            number, n_shared = first_sequence + n_shared, n_shared + 1
        hz = tick_hz if tick_hz is not None else _hz(frame.part("ticks")) or layout.tick_hz or 0.0
        tick = _wrapped(first_tick + round(second * hz), frame.part("ticks"))
        stamp = first_received + round(second * _hz(frame.part("received")))
        number = _wrapped(number, sequence)
        room = layout.sector_bytes if check_at_end or _is_behind(frame) else 0
        counters = {"sequence": number, "ticks": tick, "received": stamp}
        body = encode_frame(layout, frame, rows, **counters, room=room, fill=fill)
        data = on_the_wire(layout, body, both_ends=both_ends, fill=fill)
        made.append(Encoded(data, kind, number, tick, stamp, rows))
    return made


def on_the_wire(layout: Layout, body: bytes, *, both_ends: bool = False, fill: int = 0xFF) -> bytes:
    """A frame as it stands in the dump.

    Stuffed and with its delimiter (``both_ends``: one before it, too), or in a sector of its own, which
    ``fill`` fills up.
    """
    if layout.framing == "cobs":
        return b"\0" * both_ends + cobs(body) + b"\0"
    if layout.framing == "slip":
        return b"\xc0" * both_ends + slip(body) + b"\xc0"
    return into_sectors([body], layout.sector_bytes, fill=fill) if layout.framing == "sectors" else body


def header_line(layout: Layout) -> bytes:
    """The line that names the columns, for a layout with a header."""
    names = []
    for part in layout.frame.parts:
        names += list(part.columns) or ["other"] * part.count
    return (_delimiter(layout).join(names) + "\n").encode()


def _hz(part: Part | None) -> float:
    return part.hz if part is not None else 0.0


def _wrapped(value: int, part: Part | None) -> int:
    return value % (1 << part.wraps_at_bits) if part is not None and part.wraps_at_bits else value


Planned = list[tuple[float, tuple[np.ndarray, ...]]]
"""Second and rows of each frame of a kind."""


def _periodic(
    layout: Layout, frame: Frame, counts: Sequence[np.ndarray], samples_per_frame: int | Sequence[int] | None
) -> Planned:
    streams = streams_of(layout, frame)
    mine = [counts[layout.streams.index(stream)] for stream in streams]
    sizes = [_sizes(stream, rows, samples_per_frame) for stream, rows in zip(streams, mine, strict=True)]
    planned, at = list[tuple[float, tuple[np.ndarray, ...]]](), [0] * len(streams)
    for i in range(min(map(len, sizes))):
        stops = [start + size[i] for start, size in zip(at, sizes, strict=True)]
        rows = tuple(block[start:stop] for block, start, stop in zip(mine, at, stops, strict=True))
        planned.append((at[0] / streams[0].sample_hz, rows))
        at = stops
    return planned


def _sizes(stream: Stream, rows: np.ndarray, samples_per_frame: int | Sequence[int] | None) -> list[int]:
    per_frame = next((part.count for part in stream.parts if part.count), 0) or samples_per_frame
    if per_frame is None or isinstance(per_frame, int):
        return [per_frame or _DEFAULT_ROWS] * (len(rows) // (per_frame or _DEFAULT_ROWS))
    return list(per_frame)


def _events(layout: Layout, frame: Frame, counts: Sequence[np.ndarray], event_s: Sequence[float]) -> Planned:
    streams = streams_of(layout, frame)
    mine = [counts[layout.streams.index(stream)] for stream in streams]
    per = [stream.parts[0].count or 1 for stream in streams]
    return [
        (second, tuple(rows[i * n : (i + 1) * n] for rows, n in zip(mine, per, strict=True)))
        for i, second in enumerate(event_s)
    ]


def encode_frame(
    layout: Layout,
    frame: Frame,
    counts: Sequence[np.ndarray],
    *,
    sequence: int = 0,
    ticks: int = 0,
    received: int = 0,
    room: int = 0,
    fill: int = 0xFF,
) -> bytes:
    """One frame by itself: its parts in order, before any byte stuffing.

    Parameters
    ----------
    layout, frame : Layout, Frame
        What is written.
    counts : sequence of arrays of shape (rows, channels)
        One for each of the streams of the kind.
    sequence, ticks, received : int
        As they are to stand there.
    room, fill : int
        Bytes to which it is filled up before its checksum, or behind its samples where its length follows.
    """
    numbers = {"sequence": sequence, "ticks": ticks, "received": received}
    by_part = _by_part(streams_of(layout, frame), counts)
    if layout.framing == "text":
        return _text_line(layout, frame, by_part, numbers)
    pieces = [(part, _piece(part, by_part, numbers)) for part in frame.parts]
    total = sum(len(piece) for _, piece in pieces)
    for i, (part, _) in enumerate(pieces):
        if part.is_ == "length":
            open_ended = [other for other in frame.all("samples") if not other.count] or frame.all("samples")
            counted = {
                "frame": total,
                "after_length": sum(len(piece) for _, piece in pieces[i + 1 :]),
                "samples": sum(len(piece) for other, piece in pieces if other.is_ == "samples"),
                "rows": len(by_part[id(open_ended[0])]),
            }[part.counts]
            pieces[i] = (part, counted.to_bytes(part.n_bytes, part.byte_order))
    if room > total:
        ends = "length" if _is_behind(frame) else "checksum"
        at = next(i for i, (part, _) in enumerate(pieces) if part.is_ == ends)
        pieces.insert(at, (Part("ignored"), bytes([fill]) * (room - total)))
    last, skipped = pieces[-1][0], 0
    if last.is_ == "checksum":
        assert last.checksum is not None
        if last.covers == "after_sync" and pieces[0][0].is_ == "sync":
            skipped = 1
        covered = b"".join(piece for _, piece in pieces[skipped:-1])
        pieces[-1] = (last, check_of(covered, last.checksum).to_bytes(last.n_bytes, last.byte_order))
    return b"".join(piece for _, piece in pieces)


def _is_behind(frame: Frame) -> bool:
    """Whether the length stands behind the samples."""
    kinds = [part.is_ for part in frame.parts]
    return "length" in kinds and kinds.index("length") > kinds.index("samples")


def _by_part(streams: Sequence[Stream], counts: Sequence[np.ndarray]) -> dict[int, np.ndarray]:
    """The rows of each samples part, by its identity."""
    found = {}
    for stream, rows in zip(streams, counts, strict=True):
        first = 0
        for part in stream.parts:
            found[id(part)] = rows[:, first : first + len(part.channels)]
            first += len(part.channels)
    return found


def _piece(part: Part, by_part: dict[int, np.ndarray], numbers: dict[str, int]) -> bytes:
    if part.is_ == "sync":
        return part.sync
    if part.is_ == "kind":
        return int(part.value or 0).to_bytes(part.n_bytes, part.byte_order)
    if part.is_ in numbers:
        return numbers[part.is_].to_bytes(part.n_bytes, part.byte_order)
    if part.is_ == "samples":
        return pack(_in_order(part, by_part[id(part)]), part)
    if part.is_ == "ignored":
        return b"\x11" * part.count
    return bytes(part.n_bytes)


def _in_order(part: Part, rows: np.ndarray) -> list[int]:
    """Counts one after the other as they stand in the frame."""
    lines = rows.T if part.arrangement == "planar" else rows
    return [int(value) for line in lines for value in line]


def pack(values: Sequence[int], part: Part) -> bytes:
    """Counts as the bits of `part`, end to end, and zeros up to a whole byte.

    Little: the least significant bit of the first count is the least significant bit of the first byte. Big:
    its most significant bit is the most significant bit of the first byte.
    """
    shift = (1 << (part.bits - 1)) if part.form == "offset" else 0
    low, high = (0, (1 << part.bits) - 1) if part.form == "unsigned" else _signed_ends(part.bits)
    whole, n_bits = 0, part.bits * len(values)
    digits = []
    for value in values:
        if not low <= value <= high:
            raise OverflowError(f"{value} does not go into {part.bits} bits, {part.form}")
        digits.append(f"{(value + shift) % (1 << part.bits):0{part.bits}b}")
    if not digits:
        return b""
    n_bytes = -(-n_bits // 8)
    if part.byte_order == "big":
        whole = int("".join(digits), 2) << (8 * n_bytes - n_bits)
    else:
        whole = int("".join(reversed(digits)), 2)
    return whole.to_bytes(n_bytes, part.byte_order)


def _signed_ends(bits: int) -> tuple[int, int]:
    return -(1 << (bits - 1)), (1 << (bits - 1)) - 1


def _delimiter(layout: Layout) -> str:
    assert layout.text is not None
    return DELIMITERS.get(layout.text.delimiter, layout.text.delimiter)


def _text_line(
    layout: Layout, frame: Frame, by_part: dict[int, np.ndarray], numbers: dict[str, int]
) -> bytes:
    assert layout.text is not None
    decimal, words = layout.text.decimal, list[str]()
    for part in frame.parts:
        if part.is_ == "kind":
            words.append(str(part.value))
        elif part.is_ == "received":
            words.append(_stamp(part, numbers["received"], decimal))
        elif part.is_ in numbers:
            words.append(str(numbers[part.is_]))
        elif part.is_ == "samples":
            words += [_decimals(value, part, decimal) for value in _in_order(part, by_part[id(part)])]
        else:
            words += ["x"] * part.count
    return (_delimiter(layout).join(words) + "\n").encode()


def _decimals(value: int, part: Part, decimal: str) -> str:
    digits = str(abs(value)).zfill(part.decimals + 1)
    word = digits[: len(digits) - part.decimals]
    if part.decimals:
        word += decimal + digits[len(digits) - part.decimals :]
    return ("-" if value < 0 else "") + word


def _stamp(part: Part, value: int, decimal: str) -> str:
    """The receiver's time stamp: a number, or the instant as RFC 3339 has it."""
    if part.stamp == "number":
        return _decimals(value, part, decimal)
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=value)
    return instant.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
