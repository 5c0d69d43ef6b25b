"""Files that no device writes: what makes a reader look twice at the same bytes, or claims too much.

Each maker takes a layout, a size and a source of chance, and gives about as many bytes as asked for.
"""

import random
from collections.abc import Callable, Iterator

import numpy as np
from cases import Case, counts_for, streams_by_kind
from encode import Encoded, encode_frame, on_the_wire
from hostile_files import FILES

from pipeline.layouts import Layout, Part

Maker = Callable[[Layout, int, random.Random], bytes]


def _again(piece: bytes) -> Maker:
    return lambda layout, n_bytes, rng: (piece * (n_bytes // len(piece) + 1))[:n_bytes]


def _random(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    return rng.randbytes(n_bytes)


def _few_bytes(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """Only those bytes that mean something to the framing."""
    marks = b"".join(_syncs(layout)) + {"cobs": b"\0\1\2\xff", "slip": b"\xc0\xdb\xdc\xdd"}.get(
        layout.framing, b"\0\xff"
    )
    if layout.framing == "text":
        marks = b"0123456789-,;. \t\r\n#\0FAM"
    return bytes(rng.choices(marks, k=n_bytes))


def _syncs(layout: Layout) -> list[bytes]:
    return [sync.sync for frame in layout.frames if (sync := frame.part("sync"))] or [b"\xa5"]


def _patterns(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """Sync patterns without end: every one of them could begin a frame."""
    return _again(b"".join(_syncs(layout)))(layout, n_bytes, rng)


def _patterns_half(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    return _again(_syncs(layout)[0][:-1] or b"\xa5")(layout, n_bytes, rng)


def _heads(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """Heads of frames alone, each within the length that the ones before it state: nested without end."""
    frame = next((frame for frame in layout.frames if frame.part("length")), layout.frames[0])
    length = frame.part("length")
    out = bytearray()
    while len(out) < n_bytes:
        for part in frame.parts:
            if part.is_ == "samples":
                break
            if part is length:
                most = min(frame.max_bytes, 2 ** (8 * part.n_bytes) - 1)
                out += (most - rng.randrange(min(64, most))).to_bytes(part.n_bytes, part.byte_order)
                break
            out += part.sync if part.is_ == "sync" else _some(part, rng)
    return bytes(out[:n_bytes])


def _some(part: Part, rng: random.Random) -> bytes:
    if part.is_ == "kind" and part.n_bytes:
        return int(part.value or 0).to_bytes(part.n_bytes, part.byte_order)
    return rng.randbytes(part.n_bytes)


def _good(layout: Layout, n_frames: int, rng: random.Random) -> list[Encoded]:
    return Case(layout).encoded(n_frames, rng.randrange(1 << 30))


def _no_ends(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """Frames whose last byte is always missing."""
    pieces = [frame.data[:-1] for frame in _good(layout, 50, rng)]
    return _again(b"".join(pieces))(layout, n_bytes, rng)


def _frame_within(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """Heads of long frames, and whole good frames where their samples should be."""
    pieces = [frame.data[:4] + frame.data for frame in _good(layout, 50, rng)]
    return _again(b"".join(pieces))(layout, n_bytes, rng)


def _one_frame(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """The same frame over and over: one good one, and its copies."""
    return _again(_good(layout, 1, rng)[0].data)(layout, n_bytes, rng)


def _every_other(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    """A good frame, then one with a wrong bit, and so on; counters go round."""
    pieces = []
    for i, frame in enumerate(_good(layout, 200, rng)):
        data = bytearray(frame.data)
        if i % 2:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        pieces.append(bytes(data))
    return _again(b"".join(pieces))(layout, n_bytes, rng)


def _tiny_packets(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
    end = {"cobs": b"\0", "slip": b"\xc0", "text": b"\n"}.get(layout.framing, b"\0")
    return _again(b"\x02\x33" + end)(layout, n_bytes, rng)


COUNTERS: dict[str, Callable[[int, random.Random], Iterator[int]]] = {
    "counters at random": lambda n, rng: (rng.getrandbits(64) for _ in range(n)),
    "counters far apart": lambda n, rng: (i * 0x3FFF_FFFF_FFFF for i in range(n)),
    "counters going down": lambda n, rng: (-i * 7 for i in range(n)),
    "counters that stand": lambda n, rng: (5 for _ in range(n)),
    "counters of two devices": lambda n, rng: (i // 2 + (i % 2) * 0x4000_4321 for i in range(n)),
    "counters that leap at times": lambda n, rng: (
        i + (rng.getrandbits(48) if rng.random() < 0.05 else 0) for i in range(n)
    ),
    "counters that begin anew": lambda n, rng: (i % 11 for i in range(n)),
    "counters that swing": lambda n, rng: (i * (-1) ** i for i in range(n)),
}
"""What counters say, whatever the samples are; the check of every frame fits."""


def _counted(how: str) -> Maker:
    def make(layout: Layout, n_bytes: int, rng: random.Random) -> bytes:
        kinds, counts = streams_by_kind(layout), counts_for(layout, 1, np.random.default_rng(1))
        pieces, size = list[bytes](), 0
        numbers = COUNTERS[how](1 << 60, rng)
        while size < n_bytes:
            kind = rng.randrange(len(layout.frames))
            frame, number = layout.frames[kind], next(numbers)
            words = {is_: _fitting(frame.part(is_), number) for is_ in ("sequence", "ticks", "received")}
            body = encode_frame(layout, frame, [counts[stream] for stream in kinds[kind]], **words)
            pieces.append(on_the_wire(layout, body))
            size += len(pieces[-1])
        return b"".join(pieces)

    return make


def _fitting(part: Part | None, number: int) -> int:
    bits = (part.wraps_at_bits or part.bits or 40) if part is not None else 64
    return number % (1 << bits)


MAKERS: dict[str, tuple[str, Maker]] = {
    "zeros": ("", _again(b"\0")),
    "ones": ("", _again(b"\xff")),
    "zeros and ones": ("", _again(b"\0" * 15 + b"\xff" * 15)),
    "random bytes": ("", _random),
    "bytes that mean something": ("", _few_bytes),
    "patterns without end": ("sync sectors", _patterns),
    "half patterns": ("sync sectors", _patterns_half),
    "heads within heads": ("sync sectors cobs slip", _heads),
    "frames without their end": ("", _no_ends),
    "frames within frames": ("", _frame_within),
    "one frame without end": ("", _one_frame),
    "every other frame wrong": ("", _every_other),
    "one packet without end": ("cobs", _again(b"\x01")),
    "full groups without end": ("cobs", _again(b"\xff" + b"\x11" * 254)),
    "delimiters without end": ("slip", _again(b"\xc0")),
    "escapes without end": ("slip", _again(b"\xdb")),
    "escaped without end": ("slip", _again(b"\xdb\xdc")),
    "broken escapes": ("slip", _again(b"\xdb\xc0\xdb\x01")),
    "tiny packets": ("cobs slip text", _tiny_packets),
    "empty packets": ("cobs", _again(b"\x01\0")),
    "line ends": ("text", _again(b"\n")),
    "half line ends": ("text", _again(b"\r\n\r")),
    "delimiters": ("text", _again(b",;, ;\t")),
    "a number without end": ("text", _again(b"9")),
    "signs": ("text", _again(b"-+.-\n")),
    "long numbers": ("text", _again(b"9" * 400 + b"," + b"0" * 400 + b"\n")),
    "comments": ("text", _again(b"#\n# 1,2,3\n")),
    "quotes": ("text", _again(b'"1,2\n')),
    "kinds of line": ("text", _again(b"F\nA,\nM,1\nF,1,2\n")),
    **{how: ("sync sectors cobs slip text", _counted(how)) for how in COUNTERS},
    **FILES,
}
"""Name -> framings (empty: all) and maker."""


def makers_for(layout: Layout) -> dict[str, Maker]:
    """Those that mean something to a layout."""
    framing = layout.framing
    return {name: make for name, (takes, make) in MAKERS.items() if not takes or framing in takes.split()}
