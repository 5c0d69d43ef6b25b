"""The recordings of a bundle: rewritten row group by row group, with what is listed here and nothing else."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.choose import Picked
from pipeline.bundle.fields import PARQUET, TABLES, texts_of
from pipeline.bundle.gather import Held
from pipeline.bundle.names import Names, neutral_unit
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from pipeline.errors import InputError, Problem
from pipeline.progress import Watch
from schemas.columns import SAMPLE, TIME

_OF_FILE = ("policy_sha256", "sessiongate_version", "sample_hz", "nominal_hz")
_OF_CLOCK = ("clock_source", "clock_rows", "clock_s")
_OF_CHANNEL = (
    *("kind", "scale", "offset", "sample_hz", "adc_min", "adc_max", "amplifier_low", "amplifier_high"),
    *("ac_corner_hz", "lowpass_hz"),
)
"""Metadata that is handed on: numbers, digests, and words from a closed set."""

IN_PART = "usable stretches"
"""In the description of a file that holds a session in part."""

_DESCRIPTIONS = {
    "field": "electric field sensed by the electrode, input-referred",
    "acceleration": "acceleration along an axis of the device, gravity included",
    "other": "what a further sensor of the device showed",
}


def write_recordings(
    recoded: Recoded, picked: Mapping[str, Picked], names: Names, data: Path, watch: Watch
) -> tuple[Made, ...]:
    """Write samples and events of every session that has a recording in the bundle.

    Parameters
    ----------
    recoded : Recoded
        The study.
    picked : mapping
        Code of a session -> the same before names were replaced: its files in the results.
    names : Names
        Codes, for the names of channels.
    data : Path
        The bundle's ``data``.
    watch : callable
        Called with the number of bytes of the results that were rewritten since it was called last.
    """
    return tuple(
        made
        for session in recoded.recorded
        for made in _write_session(session, picked[session.code].held, names, data, watch)
    )


def _write_session(
    session: RecodedSession, held: Held, names: Names, data: Path, watch: Watch
) -> Iterator[Made]:
    folder = data / "recordings" / session.code
    folder.mkdir(parents=True)
    digests = [digest for digest in dict.fromkeys(session.quality["made_by"]["dumps"].values()) if digest]
    layouts = [f"layouts/{code}.toml" for code in session.layout.split(";")]
    made_from = (*(f"sha256:{digest}" for digest in digests), *layouts, "policy.toml")
    how_much = "" if session.parts is None else f", {IN_PART}"
    for suffix, path in held.samples.items():
        out = folder / f"samples{suffix}.parquet"
        _rewrite(path, out, session, names, "samples", watch)
        said = f"samples of {session.code}{how_much}{suffix.replace('_', ', ').replace('hz', ' Hz')}"
        yield Made(_within(out, data), PARQUET, said, made_from, "samples")
    if held.events:
        out = folder / "events.parquet"
        _rewrite(held.events, out, session, names, "events", watch)
        yield Made(_within(out, data), PARQUET, f"events of {session.code}{how_much}", made_from, "events")


def _within(path: Path, data: Path) -> str:
    return path.relative_to(data).as_posix()


def _rewrite(
    source: Path,
    out: Path,
    session: RecodedSession,
    names: Names,
    table: str,
    watch: Watch,
) -> None:
    """Copy a file row group by row group under its new schema, cut to the session's parts."""
    try:
        file = pq.ParquetFile(source, pre_buffer=False)
        schema = recoded_schema(file.schema_arrow, session, names, table)
        with pq.ParquetWriter(out, schema, **_options(schema.names)) as writer:
            groups = file.num_row_groups
            for i in range(groups):
                group = file.read_row_group(i)
                kept = group.from_arrays(group.columns, schema=schema)
                if session.parts is not None:
                    kept = kept.filter(
                        pa.array(rows_inside(kept.column(TIME.name).to_numpy(), session.parts))
                    )
                if len(kept):
                    writer.write_table(kept, row_group_size=len(kept))
                watch(source.stat().st_size // groups)
    except pa.ArrowException as error:
        found = " ".join(str(error).split())
        raise InputError(
            [Problem(str(source), "", "a Parquet file of samples", found, "Run 'sessiongate run' again.")]
        ) from None


def rows_inside(
    time_s: npt.NDArray[np.float64], parts: Sequence[tuple[float, float]]
) -> npt.NDArray[np.bool_]:
    """Which times lie in one of the ascending, disjoint stretches [start, stop)."""
    edges = np.array(parts, np.float64).reshape(-1)
    inside: npt.NDArray[np.bool_] = np.searchsorted(edges, time_s, side="right") % 2 == 1
    return inside


def recoded_schema(old: pa.Schema, session: RecodedSession, names: Names, table: str) -> pa.Schema:
    """Schema of a file of ``samples`` or ``events`` as it leaves the house."""
    described = {column.name: column for column in TABLES[table]}
    fields = []
    for field in old:
        if field.name in described:
            column = described[field.name]
            about = {"unit": column.unit, "description": column.description}
            fields.append(pa.field(field.name, field.type, field.nullable, about))
        else:
            fields.append(
                pa.field(names.channel(field.name), field.type, field.nullable, _about(field, names))
            )
    return pa.schema(fields, _metadata(texts_of(old.metadata), session, names))


def _about(field: pa.Field, names: Names) -> dict[str, str]:
    """What is said of a channel."""
    old = texts_of(field.metadata)
    kept = {key: old[key] for key in _OF_CHANNEL if key in old}
    description = old.get("description", "")
    if not names.passes("descriptions", description):
        description = ""
    described = description or _DESCRIPTIONS.get(kept.get("kind", ""), _DESCRIPTIONS["other"])
    return {"unit": neutral_unit(old.get("unit", "")), "description": described, **kept}


def _metadata(old: Mapping[str, str], session: RecodedSession, names: Names) -> dict[str, str]:
    """What is said of a file."""
    dumps = session.quality["made_by"]["dumps"]
    new = {
        "session": session.code,
        "start_utc": session.started_at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "layout": session.layout.replace(";", " "),
        "dumps_sha256": " ".join(f"{digest}  {dump}" for dump, digest in dumps.items() if digest),
        **{key: old[key] for key in (*_OF_FILE, *_OF_CLOCK) if key in old},
    }
    if "layout_sha256" in old:
        new["layout_hmac_sha256"] = names.key.keyed(old["layout_sha256"])
    if "delays_s" in old:
        new["delays_s"] = names.channels_in(old["delays_s"])
    return new


def _options(columns: Sequence[str]) -> dict[str, Any]:
    """Encodings as in the results: times step evenly, samples are few distinct values."""
    encoding = {SAMPLE.name: "DELTA_BINARY_PACKED", TIME.name: "BYTE_STREAM_SPLIT"}
    return {
        "compression": "zstd",
        "compression_level": 1,
        "use_dictionary": [name for name in columns if name not in encoding],
        "column_encoding": {name: encoding[name] for name in columns if name in encoding},
    }
