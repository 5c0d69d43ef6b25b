"""What people decided about sessions: each row checked, alone and against the sessions and the others."""

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from pipeline.checking import did_you_mean
from pipeline.errors import Problem
from pipeline.stamps import StampError, parse_stamp
from pipeline.study.tables import Row
from schemas.keys import REVIEW_COLUMNS, SEEN

_SEEN = re.compile(r"r[0-9a-f]{8}-p[0-9a-f]{8}(?:-a[0-9a-f]{8}-v[0-9]+\.[0-9]+)?")
"""Codes of earlier versions end before the activity log."""

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_LONGEST = {"reason": 300, "initials": 12}
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of what follows: with them a reason could read otherwise than it is."""

_Faults = Iterator[tuple[str, str, str, str]]
"""Column, expected, found and remedy of each fault."""


@dataclass(frozen=True)
class Decision:
    """What a person decided about one session.

    ``decision`` is ``accept``, ``accept_in_part`` or ``reject``; ``date`` is as written, YYYY-MM-DD; ``seen``
    is the code of what was looked at, empty where it was not noted; ``line`` is its line in the file.
    """

    session: str
    decision: str
    reason: str
    initials: str
    date: str
    seen: str
    line: int


def make_reviews(
    rows: Iterable[Row], started: Mapping[str, str] | None, shown: str, problems: list[Problem]
) -> dict[str, Decision]:
    """Check every row and give the decisions by session.

    Parameters
    ----------
    rows : iterable of Row
        Rows of the file.
    started : mapping or None
        Session -> its start as the sessions table has it; None where that table could not be read.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    decisions: dict[str, Decision] = {}
    rows = tuple(rows)
    problems.extend(_faults_of_columns(rows[:1], shown))
    for row in rows:
        before = len(problems)
        faults = (
            *_faults_of_session(row, started, decisions),
            *_faults_of_text(row),
            *_faults_of_date(row, started or {}),
            *_faults_of_seen(row),
        )
        for column, expected, found, remedy in faults:
            problems.append(Problem(shown, f"line {row.line}, column {column}", expected, found, remedy))
        if len(problems) == before and not row.faulty:
            made = {key.name: row.values[key.name] for key in REVIEW_COLUMNS}
            seen = row.values.get(SEEN.name, "").strip()
            decisions.setdefault(row.values["session"], Decision(**made, seen=seen, line=row.line))
    return decisions


def _faults_of_columns(rows: Iterable[Row], shown: str) -> Iterator[Problem]:
    """Further columns are the reader's own, but for one that seems to be misspelt."""
    known = {*(key.name for key in REVIEW_COLUMNS), SEEN.name}
    for row in rows:
        for column in sorted(row.values.keys() - known) if SEEN.name not in row.values else ():
            if remedy := did_you_mean(column, [SEEN.name]):
                yield Problem(shown, "line 1", f"a column '{SEEN.name}'", repr(column), remedy)


def _faults_of_session(
    row: Row, started: Mapping[str, str] | None, decisions: Mapping[str, Decision]
) -> _Faults:
    name = row.right("session")
    if name is None:
        return
    if started is not None and name not in started:
        remedy = did_you_mean(name, started) or "Correct the name, or remove the row."
        yield "session", "a session of the sessions table", repr(name), remedy
    if name in decisions:
        found = f"a second one for {name!r}; the first is on line {decisions[name].line}"
        yield "session", "one decision for each session", found, "Remove the one that no longer holds."


def _faults_of_text(row: Row) -> _Faults:
    for column, longest in _LONGEST.items():
        text = row.right(column)
        if text is None:
            continue
        if len(text) > longest:
            yield column, f"at most {longest} characters", f"{len(text)}", "Shorten it."
        marks = [sign for sign in text if _is_unfit(sign)]
        if marks:
            remedy = "Write it in one line, without marks that cannot be seen."
            yield column, "text in one line", f"the character U+{ord(marks[0]):04X}", remedy


def _is_unfit(sign: str) -> bool:
    """Whether a character breaks the line, cannot be written to a page, or turns the direction of text."""
    return (
        unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") or sign in _TURNING or sign in "\ufffe\uffff"
    )


def _faults_of_date(row: Row, started: Mapping[str, str]) -> _Faults:
    text = row.right("date")
    if text is None:
        return
    try:
        if not _DATE.fullmatch(text):
            raise ValueError
        decided = date.fromisoformat(text)
    except ValueError:
        yield "date", "a day as YYYY-MM-DD (ISO 8601)", repr(text), "Write it such as 2026-03-04."
        return
    try:
        recorded = parse_stamp(started[row.values["session"]]).date()
    except (KeyError, StampError, OverflowError):  # told of the session, or in the sessions table
        return
    # a day is granted: who decides may live where the date is behind that of the recording
    if decided < recorded - timedelta(days=1):
        remedy = "Correct the date, or started_at of the session."
        yield "date", f"a day not before the recording of {recorded.isoformat()}", repr(text), remedy


def _faults_of_seen(row: Row) -> _Faults:
    text = row.values.get(SEEN.name, "").strip()
    if text and SEEN.name not in row.faulty and not _SEEN.fullmatch(text):
        remedy = "Copy it from the session's page, or leave it empty."
        yield SEEN.name, SEEN.written, repr(text[:40]), remedy
