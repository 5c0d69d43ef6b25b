"""The reasons of a failure, picked from what the workflow engine prints while it passes."""

import re
from contextlib import suppress
from pathlib import Path

_MOST = 5
"""Reasons that are told; a full disk gives one for every session."""

_HEADING = re.compile(r"(\w*(?:Error|Exception|Failed))(?: in (?:file|rule) .*)?:$")
"""An error whose reason stands on the next line."""

_ENDING = re.compile(r"(\w*(?:Error|Exception)): (.+)$")
"""An error on one line, as tracebacks end."""

_ELSEWHERE = re.compile(r"message: (?:Error in group|SLURM-job )")
_ITS_LOG = re.compile(r"log: (?:.*?, )?(/.+) \(check log file\(s\) for error details\)")
"""A job that failed on a cluster, and the file that has its words."""

_BY_SLURM = re.compile(r"slurmstepd\S* error: \W*((?:JOB|StepId).*(?:CANCELLED|exceeded).*?)\W*$")
"""What SLURM writes there when it ends a job."""


_SAYS_NOTHING = frozenset(
    ["Error: message: None", "WorkflowError: At least one job did not complete successfully."]
)
"""What the engine adds to reasons, and gives for one alone where it has none."""


class Faults:
    """What went wrong in a run, in the order it was heard, each once."""

    def __init__(self, results: Path) -> None:
        self._results = results
        self._reasons: dict[str, None] = {}
        self._heading, self._elsewhere = "", False

    def hear(self, line: str) -> None:
        """Take in one line of the engine."""
        text = line.strip()
        if "No space left on device" in text:
            self._reasons[f"No space is left on the disk of {self._results}: free some."] = None
        elif text.startswith("LockException"):
            self._reasons["Another run is at work in this results folder: wait for it."] = None
        elif _ELSEWHERE.match(text):
            self._elsewhere = True
        elif self._elsewhere and (found := _ITS_LOG.fullmatch(text)):
            self._elsewhere = False
            self._read(Path(found[1]))
        elif found := _BY_SLURM.match(text):
            self._reasons[found[1]] = None
        elif found := _HEADING.match(text):
            self._heading = found[1]
        elif self._heading and text:
            self._reasons[text if self._heading == "StepFailed" else f"{self._heading}: {text}"] = None
            self._heading = ""
        elif (found := _ENDING.match(text)) and not line.startswith(" "):
            self._reasons[f"{found[1]}: {found[2]}"] = None

    def _read(self, log: Path) -> None:
        """Take in what a job said that was done elsewhere."""
        known = len(self._reasons)
        with suppress(OSError), log.open(encoding="utf-8", errors="replace") as lines:
            for line in lines:
                self.hear(line)
        gave = "failed" if len(self._reasons) > known else "failed, and gave no reason"
        self._reasons[f"A job on the cluster {gave}; its words are in {log}."] = None

    def told(self) -> list[str]:
        """The first few of the reasons, and how many there are more."""
        reasons = [reason for reason in self._reasons if reason not in _SAYS_NOTHING] or list(self._reasons)
        more = [f"... and {len(reasons) - _MOST} more"] if len(reasons) > _MOST else []
        return reasons[:_MOST] + more
