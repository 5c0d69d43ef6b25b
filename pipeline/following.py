"""Hears what the engine says while it works: shows what matters, keeps all of it in files."""

import json
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from pipeline.engine_words import Faults
from pipeline.outlook import Redo
from pipeline.screen import Screen
from pipeline.steps.words import now
from pipeline.watching import PROGRESS, Done

DIARY = "progress.log"
"""Below ``logs``: a line for each session, with its time, of the last run."""

SHOWN_EACH = 40
"""Up to so many sessions, each has its own line on the screen; of more, only those that failed."""
MOST_TROUBLE = 20
"""So many lines of trouble of one kind are shown; files have all of them."""
_EVERY_S, _EVERY_SHARE = 10.0, 0.1
"""Where no line can be rewritten, how far it is is said at each tenth of the work, and not too often."""


class Follower:
    """What one run's engine says.

    Parameters
    ----------
    results : Path
        The results folder.
    screen : Screen
        Where the user reads.
    clock : callable
        Gives s.
    """

    def __init__(self, results: Path, screen: Screen, clock: Callable[[], float] = time.monotonic) -> None:
        self.screen, self.done, self.faults = screen, Done(), Faults(results)
        self._diary_file, self._clock = results / "logs" / DIARY, clock
        self._diary: IO[bytes] | None = None
        self._told_s, self._told_share, self._n_trouble = clock(), 0.0, 0

    @contextmanager
    def diary(self) -> Iterator[None]:
        """Keep a diary meanwhile."""
        self._diary_file.parent.mkdir(exist_ok=True)
        with self._diary_file.open("wb", buffering=0) as self._diary:
            yield
        self._diary = None

    def note(self, line: str) -> None:
        """Write a line into the diary; a full disk is no fault of the engine."""
        if self._diary is not None:
            with suppress(OSError):
                self._diary.write(f"{now()} {line}\n".encode())

    def tell(self, line: str) -> None:
        """Show a line, and keep it."""
        self.note(line)
        self.screen.line(line)

    def hear(self, raw: bytes) -> bytes:
        """Take in a line of the engine; give what is to be kept of it."""
        line = raw.decode("utf-8", errors="replace")
        if line.startswith(PROGRESS):
            with suppress(ValueError, KeyError, TypeError):  # cut off where the engine was killed
                return self._take(json.loads(line.removeprefix(PROGRESS)))
        self.faults.hear(line)
        return raw

    def _take(self, event: Mapping[str, Any]) -> bytes:
        if event["kind"] == "to do":
            redone = (Redo(one["step"], tuple(one["why"]), tuple(one["sessions"])) for one in event["redone"])
            self.done.redone, self.done.to_do = tuple(redone), tuple(event["sessions"])
            self._told_s = self._clock()
            for line in event["lines"]:
                self.tell(line)
            return _kept(*event["lines"])
        if event["kind"] == "session":
            self._session(event)
        self._how_far(event["share"], event["state"])
        return _kept(f"{event['state']}  {event['line']}") if event["kind"] == "session" else b""

    def _session(self, event: Mapping[str, Any]) -> None:
        self.done.add(event["session"], event["verdict"], event["line"])
        self.note(f"{event['state']}  {event['line']}")
        if event["session"] in self.done.faults:
            self._trouble(event["line"])
        elif len(self.done.to_do) <= SHOWN_EACH:
            n, of = len(self.done.verdicts), len(self.done.to_do)
            self.screen.line(f"{n:>{len(str(of))}} of {of}  {event['line']}")

    def _trouble(self, line: str) -> None:
        self._n_trouble += 1
        if self._n_trouble <= MOST_TROUBLE:
            self.screen.trouble(line)
        elif self._n_trouble == MOST_TROUBLE + 1:
            self.screen.trouble(f"... and more: all that fail are listed in {self._diary_file}")

    def _how_far(self, share: float, state: str) -> None:
        if self.screen.rewrites:
            self.screen.rewrite(state)
            return
        now_s = self._clock()
        if now_s - self._told_s >= _EVERY_S and share - self._told_share >= _EVERY_SHARE and share < 1:
            self._told_s, self._told_share = now_s, share
            self.screen.line(state)


def _kept(*lines: str) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()
