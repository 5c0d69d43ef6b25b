"""Codes written as a device would leave them, and the ways in which a dump goes wrong.

A dump is a list of frames (packets or lines) until it is joined; the faults are pure functions of it.
"""

import binascii
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Layout, Part

Frames = list[bytes]


def encode_packets(
    counts: npt.NDArray[np.int64],
    layout: Layout,
    first_sequence: int = 0,
    first_tick: int = 0,
    skew_ppm: float = 0.0,
) -> Frames:
    """Write codes as packets of a binary layout.

    Parameters
    ----------
    counts : shape (n, channels)
        A last packet that is not full is left out.
    layout : Layout
        Framing 'sync', a fixed number of samples in each frame, checksum CRC-16/XMODEM or none.
    first_sequence, first_tick : int
        Counters of the first packet; they wrap at their width.
    skew_ppm : float
        How much faster the device samples than its layout says.

    Raises
    ------
    ValueError
        For a layout with another checksum or with frames of varying length.
    """
    samples = layout.frame.part("samples")
    if layout.text is not None or samples is None or not samples.count:
        raise ValueError("packets need a binary layout with a fixed count of samples")
    tick_per_sample = (layout.tick_hz or 0.0) / (layout.sample_hz * (1 + skew_ppm * 1e-6))
    packets = []
    for i in range(len(counts) // samples.count):
        first = i * samples.count
        values = {
            "sequence": first_sequence + i,
            "ticks": first_tick + int(first * tick_per_sample),
        }
        packets.append(_packet(layout, values, counts[first : first + samples.count]))
    return packets


def _packet(layout: Layout, values: dict[str, int], counts: npt.NDArray[np.int64]) -> bytes:
    packet = b""
    checked_from = 0
    for part in layout.frame.parts:
        if part.is_ == "sync":
            packet += part.sync
            checked_from = len(packet)
        elif part.is_ == "samples":
            packet += b"".join(_number(int(code), part) for code in counts.ravel())
        elif part.is_ == "ignored":
            packet += bytes(part.count)
        elif part.is_ == "checksum":
            if part.checksum is None or part.checksum.name != "CRC-16/XMODEM":
                raise ValueError("packets are written with CRC-16/XMODEM only")
            covered = packet if part.covers == "frame" else packet[checked_from:]
            packet += binascii.crc_hqx(covered, 0).to_bytes(2, part.byte_order)
        elif part.is_ in values:
            packet += _number(values[part.is_] % (1 << (8 * part.n_bytes)), part)
        else:
            raise ValueError(f"packets have no part '{part.is_}'")
    return packet


def _number(value: int, part: Part) -> bytes:
    return value.to_bytes(part.bits // 8, part.byte_order, signed=part.form == "signed")


def encode_lines(
    counts: npt.NDArray[np.int64],
    layout: Layout,
    first_sequence: int = 0,
    first_tick: int = 0,
    skew_ppm: float = 0.0,
) -> Frames:
    """Write codes as lines of a text layout, one sample a line; the first line is the header if there is one.

    Parameters are those of `encode_packets`.

    Raises
    ------
    ValueError
        For a binary layout.
    """
    if layout.text is None:
        raise ValueError("lines need a layout of framing 'text'")
    lines = [layout.text.delimiter.join(_names(layout)).encode() + b"\r\n"] if layout.text.header else []
    tick_per_sample = (layout.tick_hz or 0.0) / (layout.sample_hz * (1 + skew_ppm * 1e-6))
    for i, row in enumerate(counts.tolist()):
        counters = {"sequence": first_sequence + i, "ticks": first_tick + int(i * tick_per_sample)}
        words: list[str] = []
        for part in layout.frame.parts:
            if part.is_ == "samples":
                words += [str(code) for code in row]
            else:
                wraps = 1 << (part.wraps_at_bits or 64)
                words.append(str(counters.get(part.is_, 0) % wraps))
        lines.append(layout.text.delimiter.join(words).encode() + b"\r\n")
    return lines


def _names(layout: Layout) -> list[str]:
    return [name for part in layout.frame.parts for name in part.columns or (part.is_,)]


def lose(frames: Frames, share: float, rng: np.random.Generator) -> Frames:
    """Leave out single frames at random."""
    return [frame for frame, gone in zip(frames, rng.random(len(frames)) < share, strict=True) if not gone]


def lose_stretches(frames: Frames, stretches_s: Sequence[tuple[float, float]], frame_hz: float) -> Frames:
    """Leave out the frames of whole stretches, in seconds from the first frame."""
    second = np.arange(len(frames)) / frame_hz
    kept = np.ones(len(frames), dtype=bool)
    for start_s, stop_s in stretches_s:
        kept &= (second < start_s) | (second >= stop_s)
    return [frame for frame, keep in zip(frames, kept, strict=True) if keep]


def bursts(
    start_s: float, stop_s: float, share: float, shortest_s: float, longest_s: float, rng: np.random.Generator
) -> list[tuple[float, float]]:
    """Stretches of loss within [start_s, stop_s) that make up about `share` of it, evenly spaced."""
    found: list[tuple[float, float]] = []
    at_s = start_s
    while True:
        lasts_s = float(rng.uniform(shortest_s, longest_s))
        at_s += lasts_s * (1 - share) / share
        if at_s + lasts_s > stop_s:
            return found
        found.append((at_s, at_s + lasts_s))
        at_s += lasts_s


def late(frames: Frames, index: int, by: int) -> Frames:
    """Let one frame arrive `by` places later."""
    return [*frames[:index], *frames[index + 1 : index + 1 + by], frames[index], *frames[index + 1 + by :]]


def repeated(frames: Frames, index: int, n: int = 1, by: int = 0) -> Frames:
    """Let `n` frames arrive a second time, `by` places later."""
    return [*frames[: index + n + by], *frames[index : index + n], *frames[index + n + by :]]


def with_chatter(frames: Frames, chatter: Sequence[bytes], rng: np.random.Generator) -> Frames:
    """Put other lines or bytes between frames, at random places in the given order."""
    places = np.sort(rng.integers(1, len(frames), len(chatter))).tolist()
    out = list(frames)
    for place, line in reversed(list(zip(places, chatter, strict=True))):
        out.insert(place, line)
    return out


def with_flips(data: bytes, start: int, stop: int, n: int, rng: np.random.Generator) -> bytes:
    """Turn over `n` bits of the bytes [start, stop)."""
    out = bytearray(data)
    for place in rng.integers(start * 8, stop * 8, n).tolist():
        out[place // 8] ^= 1 << (place % 8)
    return bytes(out)


def with_noise(data: bytes, at: int, n: int, rng: np.random.Generator) -> bytes:
    """Insert `n` bytes of no meaning."""
    return data[:at] + rng.integers(0, 256, n, dtype=np.uint8).tobytes() + data[at:]
