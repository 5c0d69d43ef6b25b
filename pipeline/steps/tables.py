"""The tables over all sessions: one row for each session, and one for each stretch left out."""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from pipeline.report.analysed import Intervals, analysed_of, length_s, without
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
    left_out = (row for quality in qualities for row in exclusions(quality, reviews.get(quality["session"])))
    write_csv(results / "exclusions.csv", EXCLUSIONS, left_out)
    moved = (row for quality in qualities for row in margin_rows(quality))
    write_csv(results / "margins.csv", MARGINS, moved)


def session_row(quality: Mapping[str, Any], review: Review | None) -> dict[str, Any]:
    """A session's row of the table over all sessions, as `schemas.columns.SESSIONS` has it."""
    same = ("session", "participant", "site", "device", "layout", "started_at", "verdict", "sentence")
    row: dict[str, Any] = {name: quality[name] for name in same}
    row["reasons"] = _measures(quality)
    row["usable_intervals"] = _written(quality["usable"])
    row |= {**review_columns(review), "analysed": trace(quality, review).final}
    analysed = analysed_of(quality, review)
    row |= {"analysed_intervals": _written(analysed), "analysed_s": length_s(analysed)}
    for measure in MEASURES:
        values = [
            m["value"] for m in quality["measures"] if m["name"] == measure.name and m["value"] is not None
        ]
        # Of several channels the one that decides: the largest of either sign, as limits are upper ones.
        row[measure.name] = max(values, key=abs, default=None)
    return row


def _written(intervals: Intervals) -> str:
    return ";".join(f"{start:.2f}-{stop:.2f}" for start, stop in intervals)


def exclusions(quality: Mapping[str, Any], review: Review | None = None) -> list[dict[str, Any]]:
    """What of a session was left out, stretch by stretch: by the verdict first, then by a person.

    What a person took back is listed as such; the lengths of the other rows, and what is analysed of the
    session, sum to its duration.
    """
    same = {name: quality[name] for name in ("session", "participant", "verdict")}
    if quality["verdict"] == "unreadable":
        told = "; ".join(reason["text"] for reason in quality["reasons"])
        nowhere = {"start_s": None, "stop_s": None, "kept_by_review": "no"}
        return [{**same, **nowhere, "reason": _measures(quality), "explanation": told}]
    analysed = analysed_of(quality, review)
    rows = _by_verdict(quality, review, analysed) if quality["verdict"] != "accept" else []
    if review is not None:
        told = f"left out by {_signed(review)}"
        rows += [
            {
                "start_s": start,
                "stop_s": stop,
                "reason": "review",
                "explanation": told,
                "kept_by_review": "no",
            }
            for start, stop in _long(without(quality["usable"], analysed), quality)
        ]
    return [{**same, **row} for row in rows]


def _by_verdict(
    quality: Mapping[str, Any], review: Review | None, analysed: Intervals
) -> list[dict[str, Any]]:
    """Each stretch that the verdict leaves out, in the pieces that stay out and that were taken back."""
    rows = []
    for part in quality["left_out"]:
        span = [[part["start_s"], part["stop_s"]]]
        out = without(span, analysed)
        back = without(span, out) if review is not None else []
        pieces = [(*one, "no") for one in _long(out, quality)] + [
            (*one, "yes") for one in _long(back, quality)
        ]
        told = part["text"]
        if len(pieces) > 1:  # the text is of all of them together
            told = f"of {part['start_s']:.1f} to {part['stop_s']:.1f} s: {told}"
        signed = f"{told}; taken back by {_signed(review)}" if review is not None else ""
        rows += [
            {
                "start_s": start,
                "stop_s": stop,
                "reason": _measures(quality),
                "explanation": signed if kept == "yes" else told,
                "kept_by_review": kept,
            }
            for start, stop, kept in sorted(pieces)
        ]
    return rows


def _long(intervals: Intervals, quality: Mapping[str, Any]) -> Intervals:
    """Those longer than a sample: what is shorter comes of rounding."""
    least_s = 1.5 / (quality["nominal_hz"] or 1.0)
    return [[start, stop] for start, stop in intervals if stop - start > least_s]


def _measures(quality: Mapping[str, Any]) -> str:
    return "; ".join(reason["measure"] for reason in quality["reasons"])


def _signed(review: Review) -> str:
    return f"{review['initials']} on {review['date']}: {review['reason']}"


def _write_parquet(
    path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], metadata: Mapping[str, str]
) -> None:
    table = arrow_table(columns, rows, metadata)
    pandera_schema(columns).validate(table.to_pandas(), lazy=True)
    with written_aside(path) as aside:
        pq.write_table(table, aside, compression="zstd")


def write_csv(path: Path, columns: Sequence[Column], rows: Iterable[Mapping[str, Any]]) -> None:
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
