"""The demo from end to end: verdicts, findings and files against what was planted in it.

The truth is ``demo_raw/planted.csv``, written by the script that made the dumps, not by the pipeline.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from schemas.columns import EXCLUSIONS, FINDINGS, SESSIONS
from schemas.conditions import BY_NAME, CONDITIONS, FAULT_MASK
from schemas.tables import pandera_schema

DEMO = Path(__file__).parent.parent / "demo_raw"

with (DEMO / "planted.csv").open(encoding="utf-8", newline="") as _file:
    PLANTED = list(csv.DictReader(_file))
EXPECTED = {row["session"]: row["expected_verdict"] for row in PLANTED}
INTERVALS = [row for row in PLANTED if row["condition"]]

# Conditions that follow from another planted one: an overload settles, an open electrode picks up mains
# and knocks against the rails as it comes off and on, and a dump cut short ends before its activity log.
FOLLOWS = {
    "saturated": {"settling"},
    "contact_loss": {"settling", "mains", "saturated"},
}


def quality_of(results: Path, session: str) -> dict:
    return json.loads((results / session / "quality.json").read_text(encoding="utf-8"))


def samples_of(results: Path, session: str) -> pd.DataFrame:
    return pd.read_parquet(results / session / "samples.parquet", columns=["time_s", "quality"])


@pytest.mark.parametrize("session", EXPECTED)
def test_verdict_is_as_planted(demo_results, session):
    assert quality_of(demo_results, session)["verdict"] == EXPECTED[session]


@pytest.mark.parametrize(
    "row", INTERVALS, ids=lambda row: f"{row['session']}-{row['condition']}-{row['start_s']}"
)
def test_planted_interval_is_marked(demo_results, row):
    """Most of each planted interval carries its bit.

    Rails are met in part of an overload, low coupling shows only while the wearer moves, damaged frames leave
    good ones between them, and somebody who passes is plain for the middle of the passage.
    """
    samples = samples_of(demo_results, row["session"])
    inside = samples[(samples.time_s >= float(row["start_s"])) & (samples.time_s < float(row["stop_s"]))]
    least = {"saturated": 0.3, "uncorroborated": 0.5, "low_coupling": 0.7}.get(row["condition"], 0.9)

    assert ((inside.quality & BY_NAME[row["condition"]].mask) > 0).mean() >= least


@pytest.mark.parametrize("session", EXPECTED)
def test_nothing_else_is_marked(demo_results, session):
    """Outside what was planted, and what follows from it, hardly a sample carries a fault's bit."""
    samples = samples_of(demo_results, session)
    planted = {row["condition"] for row in INTERVALS if row["session"] == session}
    expected = planted | {name for condition in planted for name in FOLLOWS.get(condition, ())}

    for condition in CONDITIONS:
        marked = (samples.quality & condition.mask) > 0
        if condition.name not in expected:
            # Radio loss of less than one per cent stands in some sessions that are otherwise clean.
            assert marked.mean() <= (0.01 if condition.name == "lost" else 0.0), condition.name


@pytest.mark.parametrize(
    "row", INTERVALS, ids=lambda row: f"{row['session']}-{row['condition']}-{row['start_s']}"
)
def test_marks_end_where_the_planted_interval_ends(demo_results, row):
    """Marks of a planted condition stay within two seconds of the planted intervals."""
    samples = samples_of(demo_results, row["session"])
    near = np.zeros(len(samples), bool)
    for other in INTERVALS:
        if (other["session"], other["condition"]) == (row["session"], row["condition"]):
            near |= (samples.time_s >= float(other["start_s"]) - 2) & (
                samples.time_s < float(other["stop_s"]) + 2.5
            )
    outside = (samples.quality[~near] & BY_NAME[row["condition"]].mask) > 0

    assert outside.sum() <= (0.01 if row["condition"] == "lost" else 0.0) * len(samples)


@pytest.mark.parametrize("session", [name for name, verdict in EXPECTED.items() if verdict == "accept"])
def test_clean_sessions_have_no_fault_and_no_warning(demo_results, session):
    findings = pq.read_table(demo_results / session / "findings.parquet").to_pylist()

    assert [f["explanation"] for f in findings if f["severity"] != "note"] == []


def test_damp_soles_are_a_note_and_no_lost_electrode(demo_results):
    quality = quality_of(demo_results, "throw-04")

    assert quality["verdict"] == "accept"
    assert quality["conditions"]["contact_loss"]["samples"] == 0
    assert quality["conditions"]["low_coupling"]["seconds"] > 60


