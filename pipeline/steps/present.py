"""Report and overview: what people look at, and the record of the run."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

import pyarrow.parquet as pq

from pipeline import __version__
from pipeline.crosscheck import Entry, Stated, check_study, dump_files
from pipeline.frames.read import EMPTY_SHA256
from pipeline.report import write_overview, write_report
from pipeline.report.drawn import read_drawn
from pipeline.report.methods import Facts
from pipeline.report.paper import write_paper
from pipeline.report.review import review_of
from pipeline.steps.job import Job, Places, Tables, read_json, to_redo, write_json
from pipeline.steps.signal import check_signal, look_for_signal
from pipeline.steps.study_record import STUDY_RECORD, study_record
from pipeline.steps.tables import write_tables
from pipeline.steps.words import RECORD, now
from pipeline.study import Session, Study
from pipeline.writing import none_of_the_future
from schemas.columns import VERDICTS


def report(job: Job) -> str:
    """Write the session's page and its strip for the batch page."""
    places = job.places
    quality = read_json(places.quality)
    write_report(
        quality,
        places.samples,
        places.findings,
        job.session.activities,
        places.report,
        places.strip,
        job.review,
        look_for_signal(job, quality),
        read_drawn(places.drawn, places.samples),
    )
    return "written"


def overview(tables: Tables) -> None:
    """Write the batch page, the tables over all sessions and the record of the run."""
    study, policy, results, places = tables.study, tables.policy, tables.results, tables.places
    qualities, conversions, strips = _read_all(places)
    entries = [_entry(*known) for known in zip(study.sessions, qualities, conversions, strict=True)]
    matters = check_study(entries, dump_files(study))
    metadata = {"study": study.title, "policy_sha256": policy.sha256, "sessiongate_version": __version__}
    reviews = _reviews(study, qualities)
    write_tables(qualities, reviews, metadata, results)
    layouts = {name: layout.sha256 for name, layout in sorted(study.layouts.items())}
    paper = write_paper(qualities, reviews, Facts(study.title, __version__, layouts, policy), results)
    counts = Counter(quality["verdict"] for quality in qualities)
    run = {
        "study": study.title,
        "version": __version__,
        "policy_sha256": policy.sha256,
        "started": tables.started,
        "finished": now(),
        "counts": {verdict: counts.get(verdict, 0) for verdict in VERDICTS},
        "matters": [asdict(matter) for matter in matters],
    }
    write_overview(qualities, strips, run, results, reviews, paper, check_signal(tables))
    write_json(results / ".work" / STUDY_RECORD, study_record(study, policy, reviews), on_one_line=True)
    write_json(
        results / ".work" / RECORD,
        {
            **run,
            "settings": {t.key: t.value for t in policy.thresholds.values()},
            "layouts": layouts,
            "dumps": _digests(qualities),
            "sessions": {q["session"]: q["verdict"] for q in qualities},
            "decisions": _decisions(reviews),
        },
    )
    none_of_the_future([folder for place in places for folder in place.folders], results / ".work" / RECORD)


def _decisions(reviews: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Which decisions were followed, without who made them and why."""
    return [
        {"session": name, **{key: review[key] for key in ("decision", "stale", "followed")}}
        for name, review in sorted(reviews.items())
    ]


def _reviews(study: Study, qualities: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """What people decided, held against what was judged, by session."""
    told = {q["session"]: review_of(q, study.reviews.get(q["session"])) for q in qualities}
    return {name: review for name, review in told.items() if review is not None}


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
    qualities, conversions, strips, broken = [], [], {}, {}
    for place in places:
        try:
            qualities.append(read_json(place.quality))
            conversions.append(read_json(place.conversion))
            strips[place.session] = place.strip.read_text(encoding="utf-8")
            pq.read_schema(place.signal)
        except (ValueError, FileNotFoundError) as error:
            broken[place] = str(error)
    if broken:
        raise to_redo(broken)
    return qualities, conversions, strips
