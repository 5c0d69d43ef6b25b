"""The files below one folder, and a way to open them that never leaves it."""

import hashlib
import io
import os
import stat
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from pipeline.progress import Watch
from schemas.bags import BLOCK_BYTES

# Each is absent on some system; a pipe must not keep the reader waiting for who writes to it.
_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
_FILE = os.O_RDONLY | _NO_FOLLOW | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_FOLDER = os.O_RDONLY | _NO_FOLLOW | getattr(os, "O_DIRECTORY", 0)
_STEPWISE = bool(_NO_FOLLOW) and os.open in os.supports_dir_fd and os.scandir in os.supports_fd

DEEPEST = 100
"""Folders in each other that are looked into; a bundle has four. What it costs grows with the square."""

_KINDS = (
    (stat.S_ISLNK, "a symbolic link"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISCHR, "a device"),
)


@dataclass(frozen=True)
class Listing:
    """What stands below a folder; paths have '/' between their parts.

    Attributes
    ----------
    files : mapping
        Path -> size in bytes.
    others : mapping
        Path of what is neither file nor folder -> what it is.
    empty : tuple of str
        Folders in which nothing stands.
    unread : mapping
        Folder that could not be looked into -> why.
    """

    files: Mapping[str, int]
    others: Mapping[str, str]
    empty: tuple[str, ...]
    unread: Mapping[str, str]


class Tree:
    """One folder, opened once. Every file is reached from there part by part, through no link."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._root = os.open(folder, _FOLDER & ~_NO_FOLLOW) if _STEPWISE else -1

    def __enter__(self) -> "Tree":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._root >= 0:
            os.close(self._root)

    def listing(self) -> Listing:
        """Everything below the folder; links are named and not followed."""
        files: dict[str, int] = {}
        others: dict[str, str] = {}
        empty: list[str] = []
        unread: dict[str, str] = {}
        waiting = [""]
        while waiting:
            inside = waiting.pop()
            if inside.count("/") >= DEEPEST:
                unread[inside] = f"more than {DEEPEST} folders in each other"
                continue
            try:
                statuses = self._look(inside)
            except OSError as error:
                unread[inside or "."] = error.strerror or str(error)
                continue
            if not statuses and inside:
                empty.append(inside)
            for name, status in statuses:
                path = f"{inside}/{name}" if inside else name
                if stat.S_ISDIR(status.st_mode):
                    waiting.append(path)
                elif stat.S_ISREG(status.st_mode):
                    files[path] = status.st_size
                else:
                    others[path] = next((k for is_, k in _KINDS if is_(status.st_mode)), "a special file")
        return Listing(
            dict(sorted(files.items())), dict(sorted(others.items())), tuple(sorted(empty)), unread
        )

    @contextmanager
    def opened(self, path: str) -> Iterator[io.FileIO]:
        """Open a file for reading, unbuffered.

        Raises
        ------
        OSError
            Where it is not there, is no regular file, or a part of its path is a link.
        """
        number = self._open(path, _FILE)
        with io.FileIO(number, "rb") as file:
            if not stat.S_ISREG(os.fstat(number).st_mode):
                raise OSError(0, "not a regular file", path)
            yield file

    def read(self, path: str, most: int) -> bytes:
        """All of a file that has at most `most` bytes; ValueError where it has more."""
        with self.opened(path) as file:
            parts, left = [], most + 1
            while left and (part := file.read(min(left, BLOCK_BYTES))):
                parts.append(part)
                left -= len(part)
        if not left:
            raise ValueError(f"more than {most:,} bytes")
        return b"".join(parts)

    def digests(self, path: str, algorithms: Collection[str], watch: Watch) -> dict[str, str]:
        """Algorithm -> lower-case hexadecimal digest, from one reading; memory is that of a block."""
        hashes = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
        block = bytearray(BLOCK_BYTES)
        view = memoryview(block)
        with self.opened(path) as file:
            while n := file.readinto(block):
                for each in hashes.values():
                    each.update(view[:n])
                watch(n)
        return {name: each.hexdigest() for name, each in hashes.items()}

    def _look(self, inside: str) -> list[tuple[str, os.stat_result]]:
        if not _STEPWISE:
            self._refuse_links(inside)
            with os.scandir(self._folder / inside) as entries:
                return [(entry.name, entry.stat(follow_symlinks=False)) for entry in entries]
        number = self._open(inside, _FOLDER)
        try:
            with os.scandir(number) as entries:
                return [(entry.name, entry.stat(follow_symlinks=False)) for entry in entries]
        finally:
            os.close(number)

    def _open(self, path: str, flags: int) -> int:
        """Number of the opened file or folder; each part is opened from the one before it."""
        if not _STEPWISE:
            self._refuse_links(path)
            return os.open(self._folder / path, flags)
        number = os.dup(self._root)
        try:
            *folders, last = path.split("/") if path else ["."]
            for part in folders:
                below = os.open(part, _FOLDER, dir_fd=number)
                os.close(number)
                number = below
            return os.open(last, flags, dir_fd=number)
        finally:
            os.close(number)

    def _refuse_links(self, path: str) -> None:
        place = self._folder
        for part in path.split("/") if path else []:
            place = place / part
            if stat.S_ISLNK(place.lstat().st_mode):
                raise OSError(0, "a symbolic link", str(place))
