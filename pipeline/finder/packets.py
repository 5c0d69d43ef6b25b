"""A dump cut into pieces that may be frames, by each framing that it may have."""

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.layouts.layout import Framing

_FEWEST = 8
_MOST_PATTERNS = 4
_MOST_TRIED = 64
_LEAST_SPACING = 4
_LEAST_SHARE = 0.2
_OF_MANY_SIZES = 0.25
_LONGEST = 4096
_SECTOR_BYTES = (32, 64, 96, 128, 192, 256, 384, 512, 1024, 2048, 4096)
_INTACT = 0.8
_NEARLY = 0.9
_PLAIN = 1.5
_LEAST_COVERED = 0.3


@dataclass(frozen=True)
class Pieces:
    """Pieces of a dump between delimiters, before sync bytes, or of one size.

    Attributes
    ----------
    framing : str
        By which they were cut.
    bodies : list of bytes
        Without any stuffing, in the order of the dump.
    sync : bytes
        With which each begins; empty where that is not how they were found.
    sector_bytes : int
        Of framing 'sectors'; of framing 'sync' where they might be sectors as well; else 0.
    is_plain : bool
        Whether that size stands out among others.
    """

    framing: Framing
    bodies: list[bytes]
    sync: bytes = b""
    sector_bytes: int = 0
    is_plain: bool = False


def cuts(head: bytes) -> Iterator[Pieces]:
    """The dump cut in every way that leaves enough pieces."""
    n_written = len(head.strip(b"\0\xff"))
    sectors = list(_sectors(head))
    plain = [pieces for pieces in sectors if pieces.is_plain]
    others = [pieces for pieces in sectors if not pieces.is_plain]
    for pieces in (_cobs(head), _slip(head), *plain, *_by_patterns(head), *others):
        if pieces is not None and len(pieces.bodies) >= _FEWEST:
            covered = sum(map(len, pieces.bodies))
            if pieces.framing != "sync" or covered >= _LEAST_COVERED * n_written:
                yield pieces


def _cobs(head: bytes) -> Pieces | None:
    packets = [packet for packet in head.split(b"\0")[1:-1] if packet]
    first = head.partition(b"\0")[0]
    bodies = [body for packet in (first, *packets) if (body := uncobs(packet))]
    n_whole = sum(len(body) for body in bodies)
    return Pieces("cobs", bodies) if n_whole > _INTACT * len(head.strip(b"\0\xff")) else None


def uncobs(packet: bytes) -> bytes:
    """A packet without its stuffing (Cheshire and Baker 1999); nothing where it is none."""
    out, at, size = bytearray(), 0, len(packet)
    while at < size:
        code = packet[at]
        if code == 0 or at + code > size:
            return b""
        out += packet[at + 1 : at + code]
        at += code
        if code < 0xFF and at < size:
            out.append(0)
    return bytes(out)


def _slip(head: bytes) -> Pieces | None:
    packets = [packet for packet in head.split(b"\xc0")[1:-1] if packet]
    intact = [packet for packet in packets if not re.search(rb"\xdb(?![\xdc\xdd])", packet)]
    if sum(map(len, intact)) < _INTACT * len(head.strip(b"\0\xff")):
        return None
    bodies = [packet.replace(b"\xdb\xdc", b"\xc0").replace(b"\xdb\xdd", b"\xdb") for packet in intact]
    return Pieces("slip", [body for body in bodies if len(body) <= _LONGEST])


def _by_patterns(head: bytes) -> Iterator[Pieces]:
    for sync in patterns_in(head)[:_MOST_PATTERNS]:
        at = [match.start() for match in re.finditer(re.escape(sync), head)]
        bodies = [head[start:stop] for start, stop in pairwise(at)]
        kept = [_without_fill(body) for body in bodies if len(body) <= _LONGEST]
        yield Pieces("sync", kept, sync, _sector_of([len(body) for body in bodies]))


def _sector_of(sizes: Sequence[int]) -> int:
    """The size of sectors of which nearly all distances are multiples; 0 where there is none."""
    fits = [n for n in _SECTOR_BYTES if sum(size % n == 0 for size in sizes) > _INTACT * len(sizes)]
    return max(fits, default=0) if len(sizes) >= _FEWEST else 0


def patterns_in(head: bytes) -> list[bytes]:
    """Patterns of two bytes that come back at regular distances; those that cover most of the dump first.

    Patterns of erased memory are left out.
    """
    block = np.frombuffer(head, dtype=np.uint8).astype(np.int64)
    pairs = (block[:-1] << 8) | block[1:]
    n_of = np.bincount(pairs, minlength=1 << 16)
    n_of[[0x0000, 0xFFFF]] = 0
    found = []
    for pair in np.argsort(-n_of, kind="stable")[:_MOST_TRIED].tolist():
        if n_of[pair] < _FEWEST:
            break
        distances = np.diff(np.flatnonzero(pairs == pair))
        distances = distances[(distances >= _LEAST_SPACING) & (distances <= _LONGEST)]
        if not len(distances):
            continue
        # of several kinds of frame each distance counts by itself
        sizes, n_each = np.unique(distances, return_counts=True)
        often = n_each >= _LEAST_SHARE / 2 * len(distances)
        covered = float((sizes[often] * n_each[often]).sum())
        share = float(n_each[often].sum()) / len(distances)
        if share < _LEAST_SHARE:  # of frames of many sizes none is common
            covered, share = float(distances.sum()), _OF_MANY_SIZES
        plain = len({pair >> 8, pair & 0xFF} & {0x00, 0xFF})
        merit = covered * share * math.log2(len(distances))
        found.append((-merit, plain, pair.to_bytes(2, "big")))
    found.sort()
    return [row[2] for row in found]


def _sectors(head: bytes) -> Iterator[Pieces]:
    """Pieces of one size: the sizes at which bytes most often equal those one piece before."""
    block = np.frombuffer(head, dtype=np.uint8)
    likeness = {}
    for size in _SECTOR_BYTES:
        if len(block) >= size * _FEWEST:
            likeness[size] = float((block[size:] == block[:-size]).mean())
    # multiples of the size are as like: the smallest ones
    most, usual = max(likeness.values(), default=0.0), float(np.median([*likeness.values(), 0.0]))
    for size in [size for size in sorted(likeness) if likeness[size] >= _NEARLY * most][:2]:
        bodies = [head[at : at + size] for at in range(0, len(head) - size + 1, size)]
        written = [body for body in bodies if body.strip(b"\0") and body.strip(b"\xff")]
        yield Pieces("sectors", [_without_fill(body) for body in written], b"", size, most > _PLAIN * usual)


def _without_fill(body: bytes) -> bytes:
    """The piece without the bytes that fill it up, where these are more than chance."""
    bare = body.rstrip(body[-1:]) if body[-1] in (0x00, 0xFF) else body
    return bare if len(body) - len(bare) > 2 else body


def usual_sizes(pieces: Pieces, least: float = 0.05) -> list[int]:
    """The sizes that at least that share of the pieces have, the commonest first."""
    counts = Counter(map(len, pieces.bodies))
    return [size for size, n in counts.most_common() if n >= max(least * len(pieces.bodies), 3)]
