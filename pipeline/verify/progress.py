"""How far reading has come and how long it takes yet, for bundles that take a while."""

import sys
import time
from collections.abc import Callable
from typing import TextIO

_FIRST_S = 2.0
"""A bundle that is read within this needs no word about it."""


class Progress:
    """Counts bytes, and tells on a terminal twice a second, elsewhere at every tenth."""

    def __init__(
        self,
        n_bytes: int,
        out: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._whole, self._done, self._out, self._clock = n_bytes, 0, out or sys.stderr, clock
        self._start = self._told = clock()
        self._tenth, self._wide = 0, 0

    def add(self, n_bytes: int) -> None:
        """So many bytes more were read."""
        self._done += n_bytes
        now = self._clock()
        if now - self._start < _FIRST_S or not self._whole:
            return
        if self._out.isatty():
            if now - self._told >= 0.5:
                self._told = now
                line = self._line(now)
                print(f"\r{line:<{self._wide}}", end="", file=self._out, flush=True)
                self._wide = len(line)
        elif (tenth := 10 * self._done // self._whole) > self._tenth:
            self._tenth = tenth
            print(self._line(now), file=self._out, flush=True)

    def end(self) -> None:
        """Take the line off the terminal."""
        if self._wide:
            print(f"\r{'':<{self._wide}}\r", end="", file=self._out, flush=True)

    def _line(self, now: float) -> str:
        share = min(self._done / self._whole, 1.0)
        left_s = (now - self._start) * (1 - share) / share if share else 0.0
        return f"{share:4.0%} of {in_words(self._whole)} read, {_span(left_s)} left"


def in_words(n_bytes: int) -> str:
    """A number of bytes for a person: three digits and a decimal unit."""
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
