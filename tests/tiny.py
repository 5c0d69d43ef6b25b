"""A study as small as it can be with every kind of file in its results, and what two runs of it share."""

import json
import re
from pathlib import Path

from small import dump_of, small_study

SESSIONS = ("throw-01", "throw-09")
"""The second has recordings at two rates, and events."""

_OWN = frozenset([".snakemake", "logs", "settings.json", "seal.txt", "failed.txt", "run.lock", "engine.lock"])
"""Names of files and folders that tell of a run rather than of the study."""

_OF_A_RUN = ("started", "finished", "last_run")
"""Keys of `run.json` that do."""

_MOMENT = re.compile(rb"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(Z| UTC)")
"""How the batch page gives the beginning and the end of a run."""


def tiny_study(folder: Path, sessions: tuple[str, ...] = SESSIONS) -> Path:
    """Invented sessions of the demo, the first of them cut down to 40 s."""
    study = small_study(folder, sessions)
    if "throw-01" in sessions:
        dump = dump_of(study, "throw-01")
        dump.write_bytes(dump.read_bytes()[:90_000])
    return study


def made(results: Path) -> dict[str, bytes]:
    """All files that a run makes of its study, by their paths: data, tables, pages, and files between steps.

    Left out are logs, locks, what the engine notes, and when the run was (in `index.html`, too).
    """
    files = {}
    for path in sorted(results.rglob("*")):
        parts = path.relative_to(results).parts
        if path.is_file() and not _OWN & set(parts) and not is_aside(path):
            content = path.read_bytes()
            if parts[-1] in ("run.json", "record.json"):
                content = _without_times(content)
                if not content:  # a run has begun, and made nothing yet
                    continue
            elif parts == ("index.html",):
                content = _MOMENT.sub(b"a moment", content)
            files["/".join(parts)] = content
    return files


def _without_times(record: bytes) -> bytes:
    try:
        kept = {key: value for key, value in json.loads(record).items() if key not in _OF_A_RUN}
    except ValueError:  # not whole
        return record
    return json.dumps(kept).encode() if kept else b""


def is_aside(path: Path) -> bool:
    """Whether a file has the name of one that is still being written."""
    return path.name.startswith(".") and path.suffix == ".part"


def scraps(results: Path) -> list[str]:
    """Files that are still being written, or were when their writer was killed, and locks."""
    return [str(path) for path in results.rglob("*") if is_aside(path) or path.suffix == ".lock"]


def apart(files: dict[str, bytes], others: dict[str, bytes]) -> list[str]:
    """Paths whose content differs, or that only one of both has."""
    return sorted(name for name in files.keys() | others.keys() if files.get(name) != others.get(name))
