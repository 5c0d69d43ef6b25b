"""The examples in a bundle are run as its reader would, and give what NumPy gives on invented recordings.

R is run where there is one: on nanoparquet or arrow if it has them, else on the CSV files. The SQL for any
database is run by SQLite, which is part of Python.
"""

import csv
import re
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from pipeline.bundle.as_csv import write_csv
from pipeline.bundle.first_steps import EXAMPLES, OVER_CSV, held_back, write_examples
from pipeline.bundle.recoded import RecodedActivity, RecodedSession, Wishes
from schemas.conditions import FAULT_MASK
from tests.bundle_recordings import CHANNELS, LOG, Rows, rows_of, session, study_of, write_rows, write_tables
from tests.make import FIELD, acceleration_axes

PARTS = ((2.0, 7.5), (9.5, 10.75), (11.25, 21.0))
OTHER = (replace(FIELD, name="strap"), *acceleration_axes())


def sessions() -> list[RecodedSession]:
    """Three participants: a recording in part, of another device, not to be used; no recording; no log."""
    made = [session(number) for number in range(1, 9)]
    made[1] = replace(made[1], parts=PARTS)
    made[3] = replace(made[3], has_recording=False, suffixes=())
    made[6] = replace(made[6], participant="P03", activities=())
    made[7] = replace(made[7], participant="P01", use="no")
    return made


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("a bundle") / "data"
    folder.mkdir()
    all_sessions = sessions()
    write_tables(folder, all_sessions)
    for number, one in enumerate(all_sessions):
        if one.has_recording:
            channels = OTHER if number == 2 else CHANNELS
            rows = rows_of(channels, number, parts=one.parts or ())
            write_rows(folder / f"recordings/{one.code}/samples.parquet", channels, rows)
    study = study_of(all_sessions)
    made = (*write_csv(study, folder), *write_examples(study, folder))
    assert {f"examples/{name}" for name, *_ in EXAMPLES} < {one.path for one in made}
    return folder


def wanted() -> str:
    """Both tables, made from the counts of the recordings without reading a file."""
    rows = rows_of(CHANNELS, 0)
    clean = ((rows.quality & FAULT_MASK) == 0) & rows.present
    lines = [
        "session,samples,clean",
        f"S001,{len(clean)},{clean.sum()}",
        "split,intensity,windows,peak_to_peak",
    ]
    peaks: dict[tuple[str, str], list[float]] = {}
    for number, one in enumerate(sessions()):
        if one.has_recording and one.use != "no" and number != 2:
            split = "test" if one.participant == "P03" else "train"
            for activity in one.activities:
                found = _windows(rows_of(CHANNELS, number, parts=one.parts or ()), activity)
                peaks.setdefault((split, activity.intensity), []).extend(found)
    for (split, intensity), values in sorted(peaks.items()):
        if values:
            lines.append(f"{split},{intensity},{len(values)},{np.mean(values):.5f}")
    return "\n".join(lines) + "\n"


def _windows(rows: Rows, activity: RecodedActivity) -> list[float]:
    """Peak to peak of each clean window: 2 s at 250 Hz are 500 samples, or one fewer by where they fall."""
    volts = np.float32(rows.counts[:, 0] * FIELD.scale + FIELD.offset).astype(float)
    clean = ((rows.quality & FAULT_MASK) == 0) & rows.present
    found = []
    for start in np.arange(activity.start_s, activity.stop_s - 2 + 1e-9, 2):
        inside = np.flatnonzero((rows.time_s >= start) & (rows.time_s < start + 2))
        if len(inside) >= 499 and np.ptp(rows.sample[inside]) == len(inside) - 1 and clean[inside].all():
            found.append(np.ptp(volts[inside]))
    return found


def test_there_is_something_to_find() -> None:
    lines = wanted().splitlines()
    assert len(lines) == 3 + 6  # both sides have windows of arm, body and rest
    assert all(int(line.split(",")[2]) > 0 for line in lines[3:])


@pytest.mark.parametrize("name", [name for name, *_ in EXAMPLES if name.endswith(".py")])
def test_python(data: Path, name: str) -> None:
    """With warnings as errors, so that it still runs when what is deprecated now is gone."""
    assert _run([sys.executable, "-W", "error", f"examples/{name}"], data) == wanted()


def test_duckdb_from_a_shell(data: Path) -> None:
    """Statement by statement, from the dataset's folder, as DuckDB's own command does."""
    script = "import duckdb, sys; [duckdb.execute(s) for s in sys.stdin.read().split(';\\n')]"
    sql = (data / "examples/with_duckdb.sql").read_text()
    assert _run([sys.executable, "-c", script], data, sql) == ""


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="there is no R")
def test_r(data: Path) -> None:
    assert _run(["Rscript", "--vanilla", "examples/with_r.R"], data) == wanted()


