"""Binary frames of several kinds and rates as a device writes them: packed, checked, stuffed, in sectors.

Written bit by bit from the layout, with nothing from the readers, so that a dump made here tells whether they
understand the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Checksum, Frame, Layout, Part

ERASED = 0xFF


@dataclass(frozen=True)
class Sending:
    """Counters of a device and how its frames reach the receiver.

    ``skew_ppm``: how much faster samples and ticks run than the layout says. The receiver stamps a frame
    ``delay_s`` after its last sample was taken, and later by an exponential of mean ``jitter_s``;
    ``first_received`` is its stamp of second 0.
    """

    first_sequence: int = 0
    first_tick: int = 0
    skew_ppm: float = 0.0
    first_received: int = 0
    delay_s: float = 0.02
    jitter_s: float = 0.0


@dataclass(frozen=True)
class Event:
    """Something that happened at `second` of the device, with the code of the event's only channel."""

    second: float
    code: int


def encode_kinds(
    layout: Layout,
    counts: Mapping[str, npt.NDArray[np.int64]],
    sending: Sending,
    rng: np.random.Generator,
    events: Sequence[Event] = (),
) -> list[bytes]:
    """Frames of all kinds in the order in which a device finishes them.

    Parameters
    ----------
    layout : Layout
        Binary; every samples part has a fixed count.
    counts : mapping
        Channel -> codes at the channel's own rate; what does not fill a last frame is left out.
    sending : Sending
        Counters, skew, and the receiver's stamps.
    rng : Generator
        For the delays of the receiver.
    events : sequence of Event
        For the first kind of frame that is an event.

    Returns
    -------
    list of bytes
        Stuffed and with their delimiters where the framing has them; in sectors they are filled up.
    """
    planned = sorted(
        ((ends_s, kind, number, rows) for kind, frame in enumerate(layout.frames)
         for number, (ends_s, rows) in enumerate(_planned(layout, frame, counts, events))),
        key=lambda one: one[:3],
    )  # fmt: skip
    late_s = sending.jitter_s * rng.exponential(size=len(planned))
    frames, last_s = [], 0.0
    for i, (ends_s, kind, number, rows) in enumerate(planned):
        frame = layout.frames[kind]
        sequence = frame.part("sequence")
        begins_s = ends_s - _lasts_s(layout, frame)
        last_s = max(last_s, ends_s / (1 + sending.skew_ppm * 1e-6) + sending.delay_s + float(late_s[i]))
        values = {
            "sequence": sending.first_sequence + (i if sequence is not None and sequence.shared else number),
            "ticks": sending.first_tick + int(begins_s * _hz(frame, "ticks")),
            "received": sending.first_received + round(last_s * _hz(frame, "received")),
        }
        frames.append(_framed(layout, _body(frame, values, rows)))
    return frames


def on_card(sectors: Sequence[bytes], n_sectors: int, oldest: int) -> bytes:
    """An image of a circular memory of `n_sectors`: the first frame stands in sector `oldest`, others follow.

    Where there are more frames than sectors, later ones stand in the place of earlier ones.
    """
    image = [bytes([ERASED]) * len(sectors[0])] * n_sectors
    for i, sector in enumerate(sectors):
        image[(oldest + i) % n_sectors] = sector
    return b"".join(image)