@pytest.mark.parametrize("session", EXPECTED)
def test_ledger_sums_to_the_file_sizes(demo_results, session):
    for name, ledger in quality_of(demo_results, session)["ledger"].items():
        assert sum(ledger.values()) == (DEMO / name).stat().st_size


@pytest.mark.parametrize("session", EXPECTED)
def test_usable_intervals_hold_only_short_faults(demo_results, session):
    """A fault longer than a second never lies in a usable interval."""
    samples = samples_of(demo_results, session)
    for start_s, stop_s in quality_of(demo_results, session)["usable"]:
        faulty = (samples.quality[(samples.time_s >= start_s) & (samples.time_s < stop_s)] & FAULT_MASK) > 0
        runs = faulty.groupby((faulty != faulty.shift()).cumsum()).agg(["first", "size"])
        longest = runs.loc[runs["first"], "size"].max() if runs["first"].any() else 0
        rate_hz = (len(samples) - 1) / (samples.time_s.iloc[-1] - samples.time_s.iloc[0])
        assert longest <= 1.0 * rate_hz + 1


def test_results_hold_what_the_format_promises(demo_results):
    names = {"index.html", "sessions.parquet", "sessions.csv", "exclusions.csv", "run.json"}
    names |= {"margins.csv", "signal.csv", "flow.svg", "flow.txt", "methods.txt"}
    own = {"samples.parquet", "findings.parquet", "quality.json", "report.html"}

    assert names <= {path.name for path in demo_results.iterdir()}
    for session in EXPECTED:
        assert own <= {path.name for path in (demo_results / session).iterdir()}


def test_tables_hold_against_their_schemas(demo_results):
    sessions = pq.read_table(demo_results / "sessions.parquet")
    pandera_schema(SESSIONS).validate(sessions.to_pandas(), lazy=True)
    for session in EXPECTED:
        findings = pq.read_table(demo_results / session / "findings.parquet")
        pandera_schema(FINDINGS).validate(findings.to_pandas(), lazy=True)

    assert sessions.column("session").to_pylist() == list(EXPECTED)
    with (demo_results / "sessions.csv").open(encoding="utf-8", newline="") as file:
        assert [row["verdict"] for row in csv.DictReader(file)] == sessions.column("verdict").to_pylist()


def test_exclusions_are_what_is_not_usable(demo_results):
    """Excluded and usable time of a session make up its duration."""
    with (demo_results / "exclusions.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        rows = list(reader)

    assert reader.fieldnames == [column.name for column in EXCLUSIONS]
    assert {row["session"] for row in rows} == {s for s, verdict in EXPECTED.items() if verdict != "accept"}
    for session in {row["session"] for row in rows if row["verdict"] == "accept_in_part"}:
        quality = quality_of(demo_results, session)
        out_s = sum(float(r["stop_s"]) - float(r["start_s"]) for r in rows if r["session"] == session)
        in_s = sum(stop - start for start, stop in quality["usable"])
        assert out_s + in_s == pytest.approx(quality["duration_s"])


def test_samples_carry_units_hashes_and_start(demo_results):
    schema = pq.read_schema(demo_results / "throw-01" / "samples.parquet")
    metadata = {key.decode(): value.decode() for key, value in schema.metadata.items()}

    assert schema.names == ["sample", "time_s", "field", "acc_x", "acc_y", "acc_z", "quality"]
    assert str(schema.field("quality").type) == "uint32"
    assert schema.field("field").metadata[b"unit"] == b"V"
    assert schema.field("acc_x").metadata[b"unit"] == b"m/s2"
    assert metadata["start_utc"].endswith("Z")
    for key in ("layout_sha256", "policy_sha256"):
        assert len(metadata[key]) == 64
    assert "dumps/" in metadata["dumps_sha256"]


def test_run_record_counts_verdicts(demo_results):
    run = json.loads((demo_results / "run.json").read_text(encoding="utf-8"))

    assert sum(run["counts"].values()) == len(EXPECTED)
    assert run["sessions"] == EXPECTED
    assert run["started"] <= run["finished"]


def test_the_readmes_example_of_reading_results(demo_results):
    """The Python of the README runs as it stands, and gives whole codes of the converter."""
    readme = (DEMO.parent / "README.md").read_text(encoding="utf-8")
    code = readme.split("```python")[1].split("```")[0].replace('"results/', f'"{demo_results.as_posix()}/')
    names: dict = {}

    exec(code, names)  # noqa: S102

    assert 110 < len(names["clean"]) / 125 < 120
    assert names["codes"].between(0, 1023).all()
