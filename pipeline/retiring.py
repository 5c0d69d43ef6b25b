"""Folders of sessions that a study no longer has: out of the way of who reads all results at once."""

import shutil
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.screen import named

RETIRED = "retired"
_LOGS = 20
_NAMED = 10
"""So many are named in a line; more are counted."""


def retire(results: Path, sessions: Collection[str]) -> list[str]:
    """Move folders of other sessions than `sessions` to ``.work/retired/<name>``; give their names.

    Only folders that are ours: those with a ``quality.json``, and those of which ``.work`` has a part. An
    earlier retired folder of the same name is replaced.
    """
    _forget_logs(results / ".snakemake" / "log")
    work = results / ".work"
    ours = {path.parent.name for path in results.glob("*/quality.json")}
    ours |= {path.name for path in work.iterdir() if path.is_dir()} if work.is_dir() else set()
    gone = sorted(ours - set(sessions) - {RETIRED, "logs", ".work"})
    for name in gone:
        retired = work / RETIRED / name
        # By its part of the work a session is known as ours: it goes last, should this be cut short.
        parts = (
            (results / name, retired),
            (results / "logs" / name, retired / "logs"),
            (work / name, retired / "work"),
        )
        for place, target in parts:
            if place.is_dir():
                shutil.rmtree(target, ignore_errors=True)
                target.parent.mkdir(parents=True, exist_ok=True)
                place.rename(target)
    return gone


def check_same_study(results: Path, sessions: Collection[str]) -> None:
    """Refuse a folder whose sessions are all others: a name mistyped would put aside all that it holds.

    Raises
    ------
    InputError
        Where there are results, and of none of `sessions`.
    """
    ours = sorted(path.parent.name for path in results.glob("*/quality.json"))
    if ours and not set(ours) & set(sessions):
        names = named(ours, 3)
        remedy = "Give another folder as --out; where these are not needed any more, delete that one first."
        found = f"those of other sessions alone ({names})"
        raise InputError([Problem(str(results), "", "results of this study, or none", found, remedy)])


def _forget_logs(folder: Path) -> None:
    """Keep the engine's own logs of the last runs alone: one that runs every night would pile them up."""
    for old in sorted(folder.glob("*.log"))[:-_LOGS]:  # their names begin with the time
        with suppress(OSError):
            old.unlink()


def retired_line(gone: Collection[str], results: Path) -> str:
    """What is said of them."""
    names = ", ".join(gone) if len(gone) <= _NAMED else f"{len(gone)} sessions"
    return f"No longer in the study, moved to {results / '.work' / RETIRED}: {names}"
