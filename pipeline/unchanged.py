"""Whether anything changed since a run after which nothing was left to do: else nobody need ask the engine.

For a thousand sessions the engine takes 10 s to find that there is nothing to do, as it looks at each file of
each rule. The texts that make rules run again, and sizes and times of all files, are looked at in one.
"""

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from pipeline.steps.study_record import STUDY_RECORD
from pipeline.steps.words import RECORD
from pipeline.workflow import Plan
from pipeline.writing import write_text

SEAL = "seal.txt"
_OTHERS = frozenset({"run.json", "logs", ".snakemake", ".work"})
"""At the top of the results: what no rule makes, and every run may write."""


def seal(plan: Plan, snakefile: Path) -> None:
    """Note how everything is, after a run that left nothing to do."""
    write_text(_place(plan), _digest(plan, snakefile))


def is_unchanged(plan: Plan, snakefile: Path) -> bool:
    """Whether everything is as it was noted; what could not be read is a change."""
    try:
        return _place(plan).read_text(encoding="utf-8") == _digest(plan, snakefile)
    except (OSError, ValueError):
        return False


def _place(plan: Plan) -> Path:
    return plan.results / ".work" / SEAL


def _digest(plan: Plan, snakefile: Path) -> str:
    """Of all that the plan depends on, as it was when it was made, and of all files that there are now."""
    told = hashlib.sha256(snakefile.read_bytes())
    for text in [*plan.texts(), *sorted(_files(plan))]:
        told.update(f"{text}\n".encode("utf-8", "surrogateescape"))
    return told.hexdigest()


def _files(plan: Plan) -> Iterator[str]:
    """Path, size and time of each file at the top and of the sessions, and of each between steps."""
    tops = [entry for entry in os.scandir(plan.results) if entry.name not in _OTHERS]
    yield from (_facts(entry) for entry in tops if entry.is_file())
    of_sessions = [entry.path for entry in tops if entry.is_dir()]
    between = [entry.path for entry in os.scandir(plan.results / ".work") if entry.is_dir()]
    for folder in (*of_sessions, *between):
        yield from map(_facts, os.scandir(folder))
    yield from (_facts(plan.results / ".work" / name) for name in (RECORD, STUDY_RECORD))


def _facts(entry: "os.DirEntry[str] | Path") -> str:
    stat = entry.stat()
    return f"{os.fspath(entry)} {stat.st_size} {stat.st_mtime_ns}"
