"""Numbers row by row, in memory as long as there are few, else in a temporary file."""

import tempfile
import weakref
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

SPOOL_IN_MEMORY_BYTES = 32 << 20
"""Decoded counts beyond this size go to a temporary file, so that memory stays bounded."""

_LEAST_ROOM = 1 << 10
_ROWS_AT_ONCE = 1 << 16


class CountSpool:
    """Decoded counts in the order of the dump, `n_channels` to a row, in memory or in a temporary file.

    Parameters
    ----------
    n_channels : int
        Columns.
    dtype : str
        NumPy integer type that holds every count of the layout.
    folder : Path
        Where the temporary file goes once the counts outgrow memory.
    """

    def __init__(self, n_channels: int, dtype: str, folder: Path) -> None:
        self.n_channels = n_channels
        self.dtype = np.dtype(dtype)
        self.n_rows = 0
        self._folder = folder
        self._room = np.empty(0, dtype=self.dtype)
        self._file: BinaryIO | None = None

    def append(self, counts: npt.NDArray[np.integer]) -> None:
        """Add rows; `counts` has shape (rows, n_channels), or (frames, rows, n_channels)."""
        start = self.n_rows * self.n_channels
        stop = start + counts.size
        self.n_rows = stop // self.n_channels
        if self._file is None and stop * self.dtype.itemsize > SPOOL_IN_MEMORY_BYTES:
            self._file = _temporary(self, self._folder)
            self._file.write(self._room[:start].data)
            self._room = np.empty(0, dtype=self.dtype)
        if self._file is not None:
            self._file.seek(0, 2)
            self._file.write(np.ascontiguousarray(counts, dtype=self.dtype).reshape(-1).view(np.uint8).data)
            return
        if stop > len(self._room):
            # nothing else refers to the room: what is read from it is copied
            self._room.resize(max(stop + stop // 4, _LEAST_ROOM), refcheck=False)
        self._room[start:stop].reshape(counts.shape)[:] = counts

    def turn(self, first: int, by: int) -> None:
        """Put the first `by` of the rows from that one on behind the others."""
        turned = CountSpool(self.n_channels, self.dtype.str, self._folder)
        for start, stop in ((0, first), (first + by, self.n_rows), (first, first + by)):
            for row in range(start, stop, _ROWS_AT_ONCE):
                turned.append(self.read(row, min(row + _ROWS_AT_ONCE, stop)))
        self._room, self._file = turned._room, turned._file
        # the file lives as long as this spool does
        self._turned = turned

    def read(self, start: int, stop: int) -> npt.NDArray[np.integer]:
        """Rows [start, stop), shape (stop - start, n_channels)."""
        if self._file is None:
            rows = self._room[start * self.n_channels : min(stop, self.n_rows) * self.n_channels].copy()
            return rows.reshape(-1, self.n_channels)
        row_bytes = self.n_channels * self.dtype.itemsize
        self._file.seek(start * row_bytes)
        data = self._file.read((stop - start) * row_bytes)
        return np.frombuffer(data, dtype=self.dtype).reshape(-1, self.n_channels)


def _temporary(owner: CountSpool, folder: Path) -> BinaryIO:
    """A file without a name, which lives no longer than its owner."""
    file: BinaryIO = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115
    weakref.finalize(owner, file.close)
    return file
