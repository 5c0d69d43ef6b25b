"""Counts out of the bytes of samples: whole bytes, or numbers packed bit by bit."""

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.layouts import Frame, Part

Counts = npt.NDArray[np.integer]

FILLER_BYTES = 2
"""Of a frame that fills its sector only partly: where the filler stands, and its value."""


def unpack(values: Bytes, part: Part, n_rows: int) -> Counts:
    """Counts from the bytes of samples of several frames.

    Parameters
    ----------
    values : uint8, shape (frames, bytes)
        The bytes of that part in each frame.
    part : Part
        Number type, order, channels and their arrangement.
    n_rows : int
        Rows in each frame.

    Returns
    -------
    integers, shape (frames, n_rows, channels)
        A view of `values` where that is possible.
    """
    n, n_channels = len(values), len(part.channels)
    if part.bits % 8:
        flat = _packed(values, part, n_rows * n_channels)
    elif part.bits == 24:
        flat = _triples(values, part)
    else:
        flat = _whole(values, part)
    if part.arrangement == "planar":
        return flat.reshape(n, n_channels, n_rows).transpose(0, 2, 1)
    return flat.reshape(n, n_rows, n_channels)


def _whole(values: Bytes, part: Part) -> Counts:
    """Numbers of 8, 16 or 32 bits; offset binary is two's complement with its highest bit turned."""
    order = ">" if part.byte_order == "big" else "<"
    kind = "i" if part.form == "signed" else "u"
    numbers: Counts = values.view(f"{order}{kind}{part.bits // 8}")
    if part.form == "offset":
        turned = numbers ^ numbers.dtype.type(1 << (part.bits - 1))
        return turned.astype(f"u{part.bits // 8}", copy=False).view(f"i{part.bits // 8}")
    return numbers


def _triples(values: Bytes, part: Part) -> Counts:
    """Numbers of 24 bits, int32."""
    triples = np.ascontiguousarray(values).reshape(-1, 3)
    if part.byte_order == "big":
        triples = triples[:, ::-1]
    wide = np.zeros((len(triples), 4), dtype=np.uint8)
    wide[:, 1:] = triples
    kind = "i" if part.form == "signed" else "u"
    whole = (wide.view(f"<{kind}4")[:, 0] >> 8).astype(np.int32)
    return whole - (1 << 23) if part.form == "offset" else whole


def _packed(values: Bytes, part: Part, n_values: int) -> Counts:
    """Numbers that do not end on whole bytes, int32, shape (frames, n_values).

    Every 8 / gcd(bits, 8) numbers the bits of a number stand in its bytes as they did before, so that all
    numbers with one remainder are read by one window of bytes that steps through the frames.
    """
    n, n_bytes, bits = len(values), values.shape[1], part.bits
    wide = 32 if bits + 7 <= 32 else 64
    flat = np.zeros(n * n_bytes + 8, dtype=np.uint8)
    flat[: n * n_bytes].reshape(n, n_bytes)[:] = values
    out = np.empty((n, n_values), dtype=np.int32)
    period = 8 // int(np.gcd(bits, 8))
    big = part.byte_order == "big"
    word = np.dtype(f"{'>' if big else '<'}u{wide // 8}")
    for j in range(min(period, n_values)):
        first, shift = divmod(j * bits, 8)
        shape = (n, len(range(j, n_values, period)))
        window = np.ndarray(shape, word, flat, first, (n_bytes, bits * period // 8))
        # the number to the top of the word, then down again, with its sign where it has one
        raised = np.left_shift(window, shift if big else wide - bits - shift, dtype=f"u{wide // 8}")
        if part.form == "signed":
            raised = raised.view(f"i{wide // 8}")
        out[:, j::period] = raised >> raised.dtype.type(wide - bits)
    if part.form == "offset":
        out -= 1 << (bits - 1)
    return out


def has_pad(part: Part, n_rows: int) -> bool:
    """Whether the last byte of that part may hold bits of no sample; ``n_rows`` is 0 where it is open."""
    return (part.row_bits * n_rows if n_rows else part.row_bits) % 8 != 0


def pad_masks(part: Part, n_rows: npt.NDArray[np.int64]) -> Bytes:
    """The bits of the part's last byte that belong to no sample, for each frame of that many rows."""
    used = n_rows * part.row_bits % 8
    if part.byte_order == "big":
        masks = [0, *((1 << (8 - n)) - 1 for n in range(1, 8))]
    else:
        masks = [0, *(0xFF & ~((1 << n) - 1) for n in range(1, 8))]
    return np.array(masks, dtype=np.uint8)[used]


def extra_bytes(frame: Frame, framing: str) -> int:
    """How many bytes `Frames.extra` keeps of each frame of that kind."""
    ignored = sum(part.n_bytes for part in frame.all("ignored"))
    samples = frame.all("samples")
    padded = sum(part.bits > 0 and has_pad(part, part.count) for part in samples)
    in_sectors = framing == "sectors" and not all(part.count for part in samples)
    return ignored + padded + (FILLER_BYTES if in_sectors else 0)
