"""How far a bundle is, and about how long the rest takes."""

import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TextIO

EVERY_S = {True: 0.5, False: 10.0}
"""Seconds between two lines on a terminal, where the next one overwrites it, and in a file."""


@dataclass
class Progress:
    """Tells of one stage after the other; within a stage by bytes.

    ``out`` is where lines go.
    """

    out: TextIO = field(default_factory=lambda: sys.stderr)
    _stage: str = ""
    _total: int = 0
    _done: int = 0
    _began_s: float = 0.0
    _told_s: float = 0.0
    _width: int = 0

    def stage(self, words: str, total_bytes: int = 0) -> None:
        """Begin a stage of so many bytes; 0 where nobody counts."""
        self._clear()
        self._stage, self._total, self._done = words, total_bytes, 0
        self._began_s = self._told_s = time.monotonic()
        self._say(f"{words} ...\n")

    def watch(self, n_bytes: int) -> None:
        """Count bytes of this stage; say now and then how far it is."""
        self._done += n_bytes
        now = time.monotonic()
        lasts = self.out.isatty()
        if now - self._told_s < EVERY_S[lasts] or not self._total:
            return
        self._told_s = now
        done = min(self._done / self._total, 1.0)
        left_s = (now - self._began_s) * (1 - done) / done if done else 0.0
        line = f"  {done:.0%} of {size_words(self._total)}, about {left_s:.0f} s left"
        if lasts:
            self._say(f"\r{line:<{self._width}}")
            self._width = max(self._width, len(line))
        else:
            self._say(f"{line}\n")

    def end(self) -> None:
        """Leave a clean line behind."""
        self._clear()

    def _clear(self) -> None:
        if self._width:
            self._say(f"\r{'':<{self._width}}\r")
            self._width = 0

    def _say(self, text: str) -> None:
        """Print; who reads it may have had enough, which is no fault of the bundle."""
        with suppress(OSError):
            self.out.write(text)
            self.out.flush()


def size_words(n_bytes: float) -> str:
    """Bytes in words, by powers of 1000.

    >>> size_words(1234567)
    '1.2 MB'
    """
    for unit in ("bytes", "kB", "MB", "GB"):
        if n_bytes < 1000 or unit == "GB":
            break
        n_bytes /= 1000
    return f"{n_bytes:.0f} bytes" if unit == "bytes" else f"{n_bytes:.1f} {unit}"
