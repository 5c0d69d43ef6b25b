"""The trace of a bundle: which frames of which dump every row was decoded from, by what and which version.

``trace.json`` says of each session its dumps, layouts and policy by their SHA-256; ``trace.parquet`` says of
each stretch of rows the frames and the bytes of the dump that it came from.
"""

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.choose import Picked
from pipeline.bundle.fields import PARQUET, texts_of
from pipeline.bundle.names import Names
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from pipeline.recording.account import Account, unpacked
from pipeline.recording.recording import FRAMES
from pipeline.writing import write_text
from schemas.columns import Column
from schemas.tables import arrow_schema

TRACE_TABLE, TRACE_FACTS = "trace.parquet", "trace.json"

TRACE = (
    Column("session", "string", "code of the session"),
    Column(
        "file", "string", "file of samples in the folder of the session, also where this dataset has none"
    ),
    Column("first_sample", "int64", "first row that came from these frames, by the column sample", "1"),
    Column("stop_sample", "int64", "row behind the last of them", "1"),
    Column("dump_sha256", "string", "SHA-256 of the dump"),
    Column("layout", "string", "code of the layout by which it was read"),
    Column("frame", "string", "kind of frame, as the copy of the layout numbers them"),
    Column(
        "first_frame", "int64", "first of the frames: its number among those of its kind in the dump", "1"
    ),
    Column("stop_frame", "int64", "number behind the last of them", "1"),
    Column("start_byte", "int64", "where the first of the frames begins in the dump", "By"),
    Column(
        "stop_byte", "int64", "where the last of them ends; other kinds of frames can stand between", "By"
    ),
)
"""Columns of ``trace.parquet``. Frames are numbered from 0 in the order in which they stand in the dump, and
only those whose samples are in the recording are counted."""

_Ints = npt.NDArray[np.int64]
_ROWS_AT_ONCE = 1 << 16


@dataclass(frozen=True)
class _Kind:
    """Frames of one kind in one file of samples; ``dumps`` are the digests of the layout's dumps in order."""

    file: str
    layout: str
    frame: str
    dumps: tuple[str, ...]
    account: Account


def write_trace(
    recoded: Recoded,
    picked: Mapping[str, Picked],
    names: Names,
    data: Path,
    authors: Sequence[str] = (),
    published: str = "",
) -> tuple[Made, ...]:
    """Write ``trace.json`` and ``trace.parquet``.

    Parameters
    ----------
    recoded : Recoded
        The study.
    picked : mapping
        Code of a session -> the same before names were replaced: its files say where frames stood.
    names : Names
        Codes.
    data : Path
        The bundle's ``data``.
    authors, published
        As they were asked for: whoever makes the bundle again asks for the same.
    """
    untold = dict[str, list[str]]()
    with pq.ParquetWriter(data / TRACE_TABLE, arrow_schema(TRACE), compression="zstd") as writer:
        for session in recoded.sessions:
            kinds, missing = _kinds(picked[session.code], names)
            untold[session.code] = missing
            for kind in kinds:
                for table in _tables(session.code, kind):
                    writer.write_table(table)
    facts = _facts(recoded, untold, _chosen(recoded, authors, published))
    write_text(data / TRACE_FACTS, json.dumps(facts, indent=1, ensure_ascii=False) + "\n")
    dumps = sorted({digest for s in recoded.sessions for digest in _digests(s).values()})
    origins = tuple(f"sha256:{digest}" for digest in dumps)
    return (
        Made(TRACE_TABLE, PARQUET, "frames of the dumps that every row came from", origins, "trace"),
        Made(TRACE_FACTS, "application/json", "dumps, layouts, policy and version of every session", origins),
    )


def _facts(recoded: Recoded, untold: Mapping[str, list[str]], options: Mapping[str, Any]) -> dict[str, Any]:
    """What every number of a session depends on, by digest; and how the bundle was chosen."""
    return {
        "made_by": {"name": "sessiongate", "version": recoded.version},
        "policy": {"file": "policy.toml", "sha256": recoded.policy_sha256},
        "layouts": {
            code: {"file": f"layouts/{code}.toml", "hmac_sha256": digest}
            for code, (digest, _) in recoded.layouts.items()
        },
        "chosen": dict(options),
        "sessions": {session.code: _of_session(session, untold) for session in recoded.sessions},
    }


def _chosen(recoded: Recoded, authors: Sequence[str], published: str) -> dict[str, Any]:
    """Every option that the bundle depends on; all of it can be read elsewhere in the bundle, too."""
    wishes = recoded.wishes
    return {
        "sessions": wishes.sessions,
        "kept": sorted(wishes.keep),
        "formats": sorted(wishes.formats),
        "k": wishes.least,
        "licence": wishes.licence,
        "authors": list(authors),
        "published": published,
    }


