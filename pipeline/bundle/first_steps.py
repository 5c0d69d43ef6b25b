"""Examples that go into a bundle: the same first steps in several languages."""

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from pipeline.recording import Recording, open_recording
from pipeline.writing import write_text

OVER_CSV = "any_database.sql"
"""Reads CSV files and nothing else: it is left out of a bundle without them."""

R_NEEDS = {
    True: "the package nanoparquet or arrow; without either of them the folder csv/",
    False: "the package nanoparquet or arrow",
}
"""Whether a bundle has CSV files -> what R needs."""

EXAMPLES = (
    ("README.md", "text/markdown", "what the examples do, and why so"),
    ("with_pandas.py", "text/x-python", "first steps with pandas"),
    ("with_polars.py", "text/x-python", "first steps with polars"),
    ("with_duckdb.py", "text/x-python", "first steps with DuckDB from Python"),
    ("with_duckdb.sql", "application/sql", "first steps in the SQL of DuckDB"),
    ("with_r.R", "text/plain", "first steps with R"),
    (OVER_CSV, "application/sql", "first steps in plain SQL over the CSV files"),
)
"""File, media type and what it is."""


def write_examples(recoded: Recoded, folder: Path) -> tuple[Made, ...]:
    """Write ``examples/``, made out for a session and a channel that this bundle has.

    Parameters
    ----------
    recoded : Recoded
        The study.
    folder : Path
        The bundle's ``data``, with the recordings in place.

    Returns
    -------
    tuple of Made
        None where there is no recording; none over CSV files where those were not asked for.
    """
    there = [session for session in recoded.recorded if "" in session.suffixes]
    if not there:
        return ()
    used = [session for session in there if session.use != "no"]
    shown = next((session for session in used if session.activities), there[0])
    recording = open_recording(folder / "recordings" / shown.code / "samples.parquet")
    has_csv = "csv" in recoded.wishes.formats
    words = _words(shown, recording, held_back(used)) | {"R_NEEDS": R_NEEDS[has_csv]}
    made = []
    for name, media_type, description in EXAMPLES:
        if name == OVER_CSV and not has_csv:
            continue
        text = (files("pipeline.bundle") / "examples" / name).read_text(encoding="utf-8")
        if name == "README.md" and not has_csv:
            text = "".join(line for line in text.splitlines(keepends=True) if OVER_CSV not in line)
        for mark, word in words.items():
            text = text.replace(f"@{mark}@", word)
        write_text(folder / "examples" / name, text)
        made.append(Made(f"examples/{name}", media_type, description))
    return tuple(made)


def held_back(sessions: Sequence[RecodedSession]) -> tuple[str, ...]:
    """Codes of the test set: sessions of every third participant; of under three, every third session."""
    people = sorted({session.participant for session in sessions})
    if len(people) < 3:
        return tuple(sorted(session.code for session in sessions)[2::3])
    return tuple(sorted(session.code for session in sessions if session.participant in people[2::3]))


def _words(shown: RecodedSession, recording: Recording, test: Sequence[str]) -> dict[str, str]:
    """What stands for the marks in the texts."""
    channels = recording.channels
    channel = next((one for one in channels if one.kind == "field"), channels[0])
    columns = ["sample BIGINT", "time_s DOUBLE PRECISION"]
    columns += [f'"{one.name}" DOUBLE PRECISION' for one in channels]
    return {
        "SESSION": shown.code,
        "CHANNEL": channel.name,
        "UNIT": channel.unit,
        "TEST": " ".join(test),
        # An empty list is no SQL: a name that no session has stands for it.
        "TEST_LIST": ", ".join(f"'{code}'" for code in test or ("none",)),
        "COLUMNS": ",\n                  ".join([*columns, "quality INTEGER"]),
    }
