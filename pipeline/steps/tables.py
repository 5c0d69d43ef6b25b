"""The tables over all sessions: one row for each session, and one for each stretch left out."""

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from pipeline.writing import write_text, written_aside
from schemas.columns import EXCLUSIONS, SESSIONS, Column
from schemas.measures import MEASURES
from schemas.tables import arrow_table, pandera_schema


def write_tables(qualities: Sequence[Mapping[str, Any]], metadata: Mapping[str, str], results: Path) -> None:
    """Write sessions.parquet, sessions.csv and exclusions.csv from the verdicts of the study's sessions."""
    sessions = [_session_row(quality) for quality in qualities]
    _write_parquet(results / "sessions.parquet", SESSIONS, sessions, metadata)
    _write_csv(results / "sessions.csv", SESSIONS, sessions)
    _write_csv(results / "exclusions.csv", EXCLUSIONS, [row for q in qualities for row in _exclusions(q)])


def _session_row(quality: Mapping[str, Any]) -> dict[str, Any]:
    same = ("session", "participant", "site", "device", "layout", "started_at", "verdict", "sentence")
    row: dict[str, Any] = {name: quality[name] for name in same}
    row["reasons"] = "; ".join(reason["measure"] for reason in quality["reasons"])
    row["usable_intervals"] = ";".join(f"{start:.2f}-{stop:.2f}" for start, stop in quality["usable"])
    for measure in MEASURES:
        values = [
            m["value"] for m in quality["measures"] if m["name"] == measure.name and m["value"] is not None
        ]
        # Of several channels the one that decides: the largest of either sign, as limits are upper ones.
        row[measure.name] = max(values, key=abs, default=None)
    return row


def _exclusions(quality: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What of a session was left out, stretch by stretch."""
    if quality["verdict"] == "accept":
        return []
    same = {name: quality[name] for name in ("session", "participant", "verdict")}
    same["reason"] = "; ".join(reason["measure"] for reason in quality["reasons"])
    if quality["verdict"] == "unreadable":
        told = "; ".join(reason["text"] for reason in quality["reasons"])
        return [{**same, "start_s": None, "stop_s": None, "explanation": told}]
    return [
        {**same, "start_s": part["start_s"], "stop_s": part["stop_s"], "explanation": part["text"]}
        for part in quality["left_out"]
    ]


def _write_parquet(
    path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], metadata: Mapping[str, str]
) -> None:
    table = arrow_table(columns, rows, metadata)
    pandera_schema(columns).validate(table.to_pandas(), lazy=True)
    with written_aside(path) as aside:
        pq.write_table(table, aside, compression="zstd")


def _write_csv(path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]]) -> None:
    """RFC 4180; a missing value is an empty field."""
    text = io.StringIO()
    writer = csv.DictWriter(text, [column.name for column in columns], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_text(path, text.getvalue())
