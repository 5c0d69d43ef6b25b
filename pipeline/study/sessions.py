"""The sessions table: each row checked, alone and against the others."""

import os
import posixpath
import re
import sys
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath
from unicodedata import normalize

from pipeline.checking import did_you_mean
from pipeline.errors import Problem
from pipeline.stamps import StampError, parse_stamp
from pipeline.study.study import Activity, Session
from pipeline.study.tables import Row
from schemas.keys import SESSION_COLUMNS

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_RESULT_FOLDERS = ("logs", "index", "retired")
_DEVICE_NAMES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))]
)
_Faults = Iterator[tuple[str, str, str, str]]
"""Column, expected, found and remedy of each fault."""

_COLUMNS = frozenset(key.name for key in SESSION_COLUMNS)


def check_sessions(
    rows: Iterable[Row], folder: Path, layouts: Collection[str] | None, shown: str, problems: list[Problem]
) -> None:
    """Add every fault of the sessions table.

    Parameters
    ----------
    rows : iterable of Row
        Its rows.
    folder : Path
        The study folder, below which the dumps stand.
    layouts : collection of str or None
        Names of the layouts that were found; None where their folder is missing.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    names: dict[str, Row] = {}
    for row in rows:
        faults = (
            *_faults_of_name(row, names),
            *_faults_of_layout(row, layouts),
            *_faults_of_dumps(row, folder),
            *_faults_of_start(row),
        )
        for column, expected, found, remedy in faults:
            problems.append(Problem(shown, f"line {row.line}, column {column}", expected, found, remedy))


def make_session(row: Row, folder: Path, mains_hz: float, activities: tuple[Activity, ...]) -> Session:
    """Make a session of a row that was checked; its dumps have the names that they bear in `folder`."""
    values = row.values
    dumps = _dumps(values["dumps"])
    return Session(
        name=values["session"],
        participant=values["participant"],
        site=values["site"],
        device=values["device"],
        layout=values["layout"],
        layouts=layouts_of(values["layout"], len(dumps)),
        dumps=tuple(_as_it_is(path, folder) for path in dumps),
        started_at=parse_stamp(values["started_at"]),
        mains_hz=mains_hz,
        activities=activities,
        extra=tuple((column, value) for column, value in values.items() if column not in _COLUMNS),
        line=row.line,
    )


def _faults_of_name(row: Row, names: dict[str, Row]) -> _Faults:
    name = row.right("session")
    if name is None:
        return
    folded = name.casefold()
    if not _NAME.fullmatch(name):
        wanted = "1 to 64 letters (a-z, A-Z), digits, hyphens and underscores, not a hyphen first"
        yield "session", wanted, repr(name), "Rename it; it becomes the name of a folder."
    elif folded in _RESULT_FOLDERS or folded in _DEVICE_NAMES:
        remedy = "Rename it; the results folder or an operating system uses that name."
        yield "session", "a name that is not taken", repr(name), remedy
    first = names.setdefault(folded, row)
    if first is not row:
        other = first.values["session"]
        alike = "" if other == name else f" as {other!r}, which some file systems do not tell apart"
        found = f"{name!r}, already on line {first.line}{alike}"
        yield "session", "a name of its own for each session", found, "Rename one of them."


def _faults_of_layout(row: Row, layouts: Collection[str] | None) -> _Faults:
    text, dumps = row.right("layout"), row.right("dumps")
    if text is None:
        return
    names = layouts_of(text)
    if len(names) > 1 and dumps is not None and len(names) != len(_dumps(dumps)):
        n = len(_dumps(dumps))
        wanted = f"one layout, or one for each of the {n} dumps" if n > 1 else "the dump's layout"
        remedy = "Name the layout of each dump, in the order of the dumps, parted by ';'."
        yield "layout", wanted, f"{len(names)} in {text!r}", remedy
    for name in dict.fromkeys(names if layouts is not None else ()):
        if layouts is not None and name not in layouts:
            wanted = "a layout that was found (" + (", ".join(sorted(layouts)) or "there is none") + ")"
            remedy = f"Add {name}.toml to the layouts folder, or correct the name."
            if not name:
                remedy = "Name a layout for each dump, parted by ';'."
            yield "layout", wanted, repr(name), did_you_mean(name.removesuffix(".toml"), layouts) or remedy


def _faults_of_start(row: Row) -> _Faults:
    text = row.right("started_at")
    if text is None:
        return
    try:
        parse_stamp(text)
    except StampError as fault:
        yield "started_at", "a start by RFC 3339 with its offset", fault.found, fault.remedy


def layouts_of(text: str, n_dumps: int = 1) -> tuple[str, ...]:
    """Names of layouts as the table has them, parted by ';'; one alone holds for all dumps."""
    names = tuple(part.strip() for part in text.split(";"))
    return names if len(names) > 1 else names * max(n_dumps, 1)


def _dumps(text: str) -> tuple[str, ...]:
    return tuple(posixpath.normpath(part.strip()) for part in text.split(";") if part.strip())


def _as_it_is(path: str, folder: Path) -> str:
    """The path as the file system spells it, where letters with marks are written there in another way."""
    if path.isascii() or (folder / path).exists():
        return path
    found = folder
    for part in PurePosixPath(path).parts:
        alike = [name for name in _names_in(found) if normalize("NFC", name) == part]
        if len(alike) != 1:
            return path
        found /= alike[0]
    return found.relative_to(folder).as_posix()


def _names_in(folder: Path) -> list[str]:
    try:
        return [entry.name for entry in os.scandir(folder)]
    except OSError:
        return []


def _faults_of_dumps(row: Row, folder: Path) -> _Faults:
    """That a dump is missing is no fault here, nor that two sessions name it: both are told after reading."""
    text = row.right("dumps")
    if text is None:
        return
    if not all(part.strip() for part in text.split(";")):
        yield "dumps", "a path before and after each ';'", repr(text), "Remove the ';' too many."
    paths = _dumps(text)
    for path in dict.fromkeys(paths):  # each once, in order
        fault = _fault_of_path(path, folder)
        if fault is not None:
            yield "dumps", *fault
            continue
        if paths.count(path) > 1:
            yield "dumps", "each dump once", f"'{path}' {paths.count(path)} times", "Remove it."


def _fault_of_path(path: str, folder: Path) -> tuple[str, str, str] | None:
    below = "a path below the study folder"
    if not path.isprintable():
        return below, repr(path), "Remove what cannot be printed from the name."
    windows = PureWindowsPath(path)
    if PurePosixPath(path).is_absolute() or windows.drive or windows.root:
        return below, f"'{path}', an absolute path", "Copy or link the dump into the study folder."
    if path == ".." or path.startswith("../"):
        return below, f"'{path}', which leads out of it", "Copy or link the dump into the study folder."
    try:
        is_folder, exists = (folder / path).is_dir(), (folder / path).exists()
    except OSError as error:
        return below, f"'{path}' ({error.strerror})", "Check its name and its permissions."
    if is_folder:
        return "a file", f"'{path}', a folder", "Name its files, parted by ';'."
    if "\\" in path and (not exists or sys.platform == "win32"):  # a file of that name, or in a folder
        return "'/' between folders", f"'{path}'", f"Write {path.replace(chr(92), '/')}."
    return None
