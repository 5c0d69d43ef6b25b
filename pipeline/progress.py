"""How far work on a bundle is, and about how long the rest takes: for making and for checking one."""

import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TextIO

Watch = Callable[[int], None]
"""Called with the number of bytes that were done since it was called last."""

EVERY_S = {True: 0.5, False: 10.0}
"""Seconds between two lines on a terminal, where the next one overwrites it, and in a file."""

_FIRST_S = 2.0
"""A stage that is done within this needs no word about how far it is."""


def unwatched(n_bytes: int) -> None:
    """Nobody counts."""


class Progress:
    """Tells of one stage after the other; within a stage by bytes.

    Parameters
    ----------
    n_bytes : int
        Of a single stage that needs no name; 0 where `stage` is called.
    out : text stream, optional
        Where lines go; standard error, if none.
    clock : callable
        Gives s.
    """

    def __init__(
        self,
        n_bytes: int = 0,
        out: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._out, self._clock = out or sys.stderr, clock
        self._wide, self._done, self._whole = 0, 0, n_bytes
        self._start = self._told = self._clock()

    def stage(self, words: str, n_bytes: int = 0) -> None:
        """Begin a stage of so many bytes; 0 where nobody counts."""
        self.tell(f"{words} ...")
        self._done, self._whole = 0, n_bytes
        self._start = self._told = self._clock()

    def tell(self, line: str) -> None:
        """Say something beside how far it is."""
        self.end()
        self._say(f"{line}\n")

    def add(self, n_bytes: int) -> None:
        """Count bytes of this stage; say now and then how far it is."""
        self._done += n_bytes
        now, lasts = self._clock(), not self._out.isatty()
        if not self._whole or now - self._start < _FIRST_S or now - self._told < EVERY_S[not lasts]:
            return
        self._told = now
        line = self._line(now)
        self._say(f"{line}\n" if lasts else f"\r{line:<{self._wide}}")
        self._wide = 0 if lasts else max(self._wide, len(line))

    def end(self) -> None:
        """Leave a clean line behind."""
        if self._wide:
            self._say(f"\r{'':<{self._wide}}\r")
        self._wide = 0

    def _line(self, now: float) -> str:
        share = min(self._done / self._whole, 1.0)
        left_s = (now - self._start) * (1 - share) / share if share else 0.0
        return f"{share:5.0%} of {in_words(self._whole)}, about {_span(left_s)} left"

    def _say(self, text: str) -> None:
        """Print; who reads it may have had enough, which is no fault of the work."""
        with suppress(OSError):
            self._out.write(text)
            self._out.flush()


def in_words(n_bytes: int) -> str:
    """A number of bytes for a person: three digits and a decimal unit.

    >>> in_words(1234567)
    '1.23 MB'
    """
    size, unit = float(n_bytes), "bytes"
    for larger in ("kB", "MB", "GB", "TB"):
        if size < 999.5:
            break
        size, unit = size / 1000, larger
    return f"{size:.3g} {unit}" if unit != "bytes" else f"{n_bytes} bytes"


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
