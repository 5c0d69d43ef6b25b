"""Whether anything changed since a run after which nothing was left to do: else nobody need ask the engine.

For a thousand sessions the engine takes 10 s to find that there is nothing to do, as it looks at each file of
each rule. The texts that make rules run again, and sizes and times of all files, are looked at in one.
"""

import hashlib
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.retiring import RETIRED
from pipeline.steps.study_record import STUDY_RECORD
from pipeline.steps.words import RECORD
from pipeline.workflow import SEAL, Plan
from pipeline.writing import write_text

_OTHERS = frozenset({"run.json", "logs", ".snakemake", ".work"})
"""At the top of the results: what no rule makes, and every run may write."""


@dataclass(frozen=True)
class Seal:
    """What all files of `results` come from, taken before a run, since it may change meanwhile."""

    results: Path
    origins: bytes

    @staticmethod
    def of(plan: Plan, snakefile: Path) -> "Seal":
        """Look at the study, the policy and the program."""
        told = hashlib.sha256(snakefile.read_bytes())
        for text in plan.texts():
            told.update(f"{text}\n".encode("utf-8", "surrogateescape"))
        return Seal(plan.results, told.digest())

    def set(self) -> None:
        """Note how everything is, after a run that left nothing to do."""
        files = [entry for entry in _entries(self.results) if entry.is_file()]
        sizes = {entry.path: entry.stat().st_size for entry in files}
        lines = sorted(f"{size} {os.path.relpath(path, self.results)}" for path, size in sizes.items())
        write_text(self._place, "\n".join([self._digest(), *lines, ""]))

    def holds(self) -> bool:
        """Whether everything is as it was noted; what could not be read is a change."""
        try:
            return self._noted()[0] == self._digest()
        except (OSError, ValueError):
            return False

    def lift(self) -> None:
        """Forget how everything was: a run is about to change it."""
        self._place.unlink(missing_ok=True)

    def resized(self) -> list[Path]:
        """Files that others have changed since: of another size than noted. Times alone tell nothing."""
        found = []
        with suppress(OSError, ValueError):
            for line in self._noted()[1:]:
                size, _, name = line.partition(" ")
                path = self.results / name
                with suppress(FileNotFoundError):
                    if path.stat().st_size != int(size):
                        found.append(path)
        return found

    def _noted(self) -> list[str]:
        return self._place.read_text(encoding="utf-8", errors="surrogateescape").splitlines()

    @property
    def _place(self) -> Path:
        return self.results / ".work" / SEAL

    def _digest(self) -> str:
        """Of the origins, and of all files that there are now."""
        told = hashlib.sha256(self.origins)
        for text in sorted(_files(self.results)):
            told.update(f"{text}\n".encode("utf-8", "surrogateescape"))
        return told.hexdigest()


def _entries(results: Path) -> "Iterator[os.DirEntry[str]]":
    """All files at the top and of the sessions, and those between steps."""
    tops = [entry for entry in os.scandir(results) if entry.name not in _OTHERS]
    yield from (entry for entry in tops if entry.is_file())
    of_sessions = [entry.path for entry in tops if entry.is_dir()]
    between = [
        entry.path for entry in os.scandir(results / ".work") if entry.is_dir() and entry.name != RETIRED
    ]
    for folder in (*of_sessions, *between):
        yield from os.scandir(folder)


def _files(results: Path) -> Iterator[str]:
    """Path, size and time of each."""
    yield from map(_facts, _entries(results))
    yield from (_facts(results / ".work" / name) for name in (RECORD, STUDY_RECORD))


def _facts(entry: "os.DirEntry[str] | Path") -> str:
    stat = entry.stat()
    return f"{os.fspath(entry)} {stat.st_size} {stat.st_mtime_ns}"
