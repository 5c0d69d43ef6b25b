"""Where a user reads how work goes: lines that stay, and on a terminal one line that is rewritten."""

import os
import shutil
import sys
import unicodedata
from collections.abc import Sequence
from contextlib import suppress
from typing import TextIO


class Screen:
    """A terminal, or a file or pipe in its place.

    Parameters
    ----------
    out : text stream, optional
        Where lines go; standard error, if none.
    quiet : bool
        Whether only trouble is told, on standard error.
    """

    def __init__(self, out: TextIO | None = None, *, quiet: bool = False) -> None:
        self.quiet = quiet
        self._out, self._wide = out or sys.stderr, 0

    @property
    def rewrites(self) -> bool:
        """Whether a line can be rewritten."""
        return not self.quiet and self._out.isatty()

    def line(self, text: str = "") -> None:
        """Say something that stays."""
        if not self.quiet:
            self.clear()
            _say(self._out, f"{text}\n")

    def trouble(self, text: str) -> None:
        """Say what went wrong, also to who wants to hear of nothing else."""
        self.clear()
        _say(sys.stderr if self.quiet else self._out, f"{text}\n")

    def rewrite(self, text: str) -> None:
        """Say how far it is, in place of what was said so last; only where `rewrites`."""
        shown = cut(text, shutil.get_terminal_size().columns - 1)
        _say(self._out, f"\r{shown}{' ' * (self._wide - width(shown))}")
        self._wide = width(shown)

    def clear(self) -> None:
        """Take the rewritten line away."""
        if self._wide:
            _say(self._out, f"\r{' ' * self._wide}\r")
        self._wide = 0


def complain(text: str) -> None:
    """Say on standard error what went wrong; the terminal may be gone, as when it was the reason to stop."""
    _say(sys.stderr, f"{text}\n")


def width(text: str) -> int:
    """Columns of a terminal that a text takes (Unicode Standard Annex 11 for wide characters)."""
    wide = sum(unicodedata.east_asian_width(sign) in "WF" for sign in text)
    return len(text) + wide - sum(unicodedata.combining(sign) > 0 for sign in text)


def cut(text: str, columns: int) -> str:
    """A text that takes so many columns at most: one that wraps could not be rewritten."""
    if width(text) <= columns:
        return text
    while text and width(text) > columns - 1:
        text = text[:-1]
    return f"{text}…" if columns > 0 else ""


def named(names: Sequence[str], at_most: int) -> str:
    """The first of some names, and how many there are more."""
    more = f" and {len(names) - at_most} more" if len(names) > at_most else ""
    return ", ".join(names[:at_most]) + more


def _say(out: TextIO, text: str) -> None:
    """Print; who reads it may have had enough, which is no fault of the work."""
    try:
        out.write(text)
        out.flush()
    except BrokenPipeError:
        deaf(out)
    except OSError:
        pass


def deaf(out: TextIO) -> None:
    """Send to nowhere what is printed from now on, and what the interpreter flushes at its end."""
    with suppress(OSError, ValueError):  # ValueError: a stream without a file
        os.dup2(os.open(os.devnull, os.O_WRONLY), out.fileno())
