"""Report and overview: what people look at, and the tables over all sessions."""

import csv
import io
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from pipeline import __version__
from pipeline.crosscheck import Entry, Stated, check_study, dump_files
from pipeline.frames.read import EMPTY_SHA256
from pipeline.report import write_overview, write_report
from pipeline.steps.job import Job, Places, StepFailed, mark_failed, read_json, write_json
from pipeline.steps.words import now
from pipeline.study import Session, Study
from pipeline.verdict import Policy
from pipeline.writing import write_text, written_aside
from schemas.columns import EXCLUSIONS, SESSIONS, VERDICTS, Column
from schemas.measures import MEASURES
from schemas.tables import arrow_table, pandera_schema


def report(job: Job) -> str:
    """Write the session's page and its strip for the batch page."""
    places = job.places
    write_report(
        read_json(places.quality),
        places.samples,
        places.findings,
        job.session.activities,
        places.report,
        places.strip,
    )
    return "written"


def overview(study: Study, policy: Policy, results: Path, started: str) -> None:
    """Write the batch page, the tables over all sessions and the record of the run."""
    places = [Places(results, session.name) for session in study.sessions]
    qualities, conversions, strips = _read_all(places)
    entries = [_entry(*known) for known in zip(study.sessions, qualities, conversions, strict=True)]
    matters = check_study(entries, dump_files(study))
    sessions = [_session_row(quality) for quality in qualities]
    metadata = {"study": study.title, "policy_sha256": policy.sha256, "sessiongate_version": __version__}
    _write_parquet(results / "sessions.parquet", SESSIONS, sessions, metadata)
    _write_csv(results / "sessions.csv", SESSIONS, sessions)
    _write_csv(results / "exclusions.csv", EXCLUSIONS, [row for q in qualities for row in _exclusions(q)])
    counts = Counter(quality["verdict"] for quality in qualities)
    run = {
        "study": study.title,
        "version": __version__,
        "policy_sha256": policy.sha256,
        "started": started,
        "finished": now(),
        "counts": {verdict: counts.get(verdict, 0) for verdict in VERDICTS},
        "matters": [asdict(matter) for matter in matters],
    }
    write_overview(qualities, strips, run, results)
    write_json(
        results / "run.json",
        {
            **run,
            "settings": {t.key: t.value for t in policy.thresholds.values()},
            "layouts": {name: layout.sha256 for name, layout in sorted(study.layouts.items())},
            "dumps": _digests(qualities),
            "sessions": {q["session"]: q["verdict"] for q in qualities},
        },
    )


def _digests(qualities: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Digest of each dump; empty where no session could read it."""
    digests: dict[str, str] = {}
    for quality in qualities:
        for name, digest in quality["made_by"]["dumps"].items():
            digests[name] = digest or digests.get(name, "")
    return digests


def _entry(session: Session, quality: Mapping[str, Any], conversion: Mapping[str, Any]) -> Entry:
    """What the checks across the study look at of one session."""
    digests = {dump["name"]: dump["sha256"] for dump in conversion["dumps"]}
    return Entry(
        session=session.name,
        participant=session.participant,
        device=session.device,
        dumps=session.dumps,
        # what could not be read has the digest of no bytes, which says nothing of its content
        sha256=tuple(digests.get(name, "").replace(EMPTY_SHA256, "") for name in session.dumps),
        started_at=session.started_at,
        duration_s=quality["duration_s"] or None,
        stated=tuple(_stated(session, conversion)),
    )


def _stated(session: Session, conversion: Mapping[str, Any]) -> Iterator[Stated]:
    """When the dumps say that the recording starts; a header's local time is taken as that of started_at."""
    for key, by in (
        ("device_start_utc", "the device's clock"),
        ("receiver_start_utc", "the receiver's stamps"),
    ):
        if conversion.get(key):
            yield Stated(by, datetime.fromisoformat(conversion[key]))
    headers = [
        (dump["header_start"], dump["name"]) for dump in conversion["dumps"] if dump.get("header_start")
    ]
    if headers:
        start, name = min(headers)
        local = datetime.fromisoformat(start).replace(tzinfo=session.started_at.tzinfo)
        yield Stated(f"the header of {name}", local)


def _read_all(
    places: Sequence[Places],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], dict[str, str]]:
    """Verdicts, conversions, and strips by session; one whose files are garbage is begun anew next time."""
    qualities, conversions, strips, broken = [], [], {}, []
    for place in places:
        try:
            qualities.append(read_json(place.quality))
            conversions.append(read_json(place.conversion))
            strips[place.session] = place.strip.read_text(encoding="utf-8")
        except ValueError as error:
            mark_failed(place, "overview", str(error))
            broken.append(place.session)
    if broken:
        raise StepFailed(
            f"{', '.join(broken)}: files were changed and cannot be read. Run again to redo them."
        )
    return qualities, conversions, strips


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
