"""What a power cut leaves: files that are whole, and an engine that has lost its notes on some of them."""

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

WRITTEN_WITHIN_S = 600.0
"""How long a system may keep in memory what a program wrote. Half a minute is common practice, no source;
on batteries some wait for ten minutes."""


def boot() -> str:
    """A text that differs each time the system starts; empty where it has none (random(4), boot_id)."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def forget_latest(files: Iterable[Path]) -> None:
    """Take away the last of the files that a run which was cut off has written, so that they are made again.

    The engine notes what each file was made of, and does not have its notes written at once. A file whose
    note is lost stands for ever, whatever becomes of the policy or the dumps.
    """
    changed_s = {}
    for path in files:
        with suppress(FileNotFoundError):
            changed_s[path] = path.stat().st_mtime
    latest_s = max(changed_s.values(), default=0.0)
    for path, time_s in changed_s.items():
        if time_s > latest_s - WRITTEN_WITHIN_S:
            path.unlink()
