"""Folders of sessions that a study no longer has: out of the way of who reads all results at once."""

import shutil
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

_RETIRED = "retired"
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
    gone = sorted(ours - set(sessions) - {_RETIRED, "logs", ".work"})
    for name in gone:
        retired = work / _RETIRED / name
        shutil.rmtree(retired, ignore_errors=True)
        parts = (
            (results / name, retired),
            (work / name, retired / "work"),
            (results / "logs" / name, retired / "logs"),
        )
        for place, target in parts:
            if place.is_dir():
                target.parent.mkdir(parents=True, exist_ok=True)
                place.rename(target)
    return gone


def _forget_logs(folder: Path) -> None:
    """Keep the engine's own logs of the last runs alone: one that runs every night would pile them up."""
    for old in sorted(folder.glob("*.log"))[:-_LOGS]:  # their names begin with the time
        with suppress(OSError):
            old.unlink()


def retired_line(gone: Collection[str], results: Path) -> str:
    """What is said of them."""
    names = ", ".join(gone) if len(gone) <= _NAMED else f"{len(gone)} sessions"
    return f"No longer in the study, moved to {results / '.work' / _RETIRED}: {names}"
