"""Columns of whole numbers as a short string: coded by differences, compressed, base64.

Most of what is known of a frame follows from the frame before it: a sequence goes on by one, an offset where
the frame before ends. Of such a column little but zeros is left, and what jitters takes a few bits a frame.
"""

import base64
import json
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import MEMORY, Room, blocks_of

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_MOST_DIFFERENCES = 2


@dataclass(frozen=True)
class Telling:
    """What :func:`packed` packs: ``n`` numbers in each column, which gives them stretch by stretch.

    Columns of a day are long: they are made one by one, and go to ``room``.
    """

    facts: Mapping[str, Any]
    n: int
    columns: Mapping[str, Callable[[slice], Ints]]
    blobs: Mapping[str, bytes]
    room: Room = MEMORY


@dataclass(frozen=True)
class Account:
    """What :func:`packed` holds: facts, columns of one length, and blobs of bytes."""

    facts: Mapping[str, Any]
    columns: Mapping[str, Ints]
    blobs: Mapping[str, bytes]


def packed(account: Telling, most_bytes: int | None = None) -> str:
    """The account as one line of ASCII; :func:`unpacked` gives it back exactly.

    Empty where it were longer than `most_bytes`.
    """
    pieces, entries = list[bytes](), list[list[Any]]()
    for name, column in account.columns.items():
        seeds, left = _least(_whole(column, account.n, account.room), account.room)
        if all(bool(np.all(left[block] == left[0])) for block in blocks_of(len(left))):
            entries.append([name, seeds, 0, int(left[0]) if len(left) else 0])
            continue
        n_bytes = _mirror(left)
        pieces.append(_deflated(_planes(left, n_bytes), zlib.Z_RLE))
        entries.append([name, seeds, n_bytes, len(pieces[-1])])
        if most_bytes is not None and sum(map(len, pieces)) > most_bytes:
            return ""
    for name, blob in account.blobs.items():
        pieces.append(_deflated([blob], zlib.Z_DEFAULT_STRATEGY))
        entries.append([name, None, 1, len(pieces[-1])])
    head = json.dumps({"facts": account.facts, "n": account.n, "entries": entries}, separators=(",", ":"))
    text = base64.b64encode(b"\n".join((head.encode(), b"".join(pieces)))).decode()
    return text if most_bytes is None or len(text) <= most_bytes else ""


def _whole(column: Callable[[slice], Ints], n: int, room: Room) -> Ints:
    whole: Ints = room.zeros(n)
    for block in blocks_of(n):
        whole[block] = column(block)
    return whole


def _mirror(values: Ints) -> int:
    """Put numbers of either sign on those from 0 on, in place; the bytes that the largest takes."""
    most = 0
    for block in blocks_of(len(values)):
        values[block] = (values[block] << 1) ^ (values[block] >> 63)
        most = max(most, int(values[block].view(np.uint64).max()))
    return next(n for n in (1, 2, 4, 8) if n == 8 or most >> 8 * n == 0)


def _planes(values: Ints, n_bytes: int) -> Iterator[bytes]:
    """The lowest bytes of all numbers, then the next ones."""
    for plane in range(n_bytes):
        for block in blocks_of(len(values)):
            lowest_first = values[block].astype("<u8").view(np.uint8).reshape(-1, 8)
            yield lowest_first[:, plane].tobytes()


def unpacked(text: str) -> Account:
    """The account that :func:`packed` wrote."""
    head, _, rest = base64.b64decode(text).partition(b"\n")
    about = json.loads(head)
    columns, blobs, at = dict[str, Ints](), dict[str, bytes](), 0
    for name, seeds, n_bytes, value in about["entries"]:
        if n_bytes == 0:
            left = np.full(max(about["n"] - len(seeds), 0), value, dtype=np.int64)
        else:
            data = zlib.decompress(rest[at : at + value])
            at += value
            if seeds is None:
                blobs[name] = data
                continue
            planes = np.frombuffer(data, dtype=np.uint8).reshape(n_bytes, -1).T
            mirrored = np.ascontiguousarray(planes).view(f"<u{n_bytes}")[:, 0].astype(np.uint64)
            left = (mirrored >> np.uint64(1)).view(np.int64) ^ -(mirrored & np.uint64(1)).view(np.int64)
        for seed in reversed(seeds):
            left = np.cumsum(np.concatenate((np.array([seed], dtype=np.int64), left)))
        columns[name] = left
    return Account(about["facts"], columns, blobs)


def _least(values: Ints, room: Room) -> tuple[list[int], Ints]:
    """The differences that take the fewest bits, and the first value before each; sums undo them."""
    left = values
    best, fewest, seeds, best_seeds = left, _bits(left), list[int](), list[int]()
    for _ in range(min(_MOST_DIFFERENCES, len(left))):
        seeds = [*seeds, int(left[0])]
        left = _differences(left, room)
        bits = _bits(left)
        if bits < fewest:
            best, fewest, best_seeds = left, bits, seeds
    return best_seeds, best


def _differences(values: Ints, room: Room) -> Ints:
    found: Ints = room.zeros(len(values) - 1)
    for block in blocks_of(len(found)):
        found[block] = np.diff(values[block.start : block.stop + 1])
    return found


def _bits(values: Ints) -> float:
    bits = (np.log2(1.0 + np.abs(values[block].astype(np.float64))) for block in blocks_of(len(values)))
    return sum(float(of_block.sum()) for of_block in bits)


def _deflated(data: Iterable[bytes], strategy: int) -> bytes:
    # the level and the window are fixed: the same account gives the same bytes
    compressor = zlib.compressobj(6, zlib.DEFLATED, 15, 9, strategy)
    return b"".join([*(compressor.compress(piece) for piece in data), compressor.flush()])
