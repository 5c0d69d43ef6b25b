"""A run and the processes it is made of, to be killed one by one or all at once."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

for _name in ("SIGINT", "SIGHUP"):
    # Tests may be run by something like nohup, whose ignored signals all children would ignore, too.
    if (_number := getattr(signal, _name, None)) and signal.getsignal(_number) == signal.SIG_IGN:
        signal.signal(_number, signal.SIG_DFL)

KILLED_WITHIN_S = 60.0
"""How long workers may take to end behind an engine that was killed; at once, but machines are busy."""


def children(pid: int) -> list[int]:
    """Processes that a process started (proc(5))."""
    found: list[int] = []
    with contextlib.suppress(OSError):  # it may end while its threads are listed
        for task in Path(f"/proc/{pid}/task").iterdir():
            with contextlib.suppress(OSError):
                found += map(int, (task / "children").read_text().split())
    return found


def is_gone(pid: int) -> bool:
    """Whether a process has ended, waited for or not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


class Run:
    """A run of a study in the background; what it prints goes into a file, and it ends with its `with`."""

    def __init__(self, study: Path, results: Path, *more: str, **options) -> None:
        self.results = results
        self._said = results.with_name(results.name + ".txt")
        command = [sys.executable, "-m", "pipeline.cli", "run", str(study), "--out", str(results), *more]
        env = {**os.environ, "PYTHONUNBUFFERED": "1", **options.pop("env", {})}
        with self._said.open("wb") as said:
            self.front = subprocess.Popen(command, stdout=said, stderr=subprocess.STDOUT, env=env, **options)

    def __enter__(self) -> "Run":
        return self

    def __exit__(self, *_: object) -> None:
        everything = self.processes()
        kill(everything)
        wait_until_gone(everything, self.front)

    @property
    def said(self) -> str:
        return self._said.read_text(encoding="utf-8", errors="replace")

    @property
    def last_line(self) -> str:
        return self.said.rstrip().rpartition("\n")[2]

    def engine(self) -> list[int]:
        return [pid for pid in children(self.front.pid) if "snakemake" in _command(pid)]

    def workers(self) -> list[int]:
        below = [child for engine in self.engine() for child in children(engine)]
        return [pid for pid in below if "pipeline.serving" in _command(pid)]

    def processes(self) -> list[int]:
        """All of them, the first one first."""
        found = [self.front.pid]
        for pid in found:
            found += children(pid)
        return found

    def is_over(self) -> bool:
        return self.front.poll() is not None

    def ended(self, timeout_s: float = 300.0) -> int:
        """Its exit code."""
        return self.front.wait(timeout_s)


def kill(pids: list[int], number: int = signal.SIGKILL) -> None:
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)


def wait_until_gone(pids: list[int], front: "subprocess.Popen[bytes]") -> None:
    end = time.monotonic() + KILLED_WITHIN_S
    while not all(map(is_gone, pids)):
        front.poll()
        if time.monotonic() > end:
            raise AssertionError(f"still there: {[_command(pid) for pid in pids if not is_gone(pid)]}")
        time.sleep(0.01)
    front.poll()


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
    except OSError:
        return ""
