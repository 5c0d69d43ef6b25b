"""A small invented study as the writers of a bundle see it, with its tables on disk."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.as_csv import write_csv
from pipeline.bundle.documents import write_documents
from pipeline.bundle.recoded import Made, Recoded, RecodedActivity, RecodedSession, Wishes
from pipeline.writing import csv_text, write_text
from schemas.columns import (
    EVENT_SAMPLE,
    EVENT_TIME,
    EXCLUSIONS,
    FINDINGS,
    MARGINS,
    QUALITY,
    SAMPLE,
    SESSIONS,
    TIME,
    Column,
)
from schemas.tables import arrow_schema, arrow_table

DUMPS = ("1f" * 32, "2e" * 32)
PARQUET = "application/vnd.apache.parquet"

FIELD = Column("field", "float32", "electrode on the wrist | input-referred", "V", nullable=True)
CONVERTER = {"kind": "field", "sample_hz": "250.0", "scale": "0.01", "offset": "-10.0"}
CONVERTER |= {"adc_min": "0", "adc_max": "4095"}
AXES = tuple(Column(f"acc_{axis}", "float32", "", "m/s2", nullable=True) for axis in "xyz")
MARKER = Column("marker", "float32", "1 a pot begun, 2 a pot done", "1", nullable=True)


def session(number: int, verdict: str = "accept", parts: tuple[tuple[float, float], ...] | None = None):
    quality = {
        "verdict": verdict,
        "duration_s": 2.0,
        "recordings": [{"sample_hz": 250.0}, {"sample_hz": 50.0}],
    }
    return RecodedSession(
        code=f"S{number:03d}",
        participant="P01",
        device="D01",
        site="L01",
        layout="layout-1",
        started_at=datetime(2019, 5, 4, 8, 30, tzinfo=UTC),
        mains_hz=50.0,
        activities=(RecodedActivity(0.0, 1.0, "body-1", "body"),),
        extra={},
        quality=quality,
        review=None,
        use="no" if verdict in ("reject", "unreadable") else "whole",
        has_recording=verdict.startswith("accept"),
        parts=parts,
        suffixes=("", "_50hz"),
        has_events=True,
    )


def study(licence: str = "CC-BY-4.0", title: str = "Electric-field recordings") -> Recoded:
    """Three sessions: one whole, one in part, one rejected."""
    return Recoded(
        title=title,
        version="0.1.0",
        policy_sha256="3d" * 32,
        policy_text="",
        layouts={"layout-1": ("4c" * 32, "")},
        sessions=(
            session(1),
            session(2, "accept_in_part", ((0.0, 1.5),)),
            session(3, "reject"),
        ),
        findings={},
        time_zone="UTC",
        wishes=Wishes(licence=licence, formats=frozenset({"csv"})),
        left_out=("names of participants",),
        warnings=("Some combinations of traits are shared by fewer than 5 participants.",),
    )


def whole_bundle(folder: Path, recoded: Recoded, **cited) -> tuple[Made, ...]:
    """Write tables and descriptions to what is to be ``data``; everything in it."""
    made = (*_tables(folder, recoded), *_others(folder, recoded))
    made = (*made, *write_csv(recoded, folder))

    sha512 = {one.path: hashlib.sha512((folder / one.path).read_bytes()).hexdigest() for one in made}
    return (*made, *write_documents(recoded, made, folder, sha512, **cited))


def _tables(folder: Path, recoded: Recoded) -> list[Made]:
    made = []
    measures = {column.name: 0.5 for column in SESSIONS if column.dtype == "float64"} | {
        "contact_loss_fraction": None
    }
    texts = {column.name: "" for column in SESSIONS if column.dtype == "string" and not column.nullable}
    sessions = [
        texts | measures | {"session": one.code, "verdict": one.quality["verdict"], "analysed": one.use}
        for one in recoded.sessions
    ]
    finding = {
        "session": "S001",
        "detector": "dropout",
        "start_s": 0.1,
        "stop_s": 0.2,
        "severity": "note",
        "measure": "longest_gap_s",
        "value": 0.1,
        "unit": "s",
        "explanation": "",
    }
    activity = {"session": "S001", "start_s": 0.0, "stop_s": 1.0, "activity": "body-1", "intensity": "body"}
    log = tuple(Column(name, "float64" if name.endswith("_s") else "string", "", "") for name in activity)
    for name, columns, rows in (
        ("sessions", SESSIONS, sessions),
        ("findings", FINDINGS, [finding]),
        ("activities", log, [activity]),
    ):
        pq.write_table(arrow_table(columns, rows), folder / f"{name}.parquet")
        made.append(Made(f"{name}.parquet", PARQUET, f"the {name} of the study", (), name))
    for one in recoded.recorded:
        made += _recording(folder, one.code)
    return made


def _recording(folder: Path, code: str) -> list[Made]:
    dumps = tuple(f"sha256:{digest}" for digest in DUMPS)
    place = folder / "recordings" / code
    place.mkdir(parents=True)
    files = (
        ("samples", "samples", (SAMPLE, TIME, FIELD, QUALITY), 500),
        ("samples_50hz", "samples", (SAMPLE, TIME, *AXES, QUALITY), 100),
        ("events", "events", (EVENT_TIME, EVENT_SAMPLE, MARKER), 2),
    )
    made = []
    for name, table, columns, n in files:
        values = [_values(column, n) for column in columns]
        schema = arrow_schema(columns, field_metadata={"field": CONVERTER})
        pq.write_table(pa.table(values, schema=schema), place / f"{name}.parquet")
        path = f"recordings/{code}/{name}.parquet"
        made.append(Made(path, PARQUET, f"the {table} of a session", dumps, table))
    return made


def _values(column: Column, n: int) -> pa.Array:
    numbers = np.arange(n)
    if column.name == "quality":
        return pa.array(numbers % 3, pa.uint32())
    if column.dtype == "int64":
        return pa.array(numbers)
    if column.dtype == "float64":
        return pa.array(numbers / 250)
    return pa.array(np.where(numbers == 7, None, numbers / 100), pa.float32())


def _others(folder: Path, recoded: Recoded) -> list[Made]:
    """Tables that are CSV from the start, and files that are no tables."""
    left_out = ["S003", "P01", "reject", "0.0", "2.0", "lost_fraction", "lost 1.0 s", "no"]
    margin = ["S001", "0.5", "accept", "reject", ""]
    exclusions = csv_text([column.name for column in EXCLUSIONS], [left_out])
    made = []
    for path, media_type, text, table in (
        ("exclusions.csv", "text/csv", exclusions, "exclusions"),
        ("margins.csv", "text/csv", csv_text([column.name for column in MARGINS], [margin]), "margins"),
        ("policy.toml", "application/toml", "[limits]\n", ""),
        ("layouts/layout-1.toml", "application/toml", "framing = 'sync'\n", ""),
        ("flow.svg", "image/svg+xml", "<svg xmlns='http://www.w3.org/2000/svg'/>", ""),
        ("reports/index.html", "text/html", "<title>all</title>", ""),
        *((f"reports/{one.code}.html", "text/html", one.code, "") for one in recoded.sessions),
    ):
        write_text(folder / path, text)
        made.append(Made(path, media_type, f"what {path} holds", (), table))
    return made
