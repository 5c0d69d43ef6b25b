"""One run at a time in a results folder; a run that was killed blocks no later one."""

import json
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.writing import write_text

RUN, ENGINE = "run.lock", "engine.lock"
"""Names below ``.work``: who holds the folder, and the workflow engine at work in it."""


class Busy(RuntimeError):
    """Raised where another run is at work in the same results folder."""


@contextmanager
def held(lock: Path) -> Iterator[None]:
    """Hold `lock` for this process; give it back at the end.

    Raises
    ------
    Busy
        Where a process that is alive holds it; one that was killed does not.
    """
    refuse_if_busy(lock)
    lock.unlink(missing_ok=True)
    try:
        with lock.open("x", encoding="utf-8") as file:
            file.write(_claim(os.getpid()))
    except FileExistsError:
        raise Busy(f"Another run began at the same moment ({lock}).") from None
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)


def claim(lock: Path, pid: int) -> None:
    """Note in `lock` that a process is at work; for who is sure to be alone."""
    write_text(lock, _claim(pid))


def refuse_if_busy(lock: Path) -> None:
    """Raise Busy where `lock` names a process that is alive, or one of another host."""
    try:
        text = lock.read_text(encoding="utf-8")
        if not text:  # another process is about to write it, or its disk was full
            time.sleep(0.5)
            text = lock.read_text(encoding="utf-8")
        holder = json.loads(text)
        pid, host, began = int(holder["pid"]), str(holder["host"]), str(holder["began"])
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return
    if host != socket.gethostname():
        raise Busy(
            f"Process {pid} on the host {host} is at work in this results folder. "
            f"Wait for it; where it was killed, delete {lock}."
        )
    if _is_alive(pid) and began == _began(pid):
        raise Busy(f"Another run (process {pid}) is at work in this results folder: wait for it.")


def _claim(pid: int) -> str:
    return json.dumps({"pid": pid, "host": socket.gethostname(), "began": _began(pid)})


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # another user's
        return True
    return True


def _began(pid: int) -> str:
    """When a process started, in ticks since the system did; empty where the system has no /proc.

    It tells a process from a later one that got the same number (proc(5), field 22 of stat).
    """
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    # The name in parentheses may hold anything, so fields are counted after it.
    fields = stat.rpartition(")")[2].split()
    return "" if fields[0] == "Z" else fields[19]
