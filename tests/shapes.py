"""Layouts made in memory, and dumps written for one test."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.frames import Frames, Reading, read_frames
from pipeline.layouts import NUMBER_TYPES, Channel, Frame, Layout, Part, TextForm
from pipeline.layouts.catalogue import CATALOGUE

SECTOR_BYTES = 128


def channel(name: str, low: int = -(2**31), high: int = 2**31 - 1, sample_hz: float = 250.0) -> Channel:
    return Channel(name, "other", "1", 1.0, 0.0, sample_hz, low, high)


def part(is_: str, kind: str = "", order: str = "little", **more: object) -> Part:
    """A part of a binary frame; `kind` is its number type."""
    bits, form = NUMBER_TYPES.get(kind, (0, "unsigned"))
    wraps = bits if is_ in ("sequence", "ticks") else 0
    options: dict = {"wraps_at_bits": wraps, "byte_order": order, "bits": bits, "form": form, **more}
    return Part(is_=is_, n_bytes=0 if is_ == "samples" else bits // 8, **options)  # type: ignore[arg-type]


def ignored_part(count: int) -> Part:
    return Part(is_="ignored", n_bytes=count, count=count)


def sync_part(sync: bytes) -> Part:
    return Part(is_="sync", n_bytes=len(sync), sync=sync)


def check_part(name: str, order: str = "little", covers: str = "after_sync") -> Part:
    row = CATALOGUE[name]
    options: dict = {"byte_order": order, "covers": covers, "checksum": row}
    return Part(is_="checksum", n_bytes=(row.width + 7) // 8, **options)


def binary_layout(
    framing: str,
    *,
    sync: bytes = b"",
    kind: int | None = None,
    kind_type: str = "u8",
    length: str = "",
    counts: str = "frame",
    length_last: bool = False,
    sequence: str = "u16",
    ticks: str = "u32",
    received: str = "",
    samples: str = "i16",
    count: int = 10,
    channels: Sequence[str] = ("a", "b"),
    arrangement: str = "interleaved",
    slow: Sequence[str] = (),
    slow_samples: str = "i16",
    slow_count: int = 2,
    check: str = "CRC-16/XMODEM",
    order: str = "little",
    check_order: str = "",
    covers: str = "after_sync",
    ignored: int = 0,
    max_bytes: int = 4096,
    tick_hz: float = 32768.0,
    received_hz: float = 1000.0,
    sample_hz: float = 250.0,
    sector_bytes: int = 0,
) -> Layout:
    """One kind of binary frame; ``slow`` channels stand in a second samples part, at a rate by its count.

    ``length_last`` puts the length behind the samples. A frame states its length, or has ``count`` rows.
    """
    parts = [sync_part(sync)] if sync else []
    stated = [part("length", length, order, counts=counts)] if length else []
    if kind is not None:
        parts.append(part("kind", kind_type, order, value=kind))
    parts += stated if not length_last else []
    if sequence:
        parts.append(part("sequence", sequence, order))
    if ignored:
        parts.append(ignored_part(ignored))
    if ticks:
        parts.append(part("ticks", ticks, order, hz=tick_hz))
    if received:
        parts.append(part("received", received, order, hz=received_hz, epoch_s=0.0))
    names, rows = tuple(channels), 0 if length else count
    parts.append(part("samples", samples, order, count=rows, channels=names, arrangement=arrangement))
    described = [channel(name, sample_hz=sample_hz) for name in channels]
    if slow:
        slow_hz = sample_hz * slow_count / count
        parts.append(part("samples", slow_samples, order, count=slow_count, channels=tuple(slow)))
        described += [channel(name, sample_hz=slow_hz) for name in slow]
    parts += stated if length_last else []
    if check:
        parts.append(check_part(check, check_order or order, covers))
    frame = Frame("frame", tuple(parts), max_bytes)
    return Layout(
        "binary",
        "binary",
        framing,  # type: ignore[arg-type]
        sample_hz,
        tick_hz if ticks else None,
        (frame,),
        tuple(described),
        None,
        "",
        sector_bytes,
    )


def sync_layout(*, sync: bytes = b"\xa5\x5a", **options: object) -> Layout:
    """Frames that begin with fixed bytes; options as `binary_layout` has them."""
    return binary_layout("sync", sync=sync, **options)  # type: ignore[arg-type]


def cobs_layout(**options: object) -> Layout:
    """Packets stuffed by COBS."""
    return binary_layout("cobs", **options)  # type: ignore[arg-type]


def slip_layout(**options: object) -> Layout:
    """Packets escaped by SLIP."""
    return binary_layout("slip", **options)  # type: ignore[arg-type]


def sectors_layout(*, sector_bytes: int = SECTOR_BYTES, **options: object) -> Layout:
    """Frames in the sectors of a memory."""
    return binary_layout("sectors", sector_bytes=sector_bytes, **options)  # type: ignore[arg-type]


def packed_layout(framing: str = "sync", samples: str = "i12", **options: object) -> Layout:
    """Counts of a width that is no whole number of bytes."""
    fixed = {"sector_bytes": SECTOR_BYTES if framing == "sectors" else 0}
    sync = b"\xa5\x5a" if framing == "sync" else b""
    return binary_layout(framing, **{"sync": sync, "samples": samples, **fixed, **options})  # type: ignore[arg-type]


def planar_layout(framing: str = "sync", **options: object) -> Layout:
    """All counts of one channel, then all of the next."""
    return packed_layout(framing, **{"samples": "i16", "arrangement": "planar", **options})


def kinds_layout(
    framing: str = "sync",
    *,
    syncs: Sequence[bytes] = (b"\xa5\x5a", b"\xa5\x5a"),
    shared: bool = False,
    sequence: str = "u16",
    ticks: str = "u32",
    counts: Sequence[int] = (10, 4),
    rates: Sequence[float] = (250.0, 50.0),
    event: bool = False,
    length: str = "",
    check: str = "CRC-16/XMODEM",
    order: str = "little",
    tick_hz: float = 32768.0,
    kind_type: str = "u8",
    kind_last: bool = False,
    sector_bytes: int = SECTOR_BYTES,
) -> Layout:
    """Several kinds of frame in one stream, each with a rate and a counter of its own (or one ``shared``).

    Kind i says i + 1 in its 'kind' part (no such part where ``kind_type`` is empty: then the sync bytes must
    differ), before the samples or, with ``kind_last``, behind them. Its channels are a0, b0; a1, b1; and so
    on. With ``event`` a last kind has one value, u16, and no rate; its channel is 'mark'. With ``length`` the
    first kind states its own. ``syncs`` counts the kinds at a rate, events not among them, of which the sync
    bytes are the first's; empty ones stand for none.
    """
    frames, described = list[Frame](), list[Channel]()

    def add(i: int, samples: Part, is_event: bool) -> None:
        sync = syncs[i if i < len(syncs) else 0] if framing in ("sync", "sectors") else b""
        parts = [sync_part(sync)] if sync else []
        told = [part("kind", kind_type, order, value=i + 1)] if kind_type else []
        parts += [] if kind_last else told
        if length and not samples.count:
            parts.append(part("length", length, order, counts="frame"))
        if sequence:
            parts.append(part("sequence", sequence, order, shared=shared))
        if ticks:
            parts.append(part("ticks", ticks, order, hz=tick_hz))
        parts += [samples, *(told if kind_last else ())]
        if check:
            parts.append(check_part(check, order))
        frames.append(Frame(f"kind{i}", tuple(parts), 4096, is_event))

    for i, (count, hz) in enumerate(zip(counts, rates, strict=True)):
        names = (f"a{i}", f"b{i}")
        rows = 0 if length and i == 0 else count
        add(i, part("samples", "i16", order, count=rows, channels=names), False)
        described += [channel(name, sample_hz=hz) for name in names]
    if event:
        add(len(counts), part("samples", "u16", order, count=1, channels=("mark",)), True)
        described.append(channel("mark", sample_hz=max(rates)))
    return Layout(
        "kinds",
        "kinds",
        framing,  # type: ignore[arg-type]
        max(rates),
        tick_hz if ticks else None,
        tuple(frames),
        tuple(described),
        None,
        "",
        sector_bytes if framing == "sectors" else 0,
    )


def text_layout(
    *,
    delimiter: str = ",",
    decimal: str = ".",
    comment: str = "#",
    header: bool = False,
    sequence_bits: int | None = 16,
    ticks_bits: int | None = None,
    received: str = "",
    received_hz: float = 1000.0,
    received_decimals: int = 0,
    channels: Sequence[str] = ("a", "b"),
    count: int = 1,
    decimals: int = 0,
    ignored: int = 0,
    low: int = -2000,
    high: int = 2000,
    tick_hz: float = 1000.0,
    sample_hz: float = 250.0,
) -> Layout:
    """Lines of one kind; ``received`` is "", "number" or "rfc3339"."""
    parts = []
    if received:
        parts.append(received_column(received, received_hz, received_decimals))
    if sequence_bits is not None:
        parts.append(Part(is_="sequence", count=1, wraps_at_bits=sequence_bits, columns=("seq",)))
    if ticks_bits is not None:
        parts.append(Part(is_="ticks", count=1, wraps_at_bits=ticks_bits, columns=("ms",), hz=tick_hz))
    if ignored:
        parts.append(Part(is_="ignored", count=ignored))
    names = tuple(channels)
    parts.append(Part(is_="samples", count=count, channels=names, columns=names, decimals=decimals))
    frame = Frame("line", tuple(parts), 4096)
    described = tuple(channel(name, low, high, sample_hz) for name in names)
    form = TextForm(delimiter, decimal, comment, header)
    clock = tick_hz if ticks_bits is not None else None
    return Layout("text", "text", "text", sample_hz, clock, (frame,), described, form, "")


def received_column(form: str, hz: float = 1000.0, decimals: int = 0) -> Part:
    """The receiver's stamp in text: "number", or "rfc3339", kept in microseconds since 1970."""
    if form == "rfc3339":
        return Part(is_="received", count=1, columns=("at",), hz=1e6, epoch_s=0.0, stamp="rfc3339")
    return Part(is_="received", count=1, columns=("at",), hz=hz, epoch_s=0.0, decimals=decimals)


