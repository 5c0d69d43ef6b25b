"""How far work on a bundle is, and about how long the rest takes: for making and for checking one."""

import time
from collections.abc import Callable
from typing import TextIO

from pipeline.screen import Screen

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
        self._screen, self._clock = Screen(out), clock
        self._done, self._whole = 0, n_bytes
        self._start = self._told = self._clock()

    def stage(self, words: str, n_bytes: int = 0) -> None:
        """Begin a stage of so many bytes; 0 where nobody counts."""
        self.tell(f"{words} ...")
        self._done, self._whole = 0, n_bytes
        self._start = self._told = self._clock()

    def tell(self, line: str) -> None:
        """Say something beside how far it is."""
        self._screen.line(line)

    def add(self, n_bytes: int) -> None:
        """Count bytes of this stage; say now and then how far it is."""
        self._done += n_bytes
        now, rewrites = self._clock(), self._screen.rewrites
        if not self._whole or now - self._start < _FIRST_S or now - self._told < EVERY_S[rewrites]:
            return
        self._told = now
        say = self._screen.rewrite if rewrites else self._screen.line
        say(self._line(now))

    def end(self) -> None:
        """Leave a clean line behind."""
        self._screen.clear()

    def _line(self, now: float) -> str:
        share = min(self._done / self._whole, 1.0)
        left_s = (now - self._start) * (1 - share) / share if share else 0.0
        return f"{share:5.0%} of {in_words(self._whole)}, about {time_words(left_s)} left"


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


def time_words(seconds: float) -> str:
    """A length of time for a person, not more exact than an estimate is.

    >>> time_words(600)
    '10 min'
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
