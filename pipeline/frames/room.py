"""Room for long columns of numbers: memory for short ones, a temporary file for the others.

A day of text has twenty million lines, and a dozen numbers are known of each. Columns in a file are mapped
and look like any array; what was touched of them leaves memory with each block of :func:`blocks_of`.
"""

import errno
import mmap
import os
import tempfile
import weakref
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

AT_ONCE = 1 << 18
"""Frames looked at together where all are: few enough to need little memory."""

SCATTERED = 1 << 4
"""Frames here and there that are looked at together: around each the kernel may map 2 MB of a column."""

IN_MEMORY_BYTES = 1 << 23
"""Columns up to this size stay in memory."""

Ints = npt.NDArray[np.int64]

_mapped: "weakref.WeakSet[mmap.mmap]" = weakref.WeakSet()
_ZEROS_AT_ONCE = 1 << 20

_CANNOT_MAP = frozenset(
    [errno.ENODEV, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EMFILE, errno.ENFILE]
)
"""Said by file systems that share no memory, and where too many files are open: memory has to do."""


@dataclass(frozen=True)
class Room:
    """Where columns go that outgrow memory: an existing folder; all stay in memory where there is none."""

    folder: Path | None = None

    def zeros(self, n: int, dtype: npt.DTypeLike = np.int64) -> npt.NDArray[Any]:
        """A new column of zeros.

        Raises
        ------
        OSError
            Where the disk has no room for it; on most file systems nothing can fail later.
        """
        n_bytes = n * np.dtype(dtype).itemsize
        if self.folder is None or n_bytes <= IN_MEMORY_BYTES:
            return np.zeros(n, dtype)
        try:
            with tempfile.TemporaryFile(dir=self.folder) as file:
                _reserve(file, n_bytes)
                found = mmap.mmap(file.fileno(), n_bytes)
        except OSError as error:
            if error.errno not in _CANNOT_MAP:
                raise
            return np.zeros(n, dtype)
        _mapped.add(found)
        return np.frombuffer(found, dtype)

    def copy(self, values: npt.NDArray[Any], n: int | None = None) -> npt.NDArray[Any]:
        """A column that begins with these values, of as many or of `n`."""
        column = self.zeros(len(values) if n is None else n, values.dtype)
        for block in blocks_of(len(values)):
            column[block] = values[block]
        return column

    def arranged(self, column: npt.NDArray[Any], places: Ints) -> npt.NDArray[Any]:
        """A column's numbers at these places, in their order, which is about its own."""
        arranged = self.zeros(len(places), column.dtype)
        for block in blocks_of(len(places)):
            arranged[block] = column[places[block]]
        return arranged


MEMORY = Room()
"""Columns of any length in memory."""


def _reserve(file: BinaryIO, n_bytes: int) -> None:
    """Have the disk set so much aside: where it is full, a mapped page that cannot be written kills."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(file.fileno(), 0, n_bytes)
        return
    zeros = bytes(_ZEROS_AT_ONCE)
    for start in range(0, n_bytes, _ZEROS_AT_ONCE):
        file.write(zeros[: n_bytes - start])
    file.flush()


def mapped(path: Path) -> npt.NDArray[np.uint8]:
    """The bytes of a file, to be read only; of an empty file, none."""
    if not path.stat().st_size:
        return np.zeros(0, np.uint8)
    with path.open("rb") as file:
        found = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    _mapped.add(found)
    return np.frombuffer(found, np.uint8)


def let_go() -> None:
    """Take what was touched of mapped columns out of memory; their files keep it."""
    if hasattr(mmap, "MADV_DONTNEED"):
        for column in tuple(_mapped):
            column.madvise(mmap.MADV_DONTNEED)


def blocks_of(n: int, at_once: int | None = None) -> Iterator[slice]:
    """Stretches of `n` things, one after the other, as many as are looked at together."""
    at_once = at_once or AT_ONCE
    for start in range(0, n, at_once):
        yield slice(start, min(start + at_once, n))
        if n > at_once:
            let_go()


def taken(column: npt.NDArray[Any], places: slice | Ints) -> npt.NDArray[Any]:
    """Numbers of a column at any places, which may lie far apart."""
    if isinstance(places, slice):
        return column[places]
    found = np.empty(len(places), column.dtype)
    near_together = AT_ONCE * len(places) // max(len(column), 1)
    for block in blocks_of(len(places), max(SCATTERED, near_together)):
        found[block] = column[places[block]]
    return found


def begins_of(column: npt.NDArray[np.integer]) -> Ints:
    """Where each stretch of one number begins."""
    found = [np.zeros(min(len(column), 1), dtype=np.int64)]
    for block in blocks_of(len(column) - 1):
        changes = np.diff(column[block.start : block.stop + 1]) != 0
        found.append(np.flatnonzero(changes) + block.start + 1)
    return np.concatenate(found)


def n_true(mask: npt.NDArray[np.bool_]) -> int:
    """How often a mask of any length is true."""
    return sum(int(np.count_nonzero(mask[block])) for block in blocks_of(len(mask)))


def sums_before(sizes: npt.NDArray[np.integer], room: Room = MEMORY) -> Ints:
    """For each size the sum of all before it."""
    sums, reached = room.zeros(len(sizes)), 0
    for block in blocks_of(len(sizes)):
        ends = reached + np.cumsum(sizes[block], dtype=np.int64)
        sums[block] = ends - sizes[block]
        reached = int(ends[-1])
    return sums
