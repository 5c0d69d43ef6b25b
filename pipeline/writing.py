"""Files appear under their final name complete or not at all."""

import csv
import errno
import io
import os
import re
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.machine import replaced

ASIDE = re.compile(r"\..+\.(\d+)\.part")
"""Names of what is being written, with the number of the process that writes it."""

_NO_SYNC = frozenset([errno.EINVAL, errno.ENOTSUP, errno.ENOSYS])
"""Said by file systems that have nothing to bring to a disk."""

_COARSEST_NS = 2_000_000_000
"""How far apart the coarsest file systems keep times, those of memory cards."""


POWER_MAY_FAIL = threading.Event()
"""Set in processes whose files must be there as a whole, or not, even after a power cut: those of a run.

It costs a wait for the disk at each file, which copies of a drill and other temporary results are not worth.
"""


class Unnamed:
    """Files that are written, and get their final names one after the other when all of them are there."""

    def __init__(self) -> None:
        self._files: dict[Path, tuple[Path, bool]] = {}
        self._unwritten: dict[Path, Callable[[Path], None]] = {}

    def add(
        self, aside: Path, path: Path, *, lasting: bool, write: Callable[[Path], None] | None = None
    ) -> None:
        """Take on `aside`, to become `path`; what is not there yet is written before it gets its name."""
        self._files[aside] = path, lasting
        if write is not None:
            self._unwritten[aside] = write

    def name(self) -> tuple[Path, ...]:
        """Bring all of them to the disk where that is asked for, then rename them in the order they came."""
        try:
            for aside, write in self._unwritten.items():
                write(aside)
            for aside, (_, lasting) in self._files.items():
                if lasting and POWER_MAY_FAIL.is_set():
                    _to_disk(aside)
            for aside, (path, _) in self._files.items():
                replaced(aside, path)
            return tuple(path for path, _ in self._files.values())
        finally:
            self.drop()

    def drop(self) -> None:
        """Delete all that have no name yet."""
        for aside in self._files:
            aside.unlink(missing_ok=True)
        self._files.clear()
        self._unwritten.clear()


class _Gathering(threading.local):
    """Where a thread gathers what it writes; None where it names each file at once."""

    files: Unnamed | None = None


_GATHERING = _Gathering()


@contextmanager
def gathered() -> Iterator[Unnamed]:
    """Have this thread's files stay aside until somebody names them; delete them on failure.

    Waiting for the disk takes no work: another thread may do it.
    """
    files = _GATHERING.files = Unnamed()
    try:
        yield files
    except BaseException:
        files.drop()
        raise
    finally:
        _GATHERING.files = None


@contextmanager
def written_aside(path: Path, *, lasting: bool = True) -> Iterator[Path]:
    """Give a name beside `path` to write to; rename it to `path` on success, delete it on failure.

    What is not `lasting`, such as a log, may be empty after a power cut. Where a thread's files are
    `gathered`, they are renamed later.
    """
    aside = _aside(path)
    try:
        yield aside
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    _take_on(aside, path, lasting=lasting)


def written_later(path: Path, write: Callable[[Path], None]) -> None:
    """Have `write` make a file, as work for the disk alone: where files are gathered, as they are named."""
    _take_on(_aside(path), path, lasting=True, write=write)


def _take_on(aside: Path, path: Path, *, lasting: bool, write: Callable[[Path], None] | None = None) -> None:
    """Gather a file with the others of this thread, or name it at once."""
    files = _GATHERING.files or Unnamed()
    files.add(aside, path, lasting=lasting, write=write)
    if files is not _GATHERING.files:
        files.name()


def _aside(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path.with_name(f".{path.name}.{os.getpid()}.part")


def _to_disk(path: Path) -> None:
    """Have the system write a file now: the name of one that it has not written may outlive its bytes."""
    file = os.open(path, os.O_RDWR)
    try:
        os.fsync(file)
    except OSError as error:
        if error.errno not in _NO_SYNC:
            raise
    finally:
        os.close(file)


def write_text(path: Path, text: str, *, lasting: bool = True) -> None:
    """Write `text` as UTF-8 with line feeds, atomically."""
    with written_aside(path, lasting=lasting) as aside:
        aside.write_text(text, encoding="utf-8", newline="\n")


def none_of_the_future(folders: Iterable[Path], *written: Path) -> None:
    """Have no file in `folders` newer than the oldest of those that were just `written`.

    Where the clock was set back since a file was written, whatever is made from that file would look older
    than it: the workflow engine would refuse it, or make it again in every run. No two files change places.
    """
    now_ns = min(path.stat().st_mtime_ns for path in written)
    before_ns, newer, is_late = now_ns - _COARSEST_NS, list[str](), False
    for folder in folders:
        for entry in os.scandir(folder) if folder.is_dir() else ():
            with suppress(FileNotFoundError):
                changed_ns = entry.stat(follow_symlinks=False).st_mtime_ns
                is_late |= changed_ns > now_ns
                if changed_ns > before_ns:
                    newer.append(entry.path)
    own = {str(path) for path in written}
    for path in newer if is_late else ():
        time_ns = now_ns if path in own else before_ns
        with suppress(FileNotFoundError):
            os.utime(path, ns=(time_ns, time_ns))


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as text: RFC 4180, but for line ends of one character."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()
