"""Columns of whole numbers as a short string: coded by differences, compressed, base64.

Most of what is known of a frame follows from the frame before it: a sequence goes on by one, an offset where
the frame before ends. Of such a column little but zeros is left, and what jitters takes a few bits a frame.
"""

import base64
import json
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

_MOST_DIFFERENCES = 2


@dataclass(frozen=True)
class Telling:
    """What :func:`packed` packs. Each column is made when its turn comes: all of a day at once are long."""

    facts: Mapping[str, Any]
    columns: Mapping[str, Callable[[], Ints]]
    blobs: Mapping[str, bytes]


@dataclass(frozen=True)
class Account:
    """What :func:`packed` holds: facts, columns of one length, and blobs of bytes."""

    facts: Mapping[str, Any]
    columns: Mapping[str, Ints]
    blobs: Mapping[str, bytes]


def packed(account: Telling) -> str:
    """The account as one line of ASCII; :func:`unpacked` gives it back exactly."""
    pieces, entries, n = list[bytes](), list[list[Any]](), 0
    for name, column in account.columns.items():
        values = column()
        n = len(values)
        seeds, left = _least(values)
        del values
        if not len(left) or bool(np.all(left == left[0])):
            entries.append([name, seeds, 0, int(left[0]) if len(left) else 0])
            continue
        mirrored = ((left << 1) ^ (left >> 63)).view(np.uint64)
        n_bytes = next(n for n in (1, 2, 4, 8) if n == 8 or int(mirrored.max()) >> 8 * n == 0)
        planes = mirrored.astype(f"<u{n_bytes}").view(np.uint8).reshape(-1, n_bytes).T
        pieces.append(_deflated(planes.tobytes(), zlib.Z_RLE))
        entries.append([name, seeds, n_bytes, len(pieces[-1])])
    for name, blob in account.blobs.items():
        pieces.append(_deflated(blob, zlib.Z_DEFAULT_STRATEGY))
        entries.append([name, None, 1, len(pieces[-1])])
    head = json.dumps({"facts": account.facts, "n": n, "entries": entries}, separators=(",", ":"))
    return base64.b64encode(b"\n".join((head.encode(), b"".join(pieces)))).decode()


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


def _least(values: Ints) -> tuple[list[int], Ints]:
    """The differences that take the fewest bits, and the first value before each; sums undo them."""
    left = np.ascontiguousarray(values, dtype=np.int64)
    best, fewest, seeds, best_seeds = left, _bits(left), list[int](), list[int]()
    for _ in range(min(_MOST_DIFFERENCES, len(left))):
        seeds = [*seeds, int(left[0])]
        left = np.diff(left)
        bits = _bits(left)
        if bits < fewest:
            best, fewest, best_seeds = left, bits, seeds
    return best_seeds, best


def _bits(values: Ints) -> float:
    return float(np.log2(1.0 + np.abs(values.astype(np.float64))).sum())


def _deflated(data: bytes, strategy: int) -> bytes:
    # the level and the window are fixed: the same account gives the same bytes
    compressor = zlib.compressobj(6, zlib.DEFLATED, 15, 9, strategy)
    return compressor.compress(data) + compressor.flush()
