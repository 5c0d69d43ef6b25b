"""Cyclic redundancy checks by the parameters of the Rocksoft model, over many frames at once.

The register advances two bytes a step through a table of 65,536 entries (Sarwate 1988, CACM 31(8), by
words instead of bytes), and it does so for all frames of a block together. A register that takes the high
bit first stands left-aligned in a word of 16, 32 or 64 bits, so that one set of rules serves every width.

Where candidates overlap (a file full of sync patterns), the check of each is had from the registers at
its two ends: processing n zero bytes is a linear map of the register, hence
``register[a, b) = prefix(b) xor zeros_{b-a}(prefix(a) xor init)``. That keeps the work linear in the bytes.
"""

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt

from pipeline.frames.sums import sum_spans
from pipeline.layouts import Checksum

Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.unsignedinteger]

_FRAMES_AT_ONCE = 1 << 13
_FEW_FRAMES = 1 << 9
_SEGMENT_BYTES = 64
_SECONDS_PER_STEP = 6e-6
_SECONDS_PER_BYTE = 2e-9
_SECONDS_PER_BYTE_OVERLAPPING = 1.5e-8


@dataclass(frozen=True)
class _Engine:
    """Tables of one check: the register's word, its start, and how it advances by 8 and by 16 bits."""

    checksum: Checksum
    bits: int
    dtype: np.dtype[np.unsignedinteger]
    start: int
    by_byte: Words
    by_pair: Words


