"""How the bytes of samples are to be read: by which width, order and channels they go on smoothest."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.finder.cost import going_on, told_bits
from pipeline.frames.checksum import Bytes
from pipeline.layouts.layout import ByteOrder, Form

Ints = npt.NDArray[np.int64]

_BITS = (8, 10, 12, 14, 16, 18, 20, 24, 32)
_MOST_CHANNELS = 16
_FEWEST_FRAMES = 16
_MOST_BYTES = 1 << 13
_MOST_BESIDE = 4
_FOR_WIDE = 1.5
_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")


@dataclass(frozen=True)
class Reading:
    """A way to read the bytes of samples.

    ``skipped`` bytes before them and ``spare`` bytes behind them mean nothing; ``bits_left`` is what is left
    to be told of a frame.
    """

    bits: int
    form: Form
    byte_order: ByteOrder
    n_channels: int
    n_rows: int
    arrangement: Literal["interleaved", "planar"]
    skipped: int
    spare: int
    bits_left: float


def read_samples(rows: Bytes, most_beside: int = _MOST_BESIDE) -> Reading | None:
    """The way to read the bytes of samples that leaves least to be told; None where there are none.

    Parameters
    ----------
    rows : uint8, shape (n, bytes)
        What stands between counters and check, in frames of one size.
    most_beside : int
        Bytes before and behind the samples that may mean nothing.
    """
    rows = rows[: max(_FEWEST_FRAMES, _MOST_BYTES // max(rows.shape[1], 1))]
    told = told_bits(rows)
    is_fixed = (rows == rows[:1]).all(axis=0)
    best: Reading | None = None
    for skipped in range(min(most_beside + 1, rows.shape[1])):
        before = float(told[:skipped].sum())
        for spare in range(min(most_beside + 1, rows.shape[1] - skipped)):
            inner = rows[:, skipped : rows.shape[1] - spare]
            behind = float(told[rows.shape[1] - spare :].sum())
            for found in _ways(inner, skipped, spare, before + behind):
                if best is None or found.bits_left < best.bits_left - 1e-9:
                    best = found
        if not is_fixed[skipped : skipped + 1].all():
            break
    return best


def _ways(rows: Bytes, skipped: int, spare: int, before: float) -> list[Reading]:
    found = list[Reading]()
    n_bytes = rows.shape[1]
    for bits in _BITS:
        n_values = n_bytes * 8 // bits
        if not n_values or -(-n_values * bits // 8) != n_bytes:
            continue
        for order in _ORDERS if bits > 8 else _ORDERS[:1]:
            values = values_of(rows, bits, order, n_values)
            way = _smoothest(values, bits)
            if way is not None:
                cost, n_channels, arrangement = way
                form = _form(values, bits, n_channels, arrangement)
                n_rows = n_values // n_channels
                left = before + cost * n_values
                found.append(
                    Reading(bits, form, order, n_channels, n_rows, arrangement, skipped, spare, left)
                )
    return found


def values_of(rows: Bytes, bits: int, order: ByteOrder, n_values: int) -> Ints:
    """The first unsigned numbers of each row, int64 of shape (frames, values)."""
    if bits % 8 == 0:
        wide = np.zeros((*rows.shape[:1], n_values, 8), dtype=np.uint8)
        triples = rows[:, : n_values * bits // 8].reshape(len(rows), n_values, bits // 8)
        wide[..., : bits // 8] = triples[..., ::-1] if order == "big" else triples
        return wide.view("<i8")[..., 0]
    single = np.unpackbits(rows, axis=1, bitorder=order)[:, : n_values * bits]
    single = single.reshape(len(rows), n_values, bits)
    powers = 1 << np.arange(bits)
    return single.astype(np.int64) @ (powers if order == "little" else powers[::-1])


def _smoothest(values: Ints, bits: int) -> tuple[float, int, Literal["interleaved", "planar"]] | None:
    """The number of channels with the smallest steps: bits of a value, channels, arrangement."""
    n, n_values = values.shape
    best: tuple[float, int, Literal["interleaved", "planar"]] | None = None
    for n_channels in range(1, min(_MOST_CHANNELS, n_values) + 1):
        if n_values % n_channels:
            continue
        cost = _cost(values.reshape(-1, n_channels), bits)
        if best is None or cost < 0.98 * best[0]:
            best = (cost, n_channels, "interleaved")
        if 1 < n_channels < n_values:
            turned = values.reshape(n, n_channels, -1).transpose(0, 2, 1).reshape(-1, n_channels)
            cost = _cost(turned, bits)
            if best is not None and cost < 0.9 * best[0]:
                best = (cost, n_channels, "planar")
    return best


def _cost(rows: Ints, bits: int) -> float:
    """Bits that a value takes, whatever the sign of the numbers means.

    Wide numbers whose low bits are noise cost as much as their bytes by themselves: they are preferred.
    """
    return float(going_on(rows, bits, bits).mean()) * (1 + _FOR_WIDE / bits)


def _form(values: Ints, bits: int, n_channels: int, arrangement: str) -> Form:
    """Signed where the numbers jump less across 0 so than across the middle of the range."""
    half = 1 << (bits - 1)
    if arrangement == "planar":
        values = values.reshape(len(values), n_channels, -1).transpose(0, 2, 1)
    flat = values.reshape(-1)
    signed = np.where(flat >= half, flat - (1 << bits), flat)
    jumps = [
        int(np.count_nonzero(np.abs(one[n_channels:] - one[:-n_channels]) >= half)) for one in (flat, signed)
    ]
    if jumps[0] == jumps[1]:
        return "signed" if bits > 8 and bool((flat >= half).all()) else "unsigned"
    return "signed" if jumps[1] < jumps[0] else "unsigned"
