"""An encoder of its own: layout and counts to the bytes of a dump, with nothing from the readers.

Checks are had bit for bit by the Rocksoft model (Williams 1993), through a table of 256 for speed.
"""

from collections.abc import Sequence
from functools import cache

import numpy as np

from pipeline.layouts import Checksum, Layout, Part

DELIMITERS = {"tab": "\t", "blanks": "  "}


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

    ``samples_per_frame`` matters only where frames state their own length (8 where it is not given).
    Counts that do not fill a last frame are left out.
    """
    samples = layout.frame.part("samples")
    assert samples is not None
    per_frame = samples.count or samples_per_frame or 8
    sizes = [per_frame] * (len(counts) // per_frame) if isinstance(per_frame, int) else list(per_frame)
    if ticks_per_sample is None:
        ticks_per_sample = (layout.tick_hz or 0.0) / layout.sample_hz
    frames, row = [], 0
    for i, size in enumerate(sizes):
        tick = first_tick + round(row * ticks_per_sample)
        rows = [[int(value) for value in line] for line in counts[row : row + size]]
        write = _text_line if layout.framing == "text" else _binary_frame
        frames.append(write(layout, rows, first_sequence + i, tick))
        row += size
    return frames


def header_line(layout: Layout) -> bytes:
    """The line that names the columns, for a layout with a header."""
    names = []
    for part in layout.frame.parts:
        names += list(part.columns) or ["other"] * part.count
    return (_delimiter(layout).join(names) + "\n").encode()


def _delimiter(layout: Layout) -> str:
    assert layout.text is not None
    return DELIMITERS.get(layout.text.delimiter, layout.text.delimiter)


def _wrapped(value: int, part: Part) -> int:
    return value % (1 << part.wraps_at_bits) if part.wraps_at_bits else value


def _text_line(layout: Layout, rows: list[list[int]], sequence: int, tick: int) -> bytes:
    assert layout.text is not None
    words = []
    for part in layout.frame.parts:
        if part.is_ == "sequence":
            words.append(str(_wrapped(sequence, part)))
        elif part.is_ == "ticks":
            words.append(str(_wrapped(tick, part)))
        elif part.is_ == "samples":
            for value in (value for row in rows for value in row):
                digits = str(abs(value)).zfill(part.decimals + 1)
                word = digits[: len(digits) - part.decimals]
                if part.decimals:
                    word += layout.text.decimal + digits[len(digits) - part.decimals :]
                words.append(("-" if value < 0 else "") + word)
        else:
            words += ["x"] * part.count
    return (_delimiter(layout).join(words) + "\n").encode()


def _binary_frame(layout: Layout, rows: list[list[int]], sequence: int, tick: int) -> bytes:
    pieces: list[tuple[Part, bytes]] = []
    for part in layout.frame.parts:
        if part.is_ == "sync":
            pieces.append((part, part.sync))
        elif part.is_ == "sequence":
            pieces.append((part, _number(_wrapped(sequence, part), part)))
        elif part.is_ == "ticks":
            pieces.append((part, _number(_wrapped(tick, part), part)))
        elif part.is_ == "samples":
            pieces.append((part, b"".join(_number(value, part) for row in rows for value in row)))
        elif part.is_ == "ignored":
            pieces.append((part, b"\x11" * part.count))
        else:
            pieces.append((part, bytes(part.n_bytes)))
    total = sum(len(piece) for _, piece in pieces)
    for i, (part, _) in enumerate(pieces):
        if part.is_ == "length":
            counted = {
                "frame": total,
                "after_length": sum(len(piece) for _, piece in pieces[i + 1 :]),
                "samples": sum(len(piece) for other, piece in pieces if other.is_ == "samples"),
            }[part.counts]
            pieces[i] = (part, _number(counted, part))
    last = pieces[-1][0]
    if last.is_ == "checksum":
        assert last.checksum is not None
        covered = b"".join(piece for _, piece in pieces[0 if last.covers == "frame" else 1 : -1])
        pieces[-1] = (last, crc(covered, last.checksum).to_bytes(last.n_bytes, last.byte_order))
    return b"".join(piece for _, piece in pieces)


def _number(value: int, part: Part) -> bytes:
    return value.to_bytes(part.bits // 8, part.byte_order, signed=part.form == "signed")


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


@cache
def _table(width: int, poly: int) -> tuple[int, ...]:
    top, mask, table = 1 << (width - 1), (1 << width) - 1, []
    for byte in range(256):
        register = byte << (width - 8)
        for _ in range(8):
            register = ((register << 1) ^ poly if register & top else register << 1) & mask
        table.append(register)
    return tuple(table)


_MIRRORED_BYTES = tuple(_mirrored(byte, 8) for byte in range(256))


def crc(data: bytes, checksum: Checksum) -> int:
    """The check of `data`."""
    table, mask, register = _table(checksum.width, checksum.poly), (1 << checksum.width) - 1, checksum.init
    for byte in data:
        byte = _MIRRORED_BYTES[byte] if checksum.reflect_in else byte
        register = ((register << 8) & mask) ^ table[(register >> (checksum.width - 8)) ^ byte]
    if checksum.reflect_out:
        register = _mirrored(register, checksum.width)
    return register ^ checksum.xor_out
