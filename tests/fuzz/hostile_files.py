"""WAV and EDF files whose headers claim what is not there."""

import random
import struct
from collections.abc import Callable

from file_cases import file_pieces

Maker = Callable[[object, int, random.Random], bytes]

_NUMBERS = (0, 1, 2, 3, 255, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF)
_SIZES = (0, 1, 7, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
_FIELDS = (
    b"",
    b"0",
    b"-1",
    b"1",
    b"99999999",
    b"-9999999",
    b"1e308",
    b"nan",
    b"inf",
    b"0.00001",
    b"\xff\0,.",
)
_TINY = b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\1\0\2\0\xfa\0\0\0\xe8\3\0\0\4\0\x10\0"


def wav_sizes(layout: object, n_bytes: int, rng: random.Random) -> bytes:
    """Sizes and formats at their ends; samples behind them."""
    riff, chunk, data = (rng.choice(_SIZES) for _ in range(3))
    form = [rng.choice(_NUMBERS) if rng.random() < 0.3 else right for right in (1, 2, 4, 16)]
    head = b"RIFF" + struct.pack("<I", riff) + b"WAVEfmt "
    head += struct.pack("<I", 16 if rng.random() < 0.7 else chunk)
    head += struct.pack("<HHIIHH", form[0], form[1], rng.choice((250, *_SIZES)), 1000, form[2], form[3])
    return (head + b"data" + struct.pack("<I", data) + rng.randbytes(n_bytes))[:n_bytes]


def wav_chunks(layout: object, n_bytes: int, rng: random.Random) -> bytes:
    """Empty chunks without end."""
    return (_TINY + b"JUNK\0\0\0\0" * (n_bytes // 8))[:n_bytes]


def wav_rows(layout: object, n_bytes: int, rng: random.Random) -> bytes:
    """Samples until the end of the file, which no header announced."""
    return (_TINY + b"data\0\0\0\0" + rng.randbytes(n_bytes))[:n_bytes]


def edf_fields(layout: object, n_bytes: int, rng: random.Random) -> bytes:
    """A good file, in whose header some fields say something else."""
    data = bytearray(b"".join(piece.data for piece in file_pieces("edf", 4, rng.randrange(1 << 30))))
    for _ in range(rng.randint(1, 4)):
        at = rng.choice((184, 192, 236, 244, 252, 256 + 8 * rng.randrange(3 * 32)))
        data[at : at + 8] = rng.choice(_FIELDS).ljust(8)
    if rng.random() < 0.3:
        data[rng.randrange(1024)] = rng.randrange(256)
    return (bytes(data) * (n_bytes // len(data) + 1))[:n_bytes]


def edf_signals(layout: object, n_bytes: int, rng: random.Random) -> bytes:
    """A header of 9999 signals."""
    head = b"0".ljust(184) + str(256 * 10_000).encode().ljust(8) + b" " * 44 + b"-1".ljust(8) + b"1".ljust(8)
    return (head + b"9999" + b"1 " * n_bytes)[:n_bytes]


FILES: dict[str, tuple[str, Maker]] = {
    "sizes that are not so": ("wav", wav_sizes),
    "chunks without end": ("wav", wav_chunks),
    "rows without end": ("wav", wav_rows),
    "fields that are not so": ("edf", edf_fields),
    "signals without end": ("edf", edf_signals),
}
"""Name -> framing and maker."""
