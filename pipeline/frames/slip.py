"""Packets between END bytes, with two escapes, as on serial lines.

J. Romkey, "A nonstandard for transmission of IP datagrams over serial lines: SLIP", RFC 1055, 1988.

END may stand at both ends of a packet or at one: between two of them nothing is lost. ESC before anything but
the two bytes that may follow it is a violation, and the packet is damaged.
"""

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.shape import Ints
from pipeline.frames.unstuffed import Unstuffed, without

DELIMITER = 0xC0
_ESC, _ESC_END, _ESC_ESC = 0xDB, 0xDC, 0xDD


def most_bytes(n_bytes: int) -> int:
    """The longest that `n_bytes` get by escapes, without a delimiter."""
    return 2 * n_bytes


def unstuff(block: Bytes, starts: Ints, stops: Ints) -> Unstuffed:
    """Packets without their escapes.

    Parameters
    ----------
    block : uint8
        Holds the packets.
    starts, stops : int64, shape (n,)
        Packets [start, stop) by rising start, none overlapping another; no END in them.

    Returns
    -------
    Unstuffed
        Not intact is a packet with an escape that means nothing.
    """
    intact = np.ones(len(starts), dtype=bool)
    at = np.flatnonzero(block == _ESC)
    if not len(at) or not len(starts):
        return Unstuffed(block, starts, stops, intact)
    place = np.searchsorted(starts, at, side="right") - 1
    inside = (place >= 0) & (at < stops[place])
    at, place = at[inside], place[inside]
    following = block[np.minimum(at + 1, len(block) - 1)]
    is_end, is_esc = following == _ESC_END, following == _ESC_ESC
    right = (is_end | is_esc) & (at + 1 < stops[place])
    intact[place[~right]] = False
    buffer = block.copy()
    buffer[at[right & is_end]] = DELIMITER
    return without(buffer, at[right] + 1, starts, stops, intact)
