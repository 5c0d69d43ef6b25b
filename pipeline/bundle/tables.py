"""The small files of a bundle: tables over all sessions, the flow, methods, policy and layouts."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from pipeline.bundle.fields import ACTIVITIES, CSV, PARQUET
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from pipeline.report.margins import margin_rows
from pipeline.report.methods import Facts
from pipeline.report.paper import write_paper
from pipeline.steps.tables import exclusions, session_row, write_csv
from pipeline.verdict import Policy, builtin_policy
from pipeline.writing import write_text
from schemas.columns import EXCLUSIONS, FINDINGS, IN_BUNDLE, MARGINS, SESSIONS, Column
from schemas.tables import arrow_table

_TEXT = "text/plain"
_Row = Mapping[str, Any]


def write_small_files(recoded: Recoded, data: Path) -> tuple[Made, ...]:
    """Write everything but recordings, reports and what describes the bundle."""
    return (*_write_tables(recoded, data), *_write_paper(recoded, data), *_write_rules(recoded, data))


def session_columns(sessions: Sequence[RecodedSession]) -> tuple[Column, ...]:
    """Columns of the sessions table, with further columns of the study that were asked for."""
    own = (*SESSIONS, *IN_BUNDLE)
    further = dict.fromkeys(name for session in sessions for name in session.extra)
    return (*own, *(Column(_further(name), "string", f"'{name}' in the study's table") for name in further))


def _further(name: str) -> str:
    """Name of a further column, apart from our own."""
    taken = {column.name for column in (*SESSIONS, *IN_BUNDLE)}
    return f"study_{name}" if name in taken else name


def _write_tables(recoded: Recoded, data: Path) -> list[Made]:
    sessions, columns = recoded.sessions, session_columns(recoded.sessions)
    samples = tuple(f"recordings/{session.code}/samples.parquet" for session in recoded.recorded)
    about = {"policy_sha256": recoded.policy_sha256, "sessiongate_version": recoded.version}
    findings = [row for session in sessions for row in recoded.findings[session.code]]
    log = [{"session": session.code, **asdict(a)} for session in sessions for a in session.activities]
    tables = (
        ("sessions", columns, [_session_row(s) for s in sessions], "one row for each session", samples),
        ("findings", FINDINGS, findings, "one row for each finding of a detector", samples),
        ("activities", ACTIVITIES, log, "what the wearers did, as they or others noted it", ()),
    )
    made = []
    for name, described, rows, said, origins in tables:
        table = arrow_table(described, rows, about)
        pq.write_table(table, data / f"{name}.parquet", compression="zstd")
        made.append(Made(f"{name}.parquet", PARQUET, said, origins, name))
    left_out = [row for s in sessions for row in exclusions(s.quality, s.review)]
    write_csv(data / "exclusions.csv", EXCLUSIONS, left_out)
    write_csv(data / "margins.csv", MARGINS, [row for s in sessions for row in margin_rows(s.quality)])
    origin = ("sessions.parquet", "policy.toml")
    made.append(
        Made("exclusions.csv", CSV, "what was left out of which session, and why", origin, "exclusions")
    )
    made.append(Made("margins.csv", CSV, "how verdicts turn when limits are moved", origin, "margins"))
    return made


def _session_row(session: RecodedSession) -> dict[str, Any]:
    whole = "whole" if session.parts is None else "in_part"
    return {
        **session_row(session.quality, session.review),
        "mains_hz_nominal": session.mains_hz,
        "recording": whole if session.has_recording else "no",
        **{_further(name): value for name, value in session.extra.items()},
    }


def paper_of(recoded: Recoded, out: Path) -> dict[str, Any]:
    """Flow and methods, made again of the recoded sessions: without a true date.

    Gives what `pipeline.report.paper.write_paper` does, for the index of the reports.
    """
    layouts = {code: digest for code, (digest, _) in recoded.layouts.items()}
    facts = Facts(recoded.title, recoded.version, layouts, policy_of(recoded.policy_text), dated=False)
    return write_paper([session.quality for session in recoded.sessions], reviews_of(recoded), facts, out)


def reviews_of(recoded: Recoded) -> dict[str, Mapping[str, Any]]:
    """Code of each session that a person decided about -> what is said of it."""
    return {s.code: s.review for s in recoded.sessions if s.review is not None}


def _write_paper(recoded: Recoded, data: Path) -> list[Made]:
    paper_of(recoded, data)
    origin = ("sessions.parquet",)
    return [
        Made("flow.svg", "image/svg+xml", "sessions from recorded to analysed", origin),
        Made("flow.txt", _TEXT, "the same in words", origin),
        Made("methods.txt", _TEXT, "a paragraph of methods", (*origin, "policy.toml")),
    ]


def policy_of(text: str) -> Policy:
    """The policy that `pipeline.verdict.policy.policy_in_force` wrote; a value of one's own is another one.

    Raises
    ------
    ValueError
        Where it is that of another version of the program, with other thresholds.
    """
    built_in = builtin_policy().thresholds
    stated = {
        f"{section}.{name}": float(value)
        for section, entries in tomllib.loads(text).items()
        for name, value in entries.items()
    }
    if stated.keys() != built_in.keys():
        raise ValueError("thresholds of another version")
    return Policy(
        {key: replace(t, value=stated[key], own=stated[key] != t.value) for key, t in built_in.items()}
    )


def _write_rules(recoded: Recoded, data: Path) -> list[Made]:
    write_text(data / "policy.toml", recoded.policy_text)
    made = [Made("policy.toml", "application/toml", "every threshold in force, with unit and reason")]
    for code, (_, text) in recoded.layouts.items():
        write_text(data / "layouts" / f"{code}.toml", text)
        said = "how bytes became counts, and counts units; without what names a device"
        made.append(Made(f"layouts/{code}.toml", "application/toml", said))
    return made
