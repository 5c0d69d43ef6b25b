"""Checks bit for bit, with nothing from the readers: the Rocksoft model and the simple sums.

The Rocksoft model (Williams 1993, "A painless guide to CRC error detection algorithms") runs through a table
of 256 for speed; two checks that the standard library has are taken from it, for the same reason.
"""

import binascii
import zlib
from functools import cache

from pipeline.layouts import Checksum

_FAST = {"CRC-32/ISO-HDLC": zlib.crc32, "CRC-16/XMODEM": lambda data: binascii.crc_hqx(data, 0)}


def check_of(data: bytes, checksum: Checksum) -> int:
    """The check of `data`: a simple sum where its name says so, else a cyclic redundancy check."""
    if checksum.name in _FAST:
        return _FAST[checksum.name](data)
    name = checksum.name.lower()
    for word, of in (("fletcher", fletcher16), ("adler", adler32), ("internet", internet), ("xor", xor8)):
        if word in name:
            return of(data)
    return sum8(data) if "sum" in name and "ck" not in name else crc(data, checksum)


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
    """The cyclic redundancy check of `data`."""
    table, mask, register = _table(checksum.width, checksum.poly), (1 << checksum.width) - 1, checksum.init
    for byte in data:
        byte = _MIRRORED_BYTES[byte] if checksum.reflect_in else byte
        register = ((register << 8) & mask) ^ table[(register >> (checksum.width - 8)) ^ byte]
    if checksum.reflect_out:
        register = _mirrored(register, checksum.width)
    return register ^ checksum.xor_out


def sum8(data: bytes) -> int:
    """All bytes added, modulo 256."""
    return sum(data) % 256


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes."""
    value = 0
    for byte in data:
        value ^= byte
    return value


def fletcher16(data: bytes) -> int:
    """Two sums modulo 255, the second in the high byte (Fletcher 1982)."""
    low = high = 0
    for byte in data:
        low = (low + byte) % 255
        high = (high + low) % 255
    return high << 8 | low


def adler32(data: bytes) -> int:
    """Two sums modulo 65521, the first from 1 (RFC 1950)."""
    low, high = 1, 0
    for byte in data:
        low = (low + byte) % 65521
        high = (high + low) % 65521
    return high << 16 | low


def internet(data: bytes) -> int:
    """Complement of the one's complement sum of words of 16 bits, the last one filled by 0 (RFC 1071)."""
    total = 0
    for i in range(0, len(data), 2):
        total += int.from_bytes(data[i : i + 2].ljust(2, b"\0"), "big")
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF
