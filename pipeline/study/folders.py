"""Whether results may be written where a user wants them."""

import errno
import os
import tempfile
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import Problem

_NOBODYS = frozenset([".DS_Store", "Thumbs.db", "desktop.ini", ".snakemake"])
"""What systems leave, and any use of the workflow engine: a sign of nothing, and nothing to lose."""
_UNFIT = frozenset(["Cc", "Cs", "Zl", "Zp"])
"""Categories of Unicode: control characters, bytes that are no text, separators of lines and paragraphs."""
_OURS = frozenset(["run.json", ".work"])
_DRILLS = "drill.json"
"""What no run writes: a run in the folder of a drill would take its parts for sessions that are gone."""


def check_folders(study: Path, results: Path) -> list[Problem]:
    """Find what forbids to write the results of a study into a folder; write nothing that stays.

    Parameters
    ----------
    study : Path
        The study folder, which exists and is only ever read.
    results : Path
        Where results are to go; need not exist.
    """
    try:
        if names := _faults_of_names(study, results):
            return names
        fault = _fault_of_nesting(study, results) or _fault_of_results(results)
    except (OSError, RuntimeError) as error:  # RuntimeError: links that lead in a circle
        found = getattr(error, "strerror", None) or str(error)
        fault = "a folder that can be written", found, "Choose another folder, or change its permissions."
    return [Problem(str(results), "", *fault)] if fault else []


def listed_first(names: Iterable[str]) -> str:
    """The first of some names of files, hidden ones last: one that a listing shows."""
    return min(names, key=lambda name: (name.startswith("."), name))


def _faults_of_names(*folders: Path) -> list[Problem]:
    """Find paths that logs, tables and the engine's settings cannot hold."""
    expected, found = "a path without line breaks and other control characters", "such a character in it"
    return [
        Problem(repr(str(folder)), "", expected, found, "Rename that folder, or choose another.")
        for folder in folders
        if any(unicodedata.category(character) in _UNFIT for character in str(folder.absolute()))
    ]


def _fault_of_nesting(study: Path, results: Path) -> tuple[str, str, str] | None:
    expected = "a results folder apart from the study folder"
    remedy = "A study folder is only read: choose a folder beside it."
    if _is_within(results, study):
        same = _is_within(study, results)
        found = "the study folder itself" if same else f"a folder inside the study folder {study}"
        return expected, found, remedy
    if _is_within(study, results):
        return expected, f"a folder that holds the study folder {study}", remedy
    return None


def _is_within(inner: Path, outer: Path) -> bool:
    """Whether `inner` is `outer` or below it, by whatever links and spellings."""
    resolved = inner.resolve()
    if not outer.exists():
        return resolved.is_relative_to(outer.resolve())
    return any(path.exists() and path.samefile(outer) for path in (resolved, *resolved.parents))


def _fault_of_results(results: Path) -> tuple[str, str, str] | None:
    """Expected, found and remedy; an OSError says itself why nothing can be written."""
    nearest = next(path for path in (results, *results.absolute().parents) if os.path.lexists(path))
    if nearest.is_symlink() and not _leads_somewhere(nearest):
        found = f"a link at {nearest} that leads nowhere"
        return "a folder that can be written", found, "Choose another folder, or mend the link."
    if not nearest.is_dir():
        return "a folder", f"a file at {nearest}", "Choose another name, or move the file away."
    if nearest == results:
        names = {path.name for path in results.iterdir()} - _NOBODYS
        if _DRILLS in names or (results / ".work" / "own" / ".work").is_dir():
            remedy = "Choose another folder, so that the drill's results stay whole."
            return "a folder of results", "the folder of a drill", remedy
        if names and not names & _OURS:
            found = f"one that holds other files, such as '{listed_first(names)}'"
            remedy = "Choose a new folder, so that nothing of yours is overwritten."
            return "a new or empty folder, or one of earlier results", found, remedy
    # Tried first, as it tells a read-only disk; a superuser's access() says yes to everything but that.
    tempfile.TemporaryFile(dir=nearest).close()
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    return None


def _leads_somewhere(link: Path) -> bool:
    try:
        return link.exists()
    except OSError:  # in a circle, of which versions of Python say different things
        return False