def _planned(
    layout: Layout, frame: Frame, counts: Mapping[str, npt.NDArray[np.int64]], events: Sequence[Event]
) -> list[tuple[float, list[npt.NDArray[np.int64]]]]:
    """When each frame of a kind ends, and its rows part by part, each of shape (rows, channels)."""
    if frame.is_event:
        return [(event.second, [np.array([[event.code]])]) for event in events]
    parts = frame.all("samples")
    whole = min(len(counts[part.channels[0]]) // part.count for part in parts)
    columns = [np.stack([counts[name] for name in part.channels], axis=1) for part in parts]
    lasts_s = _lasts_s(layout, frame)
    return [
        (
            (i + 1) * lasts_s,
            [rows[i * part.count : (i + 1) * part.count] for part, rows in zip(parts, columns, strict=True)],
        )
        for i in range(whole)
    ]


def _lasts_s(layout: Layout, frame: Frame) -> float:
    """How long the samples of a frame last by the layout, in seconds; 0 of an event."""
    if frame.is_event:
        return 0.0
    part = frame.all("samples")[0]
    return part.count / next(c.sample_hz for c in layout.channels if c.name == part.channels[0])


def _hz(frame: Frame, is_: str) -> float:
    return next((part.hz for part in frame.parts if part.is_ == is_), 0.0)


def _body(frame: Frame, values: Mapping[str, int], rows: Sequence[npt.NDArray[np.int64]]) -> bytes:
    body, checked_from, left = b"", 0, list(rows)
    for part in frame.parts:
        if part.is_ == "sync":
            body += part.sync
            checked_from = len(body)
        elif part.is_ == "samples":
            body += packed(left.pop(0), part)
        elif part.is_ == "ignored":
            body += bytes(part.n_bytes)
        elif part.is_ == "checksum" and part.checksum is not None:
            covered = body if part.covers == "frame" else body[checked_from:]
            body += check_of(covered, part.checksum).to_bytes(part.n_bytes, part.byte_order)
        else:
            value = part.value if part.is_ == "kind" else values[part.is_]
            body += (int(value or 0) % (1 << 8 * part.n_bytes)).to_bytes(part.n_bytes, part.byte_order)
    return body


def packed(rows: npt.NDArray[np.int64], part: Part) -> bytes:
    """Codes of shape (rows, channels) as bits; little: from the least significant bit of each byte on."""
    codes = rows.T.ravel() if part.arrangement == "planar" else rows.ravel()
    if part.form == "offset":
        codes = codes + (1 << part.bits - 1)
    codes = codes & ((1 << part.bits) - 1)
    places = np.arange(part.bits)[:: 1 if part.byte_order == "little" else -1]
    bits = (codes[:, np.newaxis] >> places & 1).astype(np.uint8).ravel()
    return np.packbits(bits, bitorder=part.byte_order).tobytes()


def check_of(data: bytes, checksum: Checksum) -> int:
    """The check by the parameters of the Rocksoft model (Williams 1993), a byte at a time."""
    table, width = _table(checksum), checksum.width
    register, mask = checksum.init, (1 << width) - 1
    for byte in data:
        low = _MIRRORED[byte] if checksum.reflect_in else byte
        register = (register << 8 & mask) ^ table[(register >> width - 8) ^ low]
    return (_mirrored(register, width) if checksum.reflect_out else register) ^ checksum.xor_out


@cache
def _table(checksum: Checksum) -> tuple[int, ...]:
    width, mask, table = checksum.width, (1 << checksum.width) - 1, []
    for byte in range(256):
        register = byte << width - 8
        for _ in range(8):
            register = (register << 1 ^ checksum.poly if register >> width - 1 else register << 1) & mask
        table.append(register)
    return tuple(table)


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


_MIRRORED = tuple(_mirrored(byte, 8) for byte in range(256))


def _framed(layout: Layout, body: bytes) -> bytes:
    if layout.framing == "cobs":
        return cobs(body) + b"\0"
    if layout.framing == "slip":  # RFC 1055
        return body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"
    if layout.framing == "sectors":
        if len(body) > layout.sector_bytes:
            raise ValueError(f"a frame of {len(body)} bytes does not go into a sector")
        return body.ljust(layout.sector_bytes, bytes([ERASED]))
    return body


def cobs(data: bytes) -> bytes:
    """Consistent overhead byte stuffing (Cheshire and Baker 1999): groups behind their length."""
    out, group = bytearray(), bytearray()
    for byte in data:
        if byte:
            group.append(byte)
        if not byte or len(group) == 254:
            out += bytes([len(group) + 1]) + group
            group.clear()
    return bytes(out + bytes([len(group) + 1]) + group)
