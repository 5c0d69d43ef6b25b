"""One run at a time in a results folder; a run that was killed blocks no later one, and leaves no scraps."""

import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from pipeline.machine import is_alive, start_of
from pipeline.power import boot
from pipeline.writing import ASIDE, write_text

if sys.platform != "win32":
    import fcntl

RUN, ENGINE = "run.lock", "engine.lock"
"""Names below ``.work``: who holds the folder, and the workflow engine at work in it."""


KILLED = "An earlier run was killed: its lock is lifted."
CUT_OFF = "An earlier run was cut off: its lock is lifted, and what it did in its last minutes is done again."
"""What to tell of who left a lock."""


class Busy(RuntimeError):
    """Raised where another run is at work in the same results folder."""


@contextmanager
def held(lock: Path) -> Iterator[str]:
    """Hold `lock` for this process; give it back at the end. Gives what became of who left it, or ''.

    Raises
    ------
    Busy
        Where a process that is alive holds it; one that was killed does not.
    """
    with _one_by_one(lock.parent):
        refuse_if_busy(lock)
        left = _left(lock)
        lock.unlink(missing_ok=True)
        try:
            with lock.open("x", encoding="utf-8") as file:
                file.write(_claim(os.getpid()))
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            raise Busy(f"Another run began at the same moment ({lock}).") from None
        except OSError:  # the disk is full, say: nobody holds what is not written
            lock.unlink(missing_ok=True)
            raise
    try:
        yield left
    finally:
        release(lock, os.getpid())


@contextmanager
def _one_by_one(folder: Path) -> Iterator[None]:
    """Look at locks in `folder` while no other process does, lest two of them lift one and both go on."""
    place = os.open(folder, os.O_RDONLY) if sys.platform != "win32" else -1
    try:
        if sys.platform != "win32":
            with suppress(OSError):  # no file system has to have such locks, and some have none for folders
                fcntl.flock(place, fcntl.LOCK_EX)
        yield
    finally:
        if place >= 0:
            os.close(place)


def claim(lock: Path, pid: int) -> None:
    """Note in `lock` that a process is at work; for who is sure to be alone."""
    write_text(lock, _claim(pid), lasting=False)


def release(lock: Path, pid: int) -> None:
    """Take away the lock of a process, unless somebody did, and it is another's by now."""
    with suppress(ValueError, LookupError, TypeError):
        holder = json.loads(_read(lock) or "")
        if (holder["pid"], holder["host"]) == (pid, socket.gethostname()):
            lock.unlink(missing_ok=True)


def refuse_if_busy(lock: Path) -> None:
    """Raise Busy where `lock` names a process that is alive, or one of another host."""
    text = _read(lock)
    if text == "":  # another process is about to write it, or its disk was full
        time.sleep(0.5)
        text = _read(lock)
    try:
        holder = json.loads(text or "")
        pid, host, began = int(holder["pid"]), str(holder["host"]), str(holder["began"])
    except (ValueError, LookupError, TypeError):
        return
    if host != socket.gethostname():
        raise Busy(
            f"Process {pid} on the host {host} is at work in this results folder{_since(lock)}. "
            f"Wait for it; where it was killed, or this host had that name, delete {lock}."
        )
    if is_alive(pid) and began == start_of(pid):
        raise Busy(f"Another run (process {pid}) is at work in this results folder: wait for it.")


def _read(lock: Path) -> str | None:
    """What stands in a lock; None where there is none."""
    try:
        return lock.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return None


def _left(lock: Path) -> str:
    """What became of who left a lock; '' where nobody did."""
    text = _read(lock)
    if text is None:
        return ""
    try:
        holder = json.loads(text)
        return KILLED if holder["boot"] and holder["boot"] == boot() else CUT_OFF
    except (ValueError, LookupError, TypeError):
        return CUT_OFF


def _since(lock: Path) -> str:
    """When a lock was written, in words; '' where nobody can tell any more."""
    try:
        moment = datetime.fromtimestamp(lock.stat().st_mtime, UTC)
    except (OSError, ValueError, OverflowError):
        return ""
    return f" since {moment:%Y-%m-%d %H:%M} UTC"


def sweep(results: Path) -> None:
    """Take away what writers left beside final names when they were killed; for who is sure to be alone.

    Whoever bears a writer's number now is another process, or one that is dead and not yet buried.
    """
    for folder, below, names in os.walk(results):
        below[:] = [name for name in below if name != ".snakemake"]  # nothing of ours, and many files
        for name in names:
            found = ASIDE.fullmatch(name)
            if found and int(found[1]) != os.getpid():
                with suppress(OSError):
                    Path(folder, name).unlink()


def _claim(pid: int) -> str:
    return json.dumps({"pid": pid, "host": socket.gethostname(), "began": start_of(pid), "boot": boot()})
