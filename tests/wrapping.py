"""How frames stand in a dump beside one another: byte stuffing and sectors, with nothing from the readers."""

from collections.abc import Sequence

SLIP_END, SLIP_ESC, SLIP_ESC_END, SLIP_ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD
"""RFC 1055."""


def cobs(data: bytes) -> bytes:
    """Consistent overhead byte stuffing (Cheshire and Baker 1999), without the delimiter.

    Nothing follows a last group of 254 bytes; the paper's own encoder sends an empty group there.
    """
    out, group = bytearray(), bytearray()
    open_end = True
    for byte in data:
        open_end = True
        if byte:
            group.append(byte)
            if len(group) == 254:
                out += b"\xff" + group
                group.clear()
                open_end = False
        else:
            out += bytes([len(group) + 1]) + group
            group.clear()
    if open_end:
        out += bytes([len(group) + 1]) + group
    return bytes(out)


def slip(data: bytes) -> bytes:
    """Escapes of RFC 1055, without the delimiter."""
    escaped = data.replace(bytes([SLIP_ESC]), bytes([SLIP_ESC, SLIP_ESC_ESC]))
    return escaped.replace(bytes([SLIP_END]), bytes([SLIP_ESC, SLIP_ESC_END]))


def into_sectors(
    frames: Sequence[bytes],
    sector_bytes: int,
    *,
    fill: int = 0xFF,
    per_sector: int = 1,
    oldest: int = 0,
    n_erased: int = 0,
) -> bytes:
    """Frames in the sectors of a memory.

    Parameters
    ----------
    frames : sequence of bytes
        In the order of time.
    sector_bytes : int
        What a sector holds; no frame goes over its end.
    fill : int
        The byte behind the last frame of a sector, and in sectors that are erased.
    per_sector : int
        Frames to a sector.
    oldest : int
        Sector at which the oldest frame stands: a circular memory that has come round.
    n_erased : int
        Sectors never written, at the end.
    """
    filled = bytes([fill])
    sectors = []
    for i in range(0, len(frames), per_sector):
        body = b"".join(frames[i : i + per_sector])
        if len(body) > sector_bytes:
            raise ValueError(f"{len(body)} bytes do not go into a sector of {sector_bytes}")
        sectors.append(body.ljust(sector_bytes, filled))
    turn = -oldest % len(sectors) if sectors else 0
    return b"".join(sectors[turn:] + sectors[:turn]) + filled * (sector_bytes * n_erased)
