"""The layout of a WAV or EDF file, off its header. For sources see `recording/files_back.py`."""

import struct

from pipeline.layouts import Channel, Frame, Layout, Part

_SIGNAL_BYTES = 256
_ANNOTATIONS = "EDF Annotations"


def layout_of_file(head: bytes) -> Layout | None:
    """The layout by the header; None where there is none, or it says nothing that makes sense."""
    try:
        if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64") and head[8:12] == b"WAVE":
            return _wav(head)
        if head[:8] == b"0       ":
            return _edf(head)
    except (ValueError, struct.error, ZeroDivisionError):
        return None
    return None


def _wav(head: bytes) -> Layout | None:
    order = ">" if head[:4] == b"RIFX" else "<"
    at = head.find(b"fmt ", 12)
    if at < 0:
        return None
    _, n_channels, hz, _, row_bytes, bits = struct.unpack_from(f"{order}HHIIHH", head, at + 8)
    width = 8 * (row_bytes // n_channels)
    low = 0 if width == 8 else -(1 << (width - 1))
    names = tuple(f"channel_{i + 1}" for i in range(n_channels))
    channels = [_channel(name, float(hz), low, low + (1 << width) - 1) for name in names]
    return _layout("wav", [Part("samples", channels=names)], channels) if bits and hz else None


def _edf(head: bytes) -> Layout | None:
    n = int(head[252:256])
    record_s = float(head[244:252])
    own = head[256:]
    rates: dict[float, list[Channel]] = {}
    for i in range(n):
        label = own[16 * i : 16 * i + 16].decode("latin-1").strip()
        if label != _ANNOTATIONS:
            size = int(own[216 * n + 8 * i : 216 * n + 8 * i + 8])
            name = f"channel_{sum(map(len, rates.values())) + 1}"
            channel = _channel(name, size / record_s, -32768, 32767, label)
            rates.setdefault(channel.sample_hz, []).append(channel)
    parts = [Part("samples", channels=tuple(c.name for c in mine)) for mine in rates.values()]
    return _layout("edf", parts, [c for mine in rates.values() for c in mine]) if rates else None


def _channel(name: str, hz: float, low: int, high: int, label: str = "") -> Channel:
    return Channel(name, "other", "1", 1.0, 0.0, hz, low, high, label=label)


def _layout(framing: str, parts: list[Part], channels: list[Channel]) -> Layout:
    frame = Frame("frame", tuple(parts), 4096)
    rate = max(channel.sample_hz for channel in channels)
    return Layout("found", "", framing, rate, None, (frame,), tuple(channels), None, "")  # type: ignore[arg-type]
