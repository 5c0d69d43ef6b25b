"""Layouts made in memory, and dumps written for one test."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.frames import Frames, read_frames
from pipeline.layouts import NUMBER_TYPES, Channel, Frame, Layout, Part, TextForm
from pipeline.layouts.catalogue import CATALOGUE


def channel(name: str, low: int = -(2**31), high: int = 2**31 - 1, sample_hz: float = 250.0) -> Channel:
    return Channel(name, "other", "1", 1.0, 0.0, sample_hz, low, high)


def part(is_: str, kind: str = "", order: str = "little", **more: object) -> Part:
    bits, form = NUMBER_TYPES.get(kind, (0, "unsigned"))
    wraps = bits if is_ in ("sequence", "ticks") else 0
    options: dict = {"wraps_at_bits": wraps, "byte_order": order, "bits": bits, "form": form, **more}
    return Part(is_=is_, n_bytes=0 if is_ == "samples" else bits // 8, **options)  # type: ignore[arg-type]


def sync_layout(
    *,
    sync: bytes = b"\xa5\x5a",
    length: str = "",
    counts: str = "frame",
    sequence: str = "u16",
    ticks: str = "u32",
    samples: str = "i16",
    count: int = 10,
    channels: Sequence[str] = ("a", "b"),
    check: str = "CRC-16/XMODEM",
    order: str = "little",
    check_order: str = "",
    covers: str = "after_sync",
    ignored: int = 0,
    max_bytes: int = 4096,
    tick_hz: float = 32768.0,
    sample_hz: float = 250.0,
) -> Layout:
    parts = [Part(is_="sync", n_bytes=len(sync), sync=sync)]
    if length:
        parts.append(part("length", length, order, counts=counts))
    if sequence:
        parts.append(part("sequence", sequence, order))
    if ignored:
        parts.append(Part(is_="ignored", n_bytes=ignored, count=ignored))
    if ticks:
        parts.append(part("ticks", ticks, order))
    parts.append(part("samples", samples, order, count=0 if length else count, channels=tuple(channels)))
    if check:
        row = CATALOGUE[check]
        n_bytes = (row.width + 7) // 8
        parts.append(
            Part(
                is_="checksum",
                n_bytes=n_bytes,
                byte_order=check_order or order,  # type: ignore[arg-type]
                checksum=row,
                covers=covers,  # type: ignore[arg-type]
            )
        )
    frame = Frame("frame", tuple(parts), max_bytes)
    described = tuple(channel(name, sample_hz=sample_hz) for name in channels)
    return Layout(
        "binary", "binary", "sync", sample_hz, tick_hz if ticks else None, (frame,), described, None, ""
    )


def text_layout(
    *,
    delimiter: str = ",",
    decimal: str = ".",
    comment: str = "#",
    header: bool = False,
    sequence_bits: int | None = 16,
    ticks_bits: int | None = None,
    channels: Sequence[str] = ("a", "b"),
    decimals: int = 0,
    ignored: int = 0,
    low: int = -2000,
    high: int = 2000,
    tick_hz: float = 1000.0,
    sample_hz: float = 250.0,
) -> Layout:
    parts = []
    if sequence_bits is not None:
        parts.append(Part(is_="sequence", count=1, wraps_at_bits=sequence_bits, columns=("seq",)))
    if ticks_bits is not None:
        parts.append(Part(is_="ticks", count=1, wraps_at_bits=ticks_bits, columns=("ms",)))
    if ignored:
        parts.append(Part(is_="ignored", n_bytes=ignored, count=ignored))
    names = tuple(channels)
    parts.append(Part(is_="samples", count=1, channels=names, columns=names, decimals=decimals))
    frame = Frame("line", tuple(parts), 4096)
    described = tuple(channel(name, low, high, sample_hz) for name in names)
    form = TextForm(delimiter, decimal, comment, header)
    clock = tick_hz if ticks_bits is not None else None
    return Layout("text", "text", "text", sample_hz, clock, (frame,), described, form, "")


def read_bytes(data: bytes | Sequence[bytes], layout: Layout, folder: Path, **more: int) -> Frames:
    """Write dumps to a folder and read them."""
    pieces = [data] if isinstance(data, bytes) else list(data)
    dumps = []
    for i, piece in enumerate(pieces):
        path = folder / f"part{i}.dump"
        path.write_bytes(piece)
        dumps.append((f"dumps/part{i}.dump", path))
    reading = read_frames(dumps, layout, folder, **more)
    return replace(reading.main, notes=reading.notes)
