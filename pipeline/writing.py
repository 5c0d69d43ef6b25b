"""Files appear under their final name complete or not at all."""

import csv
import errno
import io
import os
import re
import threading
from collections.abc import Iterable, Iterator, Sequence
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


@contextmanager
def written_aside(path: Path, *, lasting: bool = True) -> Iterator[Path]:
    """Give a name beside `path` to write to; rename it to `path` on success, delete it on failure.

    What is not `lasting`, such as a log, may be empty after a power cut.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield aside
        if lasting and POWER_MAY_FAIL.is_set():
            _to_disk(aside)
        replaced(aside, path)
    finally:
        aside.unlink(missing_ok=True)


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


def none_of_the_future(folders: Iterable[Path], latest: Path) -> None:
    """Have no file in `folders` newer than `latest`, which was just written.

    Where the clock was set back since a file was written, whatever is made from that file would look older
    than it: the workflow engine would refuse it, or make it again in every run.
    """
    now_ns = latest.stat().st_mtime_ns
    for folder in folders:
        for entry in os.scandir(folder) if folder.is_dir() else ():
            with suppress(FileNotFoundError):
                if entry.stat(follow_symlinks=False).st_mtime_ns > now_ns:
                    os.utime(entry.path, ns=(now_ns - _COARSEST_NS, now_ns - _COARSEST_NS))


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as text: RFC 4180, but for line ends of one character."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()
