"""What differs between operating systems and their settings: encodings, signals, processes, open files.

Linux is where all of it is tested. What is done for others is small, and tested with stand-ins for them.
"""

import ctypes
import errno
import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

_PROC = Path("/proc")
_LONG_ROWS = 1 << 21
_NO_RANGES = frozenset([errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.EPERM])
"""Said by systems and file systems that do not copy by themselves, or not from one to the other."""

_TRIES, _TRY_EVERY_S = 20, 0.1
"""How long a file may be held by a scanner or an indexer that looks at whatever is new."""


def in_utf8() -> None:
    """Start the program again in UTF-8 mode where file names would be taken for another encoding.

    Names in a study are UTF-8 whatever the locale says; what the program starts inherits the mode. Windows
    has names in Unicode, and so has every locale that is UTF-8 (and "C", unless PYTHONUTF8=0 forbids it).
    """
    if sys.getfilesystemencoding().lower() == "utf-8" or os.name != "posix":
        return
    surroundings = {**os.environ, "PYTHONUTF8": "1"}
    os.execve(sys.executable, [sys.executable, *sys.orig_argv[1:]], surroundings)  # noqa: S606 - ourselves


def speak_anyway() -> None:
    """Print a question mark for what a terminal or a file cannot show, instead of ending there."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            with suppress(ValueError, OSError):  # closed by who started us
                stream.reconfigure(errors="replace")


def caches(instead: Path) -> dict[str, str]:
    """Where programs of a run may keep what they make again: a variable, where nobody may write at home.

    Users that are none have no home, as in containers; the workflow engine would not start there.
    """
    try:
        place = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "snakemake"
        place.mkdir(parents=True, exist_ok=True)
        if os.access(place, os.W_OK | os.X_OK):
            return {}
    except (OSError, RuntimeError):  # RuntimeError: of no home anybody knows
        pass
    return {"XDG_CACHE_HOME": str(instead)}


def stop_like_ctrl_c() -> None:
    """Take every other request to end as Ctrl-C, unless who started us wants it ignored."""
    for name in ("SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)


def apart() -> dict[str, Any]:
    """Options of Popen that keep Ctrl-C in a terminal from a process."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"process_group": 0}


def engine_apart() -> dict[str, Any]:
    """The same for a process that `ask_to_end` ends; Windows has no other Ctrl-C to send than its own."""
    return {} if sys.platform == "win32" else apart()


def ask_to_end(process: "subprocess.Popen[bytes]") -> None:
    """Have the engine take in what the steps at work make, and end.

    On Ctrl-C it waits for them, too, but throws away what they made. On Windows, where the console has sent
    that to all that share it, there is nothing else.
    """
    if sys.platform != "win32":
        process.send_signal(signal.SIGTERM)


def is_alive(pid: int) -> bool:
    """Whether there is a process of that number."""
    if sys.platform == "win32":  # where signal 0 is Ctrl-C
        import psutil

        return bool(psutil.pid_exists(pid))
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # another user's
        return True
    return True


def start_of(pid: int) -> str:
    """When a process started, as a text that tells it from a later one of that number; '' if there is none.

    In ticks since the system started where there is a /proc (proc(5), field 22 of stat), so that a clock that
    is set changes nothing; elsewhere what the system says, to the second.
    """
    try:
        stat = (_PROC / f"{pid}" / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return "" if (_PROC / "self" / "stat").exists() else _start_elsewhere(pid)
    # The name in parentheses may hold anything, so fields are counted after it.
    fields = stat.rpartition(")")[2].split()
    return "" if fields[0] == "Z" else fields[19]


def _start_elsewhere(pid: int) -> str:
    import psutil  # costs time that Linux need not spend

    try:
        return f"{psutil.Process(pid).create_time():.0f}"
    except psutil.Error:
        return ""


def replaced(aside: Path, path: Path) -> None:
    """Give a file its final name; on Windows nobody can replace a file while another program looks at it.

    Raises
    ------
    OSError
        Where it stays open, as in a spreadsheet.
    """
    for _ in range(_TRIES if sys.platform == "win32" else 0):
        with suppress(PermissionError):
            aside.replace(path)
            return
        time.sleep(_TRY_EVERY_S)
    aside.replace(path)


def copied(source: Path, target: Path) -> None:
    """Copy a file's bytes into another, in place of what that held.

    Where the system can, it does so by itself (copy_file_range(2)), and file systems whose files share blocks
    until one of them is written to (Btrfs, XFS) copy nothing at all.

    Raises
    ------
    OSError
        Where the one cannot be read or the other not be written.
    """
    copy = getattr(os, "copy_file_range", None)
    if copy is None:
        shutil.copyfile(source, target)
        return
    with source.open("rb") as old, target.open("wb") as new:
        left = os.fstat(old.fileno()).st_size
        try:
            while left and (n_copied := copy(old.fileno(), new.fileno(), left)):
                left -= n_copied
        except OSError as error:
            if error.errno not in _NO_RANGES:
                raise
        # From where the system stopped, if it did: both files stand there.
        shutil.copyfileobj(old, new)


def remedy(error: OSError) -> str:
    """What to do about a file that cannot be read or written."""
    if isinstance(error, PermissionError) and sys.platform == "win32":
        return "Close the program that has it open, or mend permissions, and run again"
    return "Free space or mend permissions and run again"


def give_back_memory(n_rows: int) -> None:
    """Have the allocators return what was freed: they keep what lies between pieces that are still held.

    Of a recording of an hour that is little, and costs more to ask for again than it is worth.
    """
    if n_rows < _LONG_ROWS:
        return
    if arrow := sys.modules.get("pyarrow"):
        arrow.default_memory_pool().release_unused()
    with suppress(OSError, AttributeError, TypeError):  # only where the C library is GNU's
        ctypes.CDLL(None).malloc_trim(0)
