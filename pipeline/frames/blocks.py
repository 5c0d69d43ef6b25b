"""A file in blocks through one buffer; what a reader leaves unsettled begins the next block."""

import hashlib
from typing import BinaryIO

import numpy as np

from pipeline.frames.checksum import Bytes


class BlockReader:
    """Reads a file once, from its beginning, and computes its SHA-256 on the way.

    Parameters
    ----------
    source : binary file
        At its beginning.
    block_bytes : int
        Bytes read at once.
    """

    def __init__(self, source: BinaryIO, block_bytes: int) -> None:
        self.n_bytes = 0
        self._source = source
        self._block_bytes = block_bytes
        self._digest = hashlib.sha256()
        self._room = np.empty(block_bytes, dtype=np.uint8)
        self._n_held = 0

    @property
    def sha256(self) -> str:
        """Of all bytes read so far."""
        return self._digest.hexdigest()

    def advance(self, n_settled: int) -> tuple[Bytes, bool]:
        """Drop the first `n_settled` bytes, read on; return the block and whether it is the last.

        The block is valid until the next call. The last one holds what was left unsettled and nothing new.
        """
        left = self._n_held - n_settled
        # what is left grows only where more is needed: larger reads then keep the time linear
        self._block_bytes = max(self._block_bytes, left // 2)
        if left + self._block_bytes > len(self._room):
            room = np.empty(left + 2 * self._block_bytes, dtype=np.uint8)
            room[:left] = self._room[n_settled : self._n_held]
            self._room = room
        else:
            self._room[:left] = self._room[n_settled : self._n_held].copy()
        fresh = self._room.data[left : left + self._block_bytes]
        n_read = self._source.readinto(fresh)  # type: ignore[attr-defined]
        self._digest.update(fresh[:n_read])
        self.n_bytes += n_read
        self._n_held = left + n_read
        return self._room[: self._n_held], n_read == 0
