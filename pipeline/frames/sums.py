"""Simple sums that small devices send instead of a cyclic redundancy check, over many spans at once.

All of them follow from running sums over the block, whose differences are those of any span.
"""

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Checksum

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]

_ADLER = 65521
"""The largest prime below 65536 (RFC 1950)."""


def sum_spans(block: Bytes, starts: Ints, stops: Ints, checksum: Checksum) -> npt.NDArray[np.uint64]:
    """The sum of each span [start, stop) of a block; spans may overlap.

    Parameters
    ----------
    block : uint8, shape (bytes,)
        Holds the spans.
    starts, stops : int64, shape (n,)
        Half-open spans.
    checksum : Checksum
        Of a kind that is no CRC.

    Returns
    -------
    uint64, shape (n,)

    References
    ----------
    J. G. Fletcher, IEEE Transactions on Communications 30(1), 1982; RFC 1950 (Adler-32); RFC 1071.
    """
    if checksum.kind == "xor":
        running = np.concatenate((np.zeros(1, dtype=np.uint8), np.bitwise_xor.accumulate(block)))
        return np.asarray(running[stops] ^ running[starts], dtype=np.uint64)
    if checksum.kind == "internet":
        return _internet(block, starts, stops).astype(np.uint64)
    once = _running(block)
    first = once[stops] - once[starts]
    if checksum.kind == "sum":
        return (first % 256).astype(np.uint64)
    # the second sum adds up the first one behind each byte of the span
    twice = _running(once)
    second = twice[stops + 1] - twice[starts + 1] - (stops - starts) * once[starts]
    if checksum.kind == "fletcher":
        return ((second % 255) << 8 | first % 255).astype(np.uint64)
    return (((stops - starts + second) % _ADLER) << 16 | (1 + first) % _ADLER).astype(np.uint64)


def _running(values: npt.NDArray[np.integer]) -> Ints:
    """Sums of the values before each place, and of all of them."""
    sums = np.zeros(len(values) + 1, dtype=np.int64)
    np.cumsum(values, dtype=np.int64, out=sums[1:])
    return sums


def _internet(block: Bytes, starts: Ints, stops: Ints) -> Ints:
    """Complement of the one's complement sum of words, high byte first, the last one filled up by 0."""
    even = block.copy()
    even[1::2] = 0
    at_even, at_all = _running(even), _running(block)
    evens, everything = at_even[stops] - at_even[starts], at_all[stops] - at_all[starts]
    high = np.where(starts % 2 == 0, evens, everything - evens)
    total = (high << 8) + (everything - high)
    while np.any(total >> 16):
        total = (total & 0xFFFF) + (total >> 16)
    return np.asarray(total ^ 0xFFFF)
