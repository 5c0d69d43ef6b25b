"""What differs between operating systems and their settings: encodings, signals, groups of processes."""

import os
import signal
import subprocess
import sys
from contextlib import suppress
from typing import Any


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
    """Send the signal of Ctrl-C; on Windows the console has sent it to all that share it."""
    if sys.platform != "win32":
        process.send_signal(signal.SIGINT)