def text_kinds_layout(
    *,
    words: Sequence[str] = ("F", "A"),
    rates: Sequence[float] = (250.0, 50.0),
    delimiter: str = ",",
    sequence_bits: int | None = 16,
    shared: bool = False,
    ticks_bits: int | None = 32,
    received: str = "",
    event: bool = False,
    low: int = -2000,
    high: int = 2000,
    tick_hz: float = 1000.0,
) -> Layout:
    """Lines of several kinds, told apart by their first word; of events the word is 'M'."""
    frames, described = list[Frame](), list[Channel]()
    kinds = [(word, hz, (f"a{i}", f"b{i}")) for i, (word, hz) in enumerate(zip(words, rates, strict=True))]
    kinds += [("M", max(rates), ("mark",))] if event else []
    for word, hz, names in kinds:
        parts = [Part(is_="kind", count=1, value=word)]
        if received:
            parts.append(replace(received_column(received), columns=()))
        if sequence_bits is not None:
            parts.append(Part(is_="sequence", count=1, wraps_at_bits=sequence_bits, shared=shared))
        if ticks_bits is not None:
            parts.append(Part(is_="ticks", count=1, wraps_at_bits=ticks_bits, hz=tick_hz))
        parts.append(Part(is_="samples", count=1, channels=names))
        frames.append(Frame(f"line {word}", tuple(parts), 4096, word == "M"))
        described += [channel(name, low, high, hz) for name in names]
    clock = tick_hz if ticks_bits is not None else None
    form = TextForm(delimiter, ".", "#", False)
    return Layout(
        "text kinds", "text kinds", "text", max(rates), clock, tuple(frames), tuple(described), form, ""
    )


def read_bytes(data: bytes | Sequence[bytes], layout: Layout, folder: Path, **more: int) -> Frames:
    """Write dumps to a folder and read them: the frames of the main stream."""
    reading = read_all(data, layout, folder, **more)
    return replace(reading.main, notes=reading.notes)


def read_all(data: bytes | Sequence[bytes], layout: Layout, folder: Path, **more: int) -> Reading:
    """Write dumps to a folder and read them: all streams."""
    pieces = [data] if isinstance(data, bytes) else list(data)
    dumps = []
    for i, piece in enumerate(pieces):
        path = folder / f"part{i}.dump"
        path.write_bytes(piece)
        dumps.append((f"dumps/part{i}.dump", path))
    return read_frames(dumps, layout, folder, **more)