def _reflect(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


@cache
def _engine(checksum: Checksum) -> _Engine:
    bits = 16 if checksum.width <= 16 else 32 if checksum.width <= 32 else 64
    dtype = np.dtype(f"u{bits // 8}")
    if checksum.reflect_in:
        poly = _reflect(checksum.poly, checksum.width)
        start = _reflect(checksum.init, checksum.width)
        by_byte = np.arange(256, dtype=dtype)
        for _ in range(8):
            by_byte = (by_byte >> 1) ^ np.where(by_byte & 1, dtype.type(poly), dtype.type(0))
        pairs = np.arange(1 << 16, dtype=np.uint32)
        # low byte of the pair is processed first
        first = by_byte[pairs & 0xFF]
        inner = (first & 0xFF).astype(np.uint32) ^ (pairs >> 8)
        by_pair = (first >> 8) ^ by_byte[inner]
    else:
        shift = bits - checksum.width
        poly, start = checksum.poly << shift, checksum.init << shift
        by_byte = np.arange(256, dtype=dtype) << dtype.type(bits - 8)
        for _ in range(8):
            top = (by_byte >> dtype.type(bits - 1)).astype(bool)
            by_byte = (by_byte << dtype.type(1)) ^ np.where(top, dtype.type(poly), dtype.type(0))
        pairs = np.arange(1 << 16, dtype=np.uint32)
        # high byte of the pair is processed first
        first = by_byte[pairs >> 8]
        inner = (first >> dtype.type(bits - 8)).astype(np.uint32) ^ (pairs & 0xFF)
        by_pair = (first << dtype.type(8)) ^ by_byte[inner]
    return _Engine(checksum, bits, dtype, start, by_byte.astype(dtype), by_pair.astype(dtype))


def _step_byte(engine: _Engine, register: Words, data: Bytes) -> Words:
    word = engine.dtype.type
    if engine.checksum.reflect_in:
        low = (register & word(0xFF)) ^ data
        return np.bitwise_xor(register >> word(8), engine.by_byte.take(low))
    top = register >> word(engine.bits - 8)
    return np.bitwise_xor(register << word(8), engine.by_byte.take(top ^ data))


def _step_pair(engine: _Engine, register: Words, pair: npt.NDArray[np.uint16]) -> Words:
    word = engine.dtype.type
    if engine.bits == 16:
        return engine.by_pair.take(register ^ pair)
    if engine.checksum.reflect_in:
        low = (register & word(0xFFFF)) ^ pair
        return np.bitwise_xor(register >> word(16), engine.by_pair.take(low))
    top = register >> word(engine.bits - 16)
    return np.bitwise_xor(register << word(16), engine.by_pair.take(top ^ pair))


def _finish(engine: _Engine, register: Words) -> npt.NDArray[np.uint64]:
    """From the register to the check's value."""
    checksum = engine.checksum
    value = register.astype(np.uint64)
    if not checksum.reflect_in:
        value >>= np.uint64(engine.bits - checksum.width)
    if checksum.reflect_in != checksum.reflect_out:
        mirrored = np.zeros_like(value)
        for bit in range(checksum.width):
            mirrored |= ((value >> np.uint64(bit)) & np.uint64(1)) << np.uint64(checksum.width - 1 - bit)
        value = mirrored
    return value ^ np.uint64(checksum.xor_out)


def check_values(frames: Bytes, checksum: Checksum) -> npt.NDArray[np.uint64]:
    """Check value of each row.

    Parameters
    ----------
    frames : uint8, shape (n, bytes)
        What the check covers, one frame to a row; the last axis must be contiguous.
    checksum : Checksum
        Parameters.

    Returns
    -------
    uint64, shape (n,)
    """
    n, length = frames.shape
    if checksum.kind != "crc":
        stops = np.arange(1, n + 1) * length
        return sum_spans(np.ascontiguousarray(frames).reshape(-1), stops - length, stops, checksum)
    engine = _engine(checksum)
    register = np.full(n, engine.start, dtype=engine.dtype)
    if n <= _FEW_FRAMES and length > 2 * _SEGMENT_BYTES:
        return _finish(engine, _side_by_side(engine, frames) ^ _advance_all(engine, register, length))
    for start in range(0, n, _FRAMES_AT_ONCE):
        some = frames[start : start + _FRAMES_AT_ONCE]
        register[start : start + _FRAMES_AT_ONCE] = _register_after(
            engine, register[start : start + _FRAMES_AT_ONCE], some
        )
    return _finish(engine, register)


def _register_after(engine: _Engine, register: Words, frames: Bytes) -> Words:
    """Registers after the bytes of each row."""
    n_pairs = frames.shape[1] // 2
    order = "<u2" if engine.checksum.reflect_in else ">u2"
    if n_pairs:
        pairs = np.ascontiguousarray(frames[:, : 2 * n_pairs].view(order).T, dtype=np.uint16)
        for pair in pairs:
            register = _step_pair(engine, register, pair)
    return _step_byte(engine, register, frames[:, -1]) if frames.shape[1] % 2 else register


def _side_by_side(engine: _Engine, frames: Bytes) -> Words:
    """Registers after the bytes of each row from a register of 0, for a few long rows.

    All pieces of a row go through at once, as if each were a row; zeros before a row change nothing.
    """
    n, length = frames.shape
    n_pieces = -(-length // _SEGMENT_BYTES)
    padded = np.zeros((n, n_pieces * _SEGMENT_BYTES), dtype=np.uint8)
    padded[:, padded.shape[1] - length :] = frames
    none = np.zeros(n * n_pieces, dtype=engine.dtype)
    pieces = _register_after(engine, none, padded.reshape(-1, _SEGMENT_BYTES)).reshape(n, n_pieces)
    register = pieces[:, 0]
    for i in range(1, n_pieces):
        register = _advance_all(engine, register, _SEGMENT_BYTES) ^ pieces[:, i]
    return register


def check_spans(
    block: Bytes, starts: npt.NDArray[np.int64], stops: npt.NDArray[np.int64], checksum: Checksum
) -> npt.NDArray[np.uint64]:
    """Check value of each span [start, stop) of a block; spans may overlap and differ in length.

    Parameters
    ----------
    block : uint8, shape (bytes,)
        Contiguous.
    starts, stops : int64, shape (n,)
        Half-open spans within the block.
    checksum : Checksum
        Parameters.

    Returns
    -------
    uint64, shape (n,)
    """
    values = np.zeros(len(starts), dtype=np.uint64)
    if not len(starts):
        return values
    if checksum.kind != "crc":
        return sum_spans(block, starts, stops, checksum)
    lengths = stops - starts
    if bool(np.all(lengths == lengths[0])):
        kinds, counts = lengths[:1], np.array([len(lengths)])
    else:
        kinds, counts = np.unique(lengths, return_counts=True)
    direct = float((kinds * _SECONDS_PER_STEP / 2).sum() + (kinds * counts).sum() * _SECONDS_PER_BYTE)
    if direct > len(block) * _SECONDS_PER_BYTE_OVERLAPPING + 2e-3:
        return _check_overlapping(block, starts, stops, checksum)
    for length in kinds.tolist():
        which = slice(None) if len(kinds) == 1 else np.flatnonzero(lengths == length)
        values[which] = check_values(rows_at(block, starts[which], length), checksum)
    return values


def rows_at(block: Bytes, starts: npt.NDArray[np.int64], length: int) -> Bytes:
    """The bytes [start, start + length) for each start, shape (n, length); a view where that is possible."""
    n = len(starts)
    if n == 0 or length == 0:
        return np.zeros((n, length), dtype=np.uint8)
    windows = np.lib.stride_tricks.sliding_window_view(block, length)
    step = int(starts[1] - starts[0]) if n > 1 else 1
    if step > 0 and int(starts[-1] - starts[0]) == step * (n - 1) and bool(np.all(np.diff(starts) == step)):
        return windows[int(starts[0]) : int(starts[-1]) + 1 : step]
    return windows[starts]


def numbers_at(block: Bytes, at: npt.NDArray[np.int64], n_bytes: int, big: bool) -> npt.NDArray[np.uint64]:
    """Unsigned numbers of up to 8 bytes that stand at those places of a block, shape (n,)."""
    rows = rows_at(block, at, n_bytes)
    if n_bytes in (1, 2, 4, 8):
        return rows.view(f"{'>' if big else '<'}u{n_bytes}")[:, 0].astype(np.uint64)
    wide = np.zeros((len(at), 8), dtype=np.uint8)
    wide[:, :n_bytes] = rows[:, ::-1] if big else rows
    return wide.view("<u8")[:, 0]


def check_each_place(block: Bytes, length: int, checksum: Checksum) -> npt.NDArray[np.uint64]:
    """Check value of the span of that length at each place of a block.

    Parameters
    ----------
    block : uint8, shape (bytes,)
        Contiguous.
    length : int
        Bytes of each span.
    checksum : Checksum
        Parameters.

    Returns
    -------
    uint64, shape (bytes - length + 1,); empty where the block is shorter than a span
    """
    n = len(block) - length + 1
    if n <= 0:
        return np.zeros(0, dtype=np.uint64)
    if checksum.kind != "crc":
        return sum_spans(block, np.arange(n), np.arange(n) + length, checksum)
    engine = _engine(checksum)
    _, before, columns = _segments(engine, block)
    # once more through the segments, now from the register that each really begins with
    register, each = before, np.zeros((_SEGMENT_BYTES, len(before)), dtype=engine.dtype)
    for i, column in enumerate(columns):
        each[i] = register
        register = _step_byte(engine, register, column)
    prefix = np.append(each.T.reshape(-1), register[-1:])
    begun = prefix[:n] ^ engine.dtype.type(engine.start)
    return _finish(engine, prefix[length : length + n] ^ _advance_all(engine, begun, length))


def _segments(engine: _Engine, block: Bytes) -> tuple[Words, Words, Bytes]:
    """Registers within segments as if each began with 0; before each of them; and their bytes by place."""
    n_segments = -(-len(block) // _SEGMENT_BYTES)
    padded = np.zeros(n_segments * _SEGMENT_BYTES, dtype=np.uint8)
    padded[: len(block)] = block
    columns = np.ascontiguousarray(padded.reshape(n_segments, _SEGMENT_BYTES).T)
    local = np.zeros((_SEGMENT_BYTES + 1, n_segments), dtype=engine.dtype)
    for i in range(_SEGMENT_BYTES):
        local[i + 1] = _step_byte(engine, local[i], columns[i])
    return local, _segment_prefixes(engine, local[-1]), columns


def _check_overlapping(
    block: Bytes, starts: npt.NDArray[np.int64], stops: npt.NDArray[np.int64], checksum: Checksum
) -> npt.NDArray[np.uint64]:
    engine = _engine(checksum)
    local, before, _ = _segments(engine, block)

    def prefix(at: npt.NDArray[np.int64]) -> Words:
        segment, within = np.minimum(at // _SEGMENT_BYTES, len(before) - 1), at.copy()
        within -= segment * _SEGMENT_BYTES
        return local[within, segment] ^ _advance(engine, before[segment], within)

    begun = prefix(starts) ^ engine.dtype.type(engine.start)
    return _finish(engine, prefix(stops) ^ _advance(engine, begun, stops - starts))


def _advance_all(engine: _Engine, register: Words, n_zeros: int) -> Words:
    """Registers after the same number of zero bytes each."""
    moved = np.zeros(len(register), dtype=engine.dtype)
    for i, table in enumerate(_tables_of(engine.checksum, n_zeros)):
        moved ^= table.take((register >> engine.dtype.type(8 * i)) & engine.dtype.type(0xFF))
    return moved


@lru_cache(maxsize=256)
def _tables_of(checksum: Checksum, n_zeros: int) -> tuple[Words, ...]:
    """For each byte of the register, what it becomes after that many zero bytes."""
    engine, zeros = _engine(checksum), np.full(256, n_zeros, dtype=np.int64)
    entries = (
        np.arange(256, dtype=engine.dtype) << engine.dtype.type(8 * i) for i in range(engine.bits // 8)
    )
    return tuple(_advance(engine, entry, zeros) for entry in entries)


def _segment_prefixes(engine: _Engine, whole: Words) -> Words:
    """Register before each segment, from the registers of the segments alone, by doubling."""
    total, reach = whole.copy(), 1
    while reach < len(total):
        moved = _advance_all(engine, total[:-reach], reach * _SEGMENT_BYTES)
        total = np.concatenate((total[:reach], total[reach:] ^ moved))
        reach *= 2
    return np.concatenate((np.zeros(1, dtype=engine.dtype), total[:-1]))


def _advance(engine: _Engine, register: Words, n_zeros: npt.NDArray[np.int64]) -> Words:
    """Registers after `n_zeros` zero bytes each."""
    register, power = register.copy(), 0
    while np.any(n_zeros >> power):
        which = np.flatnonzero((n_zeros >> power) & 1)
        if len(which):
            some, moved = register[which], np.zeros(len(which), dtype=engine.dtype)
            for i, table in enumerate(_zero_tables(engine.checksum, power)):
                moved ^= table[(some >> engine.dtype.type(8 * i)) & engine.dtype.type(0xFF)]
            register[which] = moved
        power += 1
    return register


@cache
def _zero_tables(checksum: Checksum, power: int) -> tuple[Words, ...]:
    """For each byte of the register, what it becomes after 2**power zero bytes."""
    engine = _engine(checksum)
    tables = []
    for i in range(engine.bits // 8):
        entry = np.arange(256, dtype=engine.dtype) << engine.dtype.type(8 * i)
        if power == 0:
            moved = _step_byte(engine, entry, np.zeros(256, dtype=np.uint8))
        else:
            moved = _advance(engine, entry, np.full(256, 1 << (power - 1), dtype=np.int64))
            moved = _advance(engine, moved, np.full(256, 1 << (power - 1), dtype=np.int64))
        tables.append(moved.astype(engine.dtype))
    return tuple(tables)
