"""The tables over all sessions: one row for each session, and one for each stretch left out."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from pipeline.report.flow import trace
from pipeline.report.margins import margin_rows
from pipeline.report.review import Review, review_columns
from pipeline.writing import write_text, written_aside
from schemas.columns import EXCLUSIONS, MARGINS, SESSIONS, Column
from schemas.measures import MEASURES
from schemas.tables import arrow_table, pandera_schema

_FORMULA = re.compile(r"[\s\x00]*[=+\-@\uff0b\uff0d\uff1d\uff20]|[\t\r\n]")
"""How a cell begins that spreadsheets compute, full-width signs included (OWASP, "CSV Injection")."""
_PLAIN = re.compile(r"[+-][\w. ]*")


def write_tables(
    qualities: Sequence[Mapping[str, Any]],
    reviews: Mapping[str, Review],
    metadata: Mapping[str, str],
    results: Path,
) -> None:
    """Write sessions.parquet, sessions.csv, exclusions.csv and margins.csv.

    They are made from verdicts and people's decisions.
    """
    sessions = [session_row(quality, reviews.get(quality["session"])) for quality in qualities]
    _write_parquet(results / "sessions.parquet", SESSIONS, sessions, metadata)
    write_csv(results / "sessions.csv", SESSIONS, sessions)
    left_out = [row for quality in qualities for row in exclusions(quality, reviews.get(quality["session"]))]
    write_csv(results / "exclusions.csv", EXCLUSIONS, left_out)
    moved = [row for quality in qualities for row in margin_rows(quality)]
    write_csv(results / "margins.csv", MARGINS, moved)


def session_row(quality: Mapping[str, Any], review: Review | None) -> dict[str, Any]:
    """A session's row of the table over all sessions, as `schemas.columns.SESSIONS` has it."""
    same = ("session", "participant", "site", "device", "layout", "started_at", "verdict", "sentence")
    row: dict[str, Any] = {name: quality[name] for name in same}
    row["reasons"] = "; ".join(reason["measure"] for reason in quality["reasons"])
    row["usable_intervals"] = ";".join(f"{start:.2f}-{stop:.2f}" for start, stop in quality["usable"])
    row |= {**review_columns(review), "analysed": trace(quality, review).final}
    for measure in MEASURES:
        values = [
            m["value"] for m in quality["measures"] if m["name"] == measure.name and m["value"] is not None
        ]
        # Of several channels the one that decides: the largest of either sign, as limits are upper ones.
        row[measure.name] = max(values, key=abs, default=None)
    return row


def exclusions(quality: Mapping[str, Any], review: Review | None = None) -> list[dict[str, Any]]:
    """What of a session was left out, stretch by stretch: by the verdict first, then by a person.

    The lengths of a session's rows that no person took back, and what is used of it, sum to its duration.
    """
    traced = trace(quality, review)
    taken_back = traced.final != traced.computed and traced.final_s > traced.computed_s
    same = {
        **{name: quality[name] for name in ("session", "participant", "verdict")},
        "kept_by_review": traced.final if taken_back else "no",
    }
    rows = _by_verdict(quality, same)
    if traced.decided is not None and traced.final_s < traced.computed_s and review is not None:
        rows += _by_person(quality, review, {**same, "reason": "review"})
    return rows


def _by_verdict(quality: Mapping[str, Any], same: Mapping[str, Any]) -> list[dict[str, Any]]:
    if quality["verdict"] == "accept":
        return []
    same = {**same, "reason": "; ".join(reason["measure"] for reason in quality["reasons"])}
    if quality["verdict"] == "unreadable":
        told = "; ".join(reason["text"] for reason in quality["reasons"])
        return [{**same, "start_s": None, "stop_s": None, "explanation": told}]
    return [
        {**same, "start_s": part["start_s"], "stop_s": part["stop_s"], "explanation": part["text"]}
        for part in quality["left_out"]
    ]


def _by_person(quality: Mapping[str, Any], review: Review, same: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What the verdict would have used: all of it is left out, or all but the clean stretches."""
    told = f"left out by {review['initials']} on {review['date']}: {review['reason']}"
    if review["decision"] != "reject":
        told = f"all but the clean stretches {told}"
        return [{**same, "start_s": None, "stop_s": None, "explanation": told}]
    return [
        {**same, "start_s": start, "stop_s": stop, "explanation": told} for start, stop in quality["usable"]
    ]


def _write_parquet(
    path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], metadata: Mapping[str, str]
) -> None:
    table = arrow_table(columns, rows, metadata)
    pandera_schema(columns).validate(table.to_pandas(), lazy=True)
    with written_aside(path) as aside:
        pq.write_table(table, aside, compression="zstd")


def write_csv(path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]]) -> None:
    """RFC 4180; a missing value is an empty field, and no text is a formula."""
    text = io.StringIO()
    writer = csv.DictWriter(text, [column.name for column in columns], lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: _no_formula(value) for name, value in row.items()} for row in rows)
    write_text(path, text.getvalue())


def _no_formula(value: Any) -> Any:
    """Text that a spreadsheet would take for a formula, behind an apostrophe; the Parquet table has it plain.

    What begins with a sign but holds nothing that computes or calls, such as a code '-1', stays as it is.
    """
    if isinstance(value, str) and _FORMULA.match(value) and not _PLAIN.fullmatch(value):
        return f"'{value}"
    return value
