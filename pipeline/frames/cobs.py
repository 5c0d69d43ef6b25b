"""Consistent overhead byte stuffing: packets without a zero byte, between zero bytes.

S. Cheshire and M. Baker, "Consistent overhead byte stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.

A packet is a row of groups. The first byte of a group, its code, says how many bytes further the next group
begins. Where a group ends a zero stood, except behind a code of 255 and at the packet's end. A decoded packet
is thus the packet without its first byte, with zeros in place of all other codes, and nothing in place of a
code that follows a code of 255. The paper's encoder ends a packet whose last group is full with an empty
group, later ones do not: both give the same bytes.
"""

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.shape import Bools, Ints
from pipeline.frames.unstuffed import Unstuffed, without

DELIMITER = 0x00
_FULL = 0xFF
_TOO_FEW = 48
"""Below as many packets a step for all of them costs more than steps of each by itself."""


def most_bytes(n_bytes: int) -> int:
    """The longest that `n_bytes` get by stuffing, without a delimiter, by whatever encoder."""
    return n_bytes + n_bytes // 254 + 1


def unstuff(block: Bytes, starts: Ints, stops: Ints) -> Unstuffed:
    """Packets without their stuffing.

    Parameters
    ----------
    block : uint8
        Holds the packets.
    starts, stops : int64, shape (n,)
        Packets [start, stop) by rising start, not empty, not touching one another; no zero byte in them.

    Returns
    -------
    Unstuffed
        Not intact is a packet in which a code points beyond its end.
    """
    buffer = np.zeros(len(block) + _FULL + 1, dtype=np.uint8)
    buffer[: len(block)] = block
    # a code of zero steps nowhere: a packet that has come to its end stays there
    buffer[stops] = 0
    intact = np.ones(len(starts), dtype=bool)
    full = list[Ints]()
    which, at, ends = np.arange(len(starts)), starts, stops
    while len(at) >= _TOO_FEW:
        code = buffer.take(at)
        buffer[at] = 0
        if _FULL in code:
            full.append(at[code == _FULL])
        at = at + code
        beyond = at > ends
        if np.any(beyond):
            intact[which[beyond]] = False
            at = np.minimum(at, ends)
        going = at < ends
        if 2 * np.count_nonzero(going) < len(at):
            which, at, ends = which[going], at[going], ends[going]
    full.append(_step_alone(buffer, which, at, ends, intact))
    codes = np.sort(np.concatenate(full))
    # behind the last group of a packet nothing stands that could be left out
    end = stops[np.searchsorted(starts, codes, side="right") - 1]
    removed = codes[codes + _FULL < end] + _FULL
    return without(buffer, removed, starts + 1, stops, intact)


def _step_alone(buffer: Bytes, which: Ints, at: Ints, ends: Ints, intact: Bools) -> Ints:
    """Finish packets one by one; return where codes of 255 stand."""
    full, zeros = list[int](), list[int]()
    for i, place, end in zip(which.tolist(), at.tolist(), ends.tolist(), strict=True):
        data, step, size = buffer[place:end].tobytes(), 0, end - place
        while step < size:
            code = data[step]
            zeros.append(place + step)
            if code == _FULL:
                full.append(place + step)
            step += code
        intact[i] &= step == size
    if zeros:
        buffer[np.array(zeros)] = 0
    return np.array(full, dtype=np.int64)
