"""Read a study folder; every fault in its files is named in one pass."""

import zoneinfo
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unicodedata import normalize

from pipeline.checking import check_table, did_you_mean, faults_in, nth, read_toml, right_values
from pipeline.errors import InputError, Problem
from pipeline.layouts import load_layout
from pipeline.study.activities import make_activities
from pipeline.study.review import Decision, make_reviews
from pipeline.study.sessions import check_sessions, layouts_of, make_session
from pipeline.study.study import Activity, Study
from pipeline.study.tables import Table, read_table
from schemas.keys import ACTIVITY_COLUMNS, REVIEW_COLUMNS, SESSION_COLUMNS, SITE, STUDY

MAINS_HZ = (50, 60)
"""Nominal frequencies of public mains, in Hz (IEC 60038)."""


@dataclass(frozen=True)
class _File:
    """A file or folder of the study: where it is, and its name as the user knows it."""

    path: Path
    shown: str


def load_study(folder: Path) -> Study:
    """Read a study folder.

    Parameters
    ----------
    folder : Path
        The folder that holds ``study.toml``. It is only read.

    Returns
    -------
    Study
        With its sessions in the order of the table. A dump that does not exist is not found out here.

    Raises
    ------
    InputError
        With every fault of study.toml, of both tables and of the layouts in use.
    """
    try:
        return _load(folder)
    except OSError as error:  # a name too long, a folder that may not be entered
        place = str(error.filename or folder)
        found = error.strerror or str(error)
        remedy = "Check its name and its permissions."
        raise InputError([Problem(place, "", "a readable file or folder", found, remedy)]) from None


def _load(folder: Path) -> Study:
    _check_folder(folder)
    problems: list[Problem] = []
    toml = _file(folder, "study.toml")
    table = read_toml(toml.path, toml.shown, problems)
    if table is None and toml.path.exists():
        raise InputError(problems)  # it says which files to read next
    keys = _check_study(table, toml.shown, problems) if table is not None else {}
    found = _layout_files(_file(folder, keys.get("layouts", "layouts")), problems)
    sessions_file = _file(folder, keys.get("sessions", "sessions.csv"))
    sessions = _sessions(folder, sessions_file, found, problems)
    log = _optional(folder, keys, "activities", "activities.csv", toml.shown, problems)
    activities = _activities(log, sessions, problems)
    review = _optional(folder, keys, "review", "review.csv", toml.shown, problems)
    reviews = _reviews(review, sessions, problems)
    policy = _optional(folder, keys, "policy", "policy.toml", toml.shown, problems)
    files = _files_in_use(sessions, found)
    layouts = {name: load_layout(file.path, file.shown, problems) for name, file in files.items()}
    if problems or sessions is None:
        raise InputError(problems)
    own = (toml, sessions_file, log, review, policy, *(found or {}).values())
    mains_hz = {normalize("NFC", site["name"]): float(site["mains_hz"]) for site in keys.get("site", ())}
    return Study(
        folder=folder,
        title=keys["title"],
        time_zone=keys.get("time_zone", "UTC"),
        sessions=tuple(
            make_session(
                row,
                folder,
                mains_hz.get(row.values["site"], float(keys["mains_hz"])),
                activities.get(row.values["session"], ()),
            )
            for row in sessions.rows
        ),
        layouts={name: layout for name, layout in layouts.items() if layout is not None},
        layout_files={name: file.path for name, file in files.items()},
        policy_file=policy.path if policy else None,
        own_files=frozenset(file.path for file in own if file),
        reviews=reviews,
    )


def _file(folder: Path, name: str) -> _File:
    return _File(folder / name, str(folder / name))


def _check_folder(folder: Path) -> None:
    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        remedy = "Give the folder that holds study.toml; 'sessiongate new FOLDER' writes one to fill in."
        raise InputError([Problem(str(folder), "", "a study folder", found, remedy)])


