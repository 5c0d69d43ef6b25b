"""The reasons of a failure, picked from what the workflow engine prints while it passes."""

import re
from pathlib import Path

_MOST = 5
"""Reasons that are told; a full disk gives one for every session."""

_HEADING = re.compile(r"(\w*(?:Error|Exception|Failed))(?: in (?:file|rule) .*)?:$")
"""An error whose reason stands on the next line."""

_ENDING = re.compile(r"(\w*(?:Error|Exception)): (.+)$")
"""An error on one line, as tracebacks end."""


class Faults:
    """What went wrong in a run, in the order it was heard, each once."""

    def __init__(self, results: Path) -> None:
        self._results = results
        self._reasons: dict[str, None] = {}
        self._heading = ""

    def hear(self, line: str) -> None:
        """Take in one line of the engine."""
        text = line.strip()
        if "No space left on device" in text:
            self._reasons[f"No space is left on the disk of {self._results}: free some."] = None
        elif text.startswith("LockException"):
            self._reasons["Another run is at work in this results folder: wait for it."] = None
        elif found := _HEADING.match(text):
            self._heading = found[1]
        elif self._heading and text:
            self._reasons[text if self._heading == "StepFailed" else f"{self._heading}: {text}"] = None
            self._heading = ""
        elif (found := _ENDING.match(text)) and not line.startswith(" "):
            self._reasons[f"{found[1]}: {found[2]}"] = None

    def told(self) -> list[str]:
        """The first few of the reasons, and how many there are more."""
        reasons = list(self._reasons)
        more = [f"... and {len(reasons) - _MOST} more"] if len(reasons) > _MOST else []
        return reasons[:_MOST] + more