def _of_session(session: RecodedSession, untold: Mapping[str, list[str]]) -> dict[str, Any]:
    return {
        "version": session.quality["made_by"]["version"],
        "policy_sha256": session.quality["made_by"]["policy_sha256"],
        "layouts": session.layout.split(";"),
        "dumps": dict(session.quality["made_by"]["dumps"]),
        "files": [f"recordings/{session.code}/samples{suffix}.parquet" for suffix in session.suffixes],
        "frames_not_told_of": untold.get(session.code, []),
    }


def _digests(session: RecodedSession) -> dict[str, str]:
    return {name: digest for name, digest in session.quality["made_by"]["dumps"].items() if digest}


def _kinds(picked: Picked, names: Names) -> tuple[list[_Kind], list[str]]:
    """Frames of each file of samples; and the files of which they are not kept: events, and too many."""
    held = picked.held
    digests = held.quality["made_by"]["dumps"]
    kinds, missing = [], ["events.parquet"] if held.events else []
    for suffix, path in held.samples.items():
        file = f"samples{suffix}.parquet"
        told = texts_of(pq.read_metadata(path).metadata)
        accounts = {key: text for key, text in told.items() if key.startswith(FRAMES)}
        if not accounts:
            missing.append(file)
        for key, text in sorted(accounts.items()):
            layout, _, frame = key.removeprefix(FRAMES).partition(":")
            kinds.append(
                _Kind(
                    file,
                    names.code("layout", layout),
                    _number(picked, layout, frame, names),
                    tuple(digests.get(dump, "") for dump in held.dumps[layout]),
                    unpacked(text),
                )
            )
    return kinds, missing


def _number(picked: Picked, layout: str, frame: str, names: Names) -> str:
    """``frame-1`` ..., as `pipeline.bundle.layout_copy` numbers the frames of a layout."""
    frames = tomllib.loads(names.gathered.layouts[layout][1])["frame"]
    called = [i for i, one in enumerate(frames, 1) if one.get("name") == frame]
    return f"frame-{called[0] if called else 1}"


def _tables(session: str, kind: _Kind) -> Iterator[pa.Table]:
    """Stretches of rows without a break, their frames one behind the other in one dump."""
    columns = _stretches(kind.account.columns)
    digests = np.array([*kind.dumps, ""], dtype=object)
    for start in range(0, len(columns["dump"]), _ROWS_AT_ONCE):
        part = {name: values[start : start + _ROWS_AT_ONCE] for name, values in columns.items()}
        n = len(part["dump"])
        texts = {"session": session, "file": kind.file, "layout": kind.layout, "frame": kind.frame}
        arrays = {name: pa.array([text] * n, pa.string()) for name, text in texts.items()}
        arrays["dump_sha256"] = pa.array(digests[part.pop("dump")], pa.string())
        arrays |= {name: pa.array(values) for name, values in part.items()}
        schema = arrow_schema(TRACE)
        yield pa.table([arrays[name] for name in schema.names], schema=schema)


def _stretches(told: Mapping[str, _Ints]) -> dict[str, _Ints]:
    """Frames, in the order of their rows, joined while row follows row and frame follows frame."""
    dump, n_bytes, n_rows = told["dump"], told["n_bytes"], told["n_rows"]
    if not len(dump):
        empty = np.empty(0, np.int64)
        return {"dump": empty} | {c.name: empty for c in TRACE if c.dtype == "int64"}
    byte = np.cumsum(told["skipped"] + n_bytes) - n_bytes
    row = np.cumsum(told["lost"] + n_rows) - n_rows
    number = _numbers(dump, byte)
    goes_on = (np.diff(dump) == 0) & (row[1:] == row[:-1] + n_rows[:-1]) & (np.diff(number) == 1)
    first = np.flatnonzero(np.concatenate(([True], ~goes_on)))
    last = np.concatenate((first[1:], [len(dump)])) - 1
    return {
        "dump": dump[first],
        "first_sample": row[first],
        "stop_sample": row[last] + n_rows[last],
        "first_frame": number[first],
        "stop_frame": number[last] + 1,
        "start_byte": byte[first],
        "stop_byte": byte[last] + n_bytes[last],
    }


def _numbers(dump: _Ints, byte: _Ints) -> _Ints:
    """Number of each frame among those of its dump, in the order of their bytes."""
    order = np.lexsort((byte, dump))
    sorted_dump = dump[order]
    begins = np.flatnonzero(np.concatenate(([True], np.diff(sorted_dump) != 0)))
    sizes = np.diff(np.concatenate((begins, [len(dump)])))
    number = np.empty(len(dump), np.int64)
    number[order] = np.arange(len(dump)) - np.repeat(begins, sizes)
    return number
