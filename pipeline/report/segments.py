"""Deflated pieces that were made apart and travel as one stream (RFC 1950 and 1951)."""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

_LEVEL = 6
_HEAD, _END = b"\x78\x9c", b"\x03\x00"
"""The two bytes before a stream of this level; a last block without content."""
_MODULUS = 65521


@dataclass(frozen=True)
class Segment:
    """A piece of a stream: raw deflated bytes that end with a whole byte and refer to nothing before them.

    ``n_bytes`` is the length of what was deflated, ``adler`` its checksum.
    """

    data: bytes
    n_bytes: int
    adler: int

    @staticmethod
    def of(content: bytes) -> "Segment":
        """Deflate a piece."""
        deflate = zlib.compressobj(_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
        data = deflate.compress(content) + deflate.flush(zlib.Z_SYNC_FLUSH)
        return Segment(data, len(content), zlib.adler32(content))


def joined(segments: Sequence[Segment]) -> bytes:
    """One stream of all pieces, as if they had been deflated together."""
    adler = 1
    for segment in segments:
        adler = _adler_of_both(adler, segment)
    return b"".join((_HEAD, *(segment.data for segment in segments), _END, adler.to_bytes(4, "big")))


def _adler_of_both(before: int, segment: Segment) -> int:
    """The checksum of what came before and a piece, from theirs: both of its sums start where others end."""
    a, b = before & 0xFFFF, before >> 16
    own_a, own_b = segment.adler & 0xFFFF, segment.adler >> 16
    low = (a + own_a - 1) % _MODULUS
    high = (b + own_b + segment.n_bytes * (a - 1)) % _MODULUS
    return high << 16 | low
