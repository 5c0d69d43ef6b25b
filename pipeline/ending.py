"""``run.json``: what the results are made of, and how the last run of them ended, however it did."""

import json
import platform
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal

from pipeline import __version__
from pipeline.steps.job import Places, write_json
from pipeline.steps.words import RECORD, now
from pipeline.watching import Done
from schemas.columns import VERDICTS

RUN = "run.json"
LAST = "last_run"
"""Its key of how the last run ended; all other keys are about the results."""

Outcome = Literal["running", "finished", "failed", "stopped"]
_LIBRARIES = ("matplotlib", "numpy", "pandas", "pyarrow", "scipy", "snakemake")


class Ending:
    """The record of one run, written when it begins and when it ends.

    Parameters
    ----------
    results : Path
        The results folder.
    sessions : sequence of str
        Those of the study.
    """

    def __init__(self, results: Path, sessions: Sequence[str]) -> None:
        self._results, self._sessions, self._n_jobs = results, tuple(sessions), 0
        self._began, self._started = time.monotonic(), now()

    def begin(self, n_jobs: int) -> None:
        """Say that a run is at work: where it is killed, that is what stays."""
        self._n_jobs = n_jobs
        self._write("running", None, {})

    def end(self, outcome: Outcome, exit_code: int, done: Done) -> None:
        """Say how it ended; on a full disk the record stays as it was when the run began."""
        seconds = round(time.monotonic() - self._began, 1)
        verdicts = [verdict_in(self._results, name) for name in self._sessions]
        with suppress(OSError):
            more = {"finished": now(), "seconds": seconds, **_told(done, verdicts)}
            self._write(outcome, exit_code, more)

    def _write(self, outcome: Outcome, exit_code: int | None, more: Mapping[str, Any]) -> None:
        first = {"outcome": outcome, "exit_code": exit_code, "version": __version__, "jobs": self._n_jobs}
        write_run(self._results, {**first, "started": self._started, **more})


def write_run(results: Path, last: Mapping[str, Any]) -> None:
    """Write what the results are made of, and how the last run of them ended."""
    record = read_object(results / ".work" / RECORD) or read_object(results / RUN)
    record.pop(LAST, None)
    about = {**last, "python": platform.python_version(), "libraries": dict(_libraries())}
    write_json(results / RUN, {**record, LAST: about})


def made_by(results: Path) -> str:
    """Which version of sessiongate made the results that there are; '' where there are none."""
    return str(read_object(results / RUN).get("version", ""))


def has_finished(results: Path) -> bool:
    """Whether the last run came to its end; one that was killed, stopped at once or failed may leave jobs."""
    last = read_object(results / RUN).get(LAST)
    return isinstance(last, dict) and last.get("outcome") == "finished"


def read_object(path: Path) -> dict[str, Any]:
    """A JSON object; an empty one where there is none, or something else."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def verdict_in(results: Path, session: str) -> str | None:
    """The verdict that stands there now; None where there is none, or what cannot be read."""
    return read_object(Places(results, session).quality).get("verdict")


def _told(done: Done, verdicts: Sequence[str | None]) -> dict[str, Any]:
    counts = Counter(verdicts)
    bad = done.failed
    # One that was stopped early had not yet said what it would do.
    to_do = max(len(done.to_do), counts[None])
    numbers = {
        "in_study": len(verdicts),
        "kept": len(verdicts) - to_do,
        "to_do": to_do,
        "done": len(done.verdicts) - len(bad),
        "failed": len(bad),
        "left": to_do - len(done.verdicts),
    }
    return {
        "sessions": numbers,
        "counts": {verdict: counts.get(verdict, 0) for verdict in VERDICTS} | {"none": counts.get(None, 0)},
        "failed": [{"session": name, "why": done.faults.get(name, "")} for name in bad],
        "redone": [asdict(redo) for redo in done.redone],
        "retired": list(done.retired),
        "engine": {"exit_code": done.engine, "reasons": list(done.reasons)},
    }


def _libraries() -> Iterable[tuple[str, str]]:
    for name in _LIBRARIES:
        with suppress(PackageNotFoundError):
            yield name, version(name)
