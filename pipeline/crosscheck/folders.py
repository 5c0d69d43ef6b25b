"""The files that lie where dumps lie."""

import os
from pathlib import Path, PurePosixPath

from pipeline.study import Study

_SYSTEM_FOLDERS = frozenset(["__macosx", "@eadir", "$recycle.bin", "system volume information", "lost+found"])
_SYSTEM_FILES = frozenset(["thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r"])


def dump_files(study: Study) -> tuple[str, ...]:
    """Paths in the study, in order, of the files below ``dumps`` and beside each dump that a session names.

    What operating systems and people leave beside dumps is passed over: hidden files, read-me files, and the
    files that the study itself is made of.
    """
    named = {str(PurePosixPath(dump).parent) for session in study.sessions for dump in session.dumps}
    found = set[str]()
    for folder in sorted({"dumps", *named}):
        top = study.folder / folder
        for here, folders, files in os.walk(top):
            below = folder == "dumps" or folder.startswith("dumps/")
            folders[:] = [name for name in folders if below and not _is_system(name, _SYSTEM_FOLDERS)]
            paths = (Path(here) / name for name in files if not _is_system(name, _SYSTEM_FILES))
            found.update(
                path.relative_to(study.folder).as_posix() for path in paths if path not in study.own_files
            )
    return tuple(sorted(found))


def _is_system(name: str, known: frozenset[str]) -> bool:
    low = name.casefold()
    return low.startswith((".", "~$", "readme")) or low in known