def _check_study(table: dict[str, Any], shown: str, problems: list[Problem]) -> dict[str, Any]:
    """Check study.toml; give those of its values that can be worked with."""
    check_table(table, STUDY, shown, "", problems)
    keys = right_values(table, STUDY)
    _check_mains(keys, "", shown, problems)
    _check_zone(keys.get("time_zone", "UTC"), shown, problems)
    names = [site.get("name") for site in keys.get("site", ())]
    for i, site in enumerate(keys.get("site", ())):
        where, meant = f"site[{i}]", nth(i, "site", site.get("name"))
        check_table(site, SITE, shown, where, problems, meant)
        _check_mains(right_values(site, SITE), where, shown, problems, meant)
        if names[i] in names[:i]:
            remedy = "Remove one of the two."
            fault = faults_in(where, shown, problems, meant)
            fault("name", "each site once", f"{names[i]!r}, as {nth(names.index(names[i]), 'site')}", remedy)
    return keys


def _check_mains(
    keys: dict[str, Any], where: str, shown: str, problems: list[Problem], meant: str = ""
) -> None:
    if "mains_hz" in keys and keys["mains_hz"] not in MAINS_HZ:
        remedy = "Give the nominal frequency of the public mains there."
        fault = faults_in(where, shown, problems, meant)
        fault("mains_hz", "50 or 60 in Hz", f"{keys['mains_hz']:g}", remedy)


def _check_zone(name: str, shown: str, problems: list[Problem]) -> None:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):  # OSError: a folder of zones
        remedy = did_you_mean(name, zoneinfo.available_timezones()) or "Such as Europe/Lisbon, or UTC."
        faults_in("", shown, problems)("time_zone", "an IANA time zone", repr(name), remedy)


def _layout_files(folder: _File, problems: list[Problem]) -> dict[str, _File] | None:
    """Every layout of the folder, by name; names that begin with a point are left to the system."""
    if not folder.path.is_dir():
        found = "a file" if folder.path.exists() else "no such folder"
        remedy = "Create it with a layout for each kind of dump, or correct the key layouts of study.toml."
        problems.append(Problem(folder.shown, "", "the folder of the layouts", found, remedy))
        return None
    paths = sorted(path for path in folder.path.glob("*.toml") if not path.name.startswith("."))
    return {normalize("NFC", path.stem): _File(path, f"{folder.shown}/{path.name}") for path in paths}


def _sessions(
    folder: Path, file: _File, layouts: dict[str, _File] | None, problems: list[Problem]
) -> Table | None:
    table = read_table(file.path, file.shown, SESSION_COLUMNS, problems)
    if table is None:
        return None
    if table.whole and not table.rows:
        remedy = "Add a row for each session."
        problems.append(Problem(file.shown, "", "at least one session", "none", remedy))
    check_sessions(table.rows, folder, layouts, file.shown, problems)
    return table


def _optional(
    folder: Path, keys: dict[str, Any], key: str, usual: str, shown: str, problems: list[Problem]
) -> _File | None:
    """The file that a key names, which must be there; or the usual one, which need not."""
    file = _file(folder, keys.get(key, usual))
    if file.path.is_file():
        return file
    if key in keys:
        found = "a folder" if file.path.is_dir() else "no such file"
        remedy = f"Create {file.shown}, or remove the key."
        faults_in("", shown, problems)(key, f"the name of a file, as it says '{keys[key]}'", found, remedy)
    return None


def _activities(
    log: _File | None, sessions: Table | None, problems: list[Problem]
) -> dict[str, tuple[Activity, ...]]:
    if log is None:
        return {}
    table = read_table(log.path, log.shown, ACTIVITY_COLUMNS, problems)
    names = None
    if sessions is not None and sessions.whole:
        names = {row.values["session"].strip() for row in sessions.rows if "session" in row.values}
    return make_activities(table.rows if table else (), names, log.shown, problems)


def _reviews(file: _File | None, sessions: Table | None, problems: list[Problem]) -> dict[str, Decision]:
    if file is None:
        return {}
    table = read_table(file.path, file.shown, REVIEW_COLUMNS, problems)
    rows = table.rows if table else ()
    started = None
    if sessions is not None and sessions.whole:
        started = {
            row.values["session"].strip(): row.values.get("started_at", "")
            for row in sessions.rows
            if "session" in row.values
        }
    return make_reviews(rows, started, file.shown, problems)


def _files_in_use(sessions: Table | None, layouts: dict[str, _File] | None) -> dict[str, _File]:
    """Layouts that sessions name; others may be half written."""
    rows = sessions.rows if sessions else ()
    used = {name for row in rows for name in layouts_of(row.values.get("layout", ""))}
    return {name: file for name, file in (layouts or {}).items() if name in used}