def test_any_database(data: Path) -> None:
    """By SQLite; step 1, which differs by database, is done as the comments in it say."""
    text = (data / "examples/any_database.sql").read_text()
    shown: list[str] = []
    with sqlite3.connect(":memory:") as database:
        for statement in re.sub(r"--.*", "", text).split(";"):
            if "INSERT INTO samples" in statement:
                _load_all(database, statement, data)
            elif statement.strip():
                found = database.execute(statement)
                if found.description:
                    shown.append(",".join(column[0] for column in found.description))
                    shown += [",".join(map(_shown, row)) for row in found]
    assert "\n".join(shown) + "\n" == wanted()


def _load_all(database: sqlite3.Connection, insert: str, data: Path) -> None:
    _load(database, "activities", data / "csv/activities.csv")
    for path in sorted((data / "csv").glob("S*/samples.csv")):
        if path.parent.name not in ("S003", "S008"):  # another device, and one not to be used
            _load(database, "one", path)
            database.execute('UPDATE one SET "field" = NULL WHERE "field" = \'\'')
            database.execute(insert.replace("'S001'", f"'{path.parent.name}'"))
            database.execute("DELETE FROM one")


def _load(database: sqlite3.Connection, table: str, path: Path) -> None:
    with path.open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    database.executemany(f"INSERT INTO {table} VALUES ({','.join('?' * len(head))})", rows)  # noqa: S608


def _shown(value: object) -> str:
    return f"{value:.5f}" if isinstance(value, float) else str(value)


def _run(command: list[str], folder: Path, given: str = "") -> str:
    done = subprocess.run(command, cwd=folder, input=given, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_examples_write_nothing(data: Path) -> None:
    before = {path: path.read_bytes() for path in data.rglob("*") if path.is_file()}
    for name in ("with_pandas.py", "with_duckdb.py"):
        _run([sys.executable, f"examples/{name}"], data)
    assert {path: path.read_bytes() for path in data.rglob("*") if path.is_file()} == before


def test_no_mark_is_left(data: Path) -> None:
    for name, *_ in EXAMPLES:
        text = (data / "examples" / name).read_text()
        assert not re.search(r"@[A-Z_]+@", text), name
        assert max(map(len, text.splitlines())) < 140, name


def test_nobody_is_on_both_sides() -> None:
    made = [session(number, participant=f"P{number % 4}") for number in range(1, 13)]
    test = held_back(made)
    people = [{one.participant for one in made if (one.code in test) is side} for side in (True, False)]
    assert len(test) == 3
    assert not people[0] & people[1]


def test_of_two_participants_sessions_are_split() -> None:
    made = [session(number, participant=f"P{number % 2}") for number in range(1, 8)]
    assert held_back(made) == ("S003", "S006")
    assert held_back(made[:2]) == ()


def test_one_session_alone_is_for_training(tmp_path: Path) -> None:
    one = session(1, activities=LOG)
    write_tables(tmp_path, [one])
    write_rows(tmp_path / "recordings/S001/samples.parquet", CHANNELS, rows_of(CHANNELS, 0))
    write_examples(study_of([one]), tmp_path)
    printed = {
        _run([sys.executable, f"examples/{name}"], tmp_path) for name, *_ in EXAMPLES if name.endswith(".py")
    }
    assert len(printed) == 1
    assert "test," not in printed.pop()


def test_without_a_recording_there_is_no_example(tmp_path: Path) -> None:
    assert write_examples(study_of([session(1, has_recording=False, suffixes=())]), tmp_path) == ()
    assert not list(tmp_path.iterdir())


def test_without_csv_files_nothing_is_there_that_needs_them(tmp_path: Path) -> None:
    write_rows(tmp_path / "recordings/S001/samples.parquet", CHANNELS, rows_of(CHANNELS, 0))
    study = study_of([session(1, activities=LOG)])
    made = write_examples(replace(study, wishes=Wishes()), tmp_path)
    assert {name for name, *_ in EXAMPLES} - {one.path.removeprefix("examples/") for one in made} == {
        OVER_CSV
    }
    texts = {one.path: (tmp_path / one.path).read_text() for one in made}
    assert OVER_CSV not in "".join(texts.values())
    assert "csv/" not in texts["examples/README.md"]
    assert "# Needs the package nanoparquet or arrow.\n" in texts["examples/with_r.R"]


def test_the_table_of_the_log_is_as_the_bundle_has_it(data: Path) -> None:
    columns = pq.read_schema(data / "activities.parquet").names
    assert columns == ["session", "start_s", "stop_s", "activity", "intensity"]
