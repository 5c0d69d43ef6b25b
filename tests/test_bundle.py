"""A bundle of the invented demo: the same again, true samples, no names."""

import hmac
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from bundle_making import FEW, make, told
from conftest import REPOSITORY
from few import only

from pipeline.bundle.key import Key, check_no_other, read_key


@pytest.fixture(scope="module")
def bundle(demo_results, tmp_path_factory) -> Path:
    return make(demo_results, tmp_path_factory.mktemp("bundle") / "dataset", "--licence", "CC-BY-4.0")


@pytest.fixture(scope="module")
def key(bundle) -> Key:
    return read_key(bundle.with_name("dataset-key.csv"))


@pytest.fixture(scope="module")
def few(demo_results, tmp_path_factory) -> Path:
    """Results of three of the demo's sessions: accepted, accepted in part, rejected."""
    return only(demo_results, FEW, tmp_path_factory.mktemp("few") / "results")


def rows_of(bundle: Path, table: str = "sessions") -> list[dict]:
    return pq.read_table(bundle / f"data/{table}.parquet").to_pylist()


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# The same again


def test_same_results_and_key_give_the_same_bytes(few, tmp_path):
    wanted = ("--format", "csv,edf", "--sessions", "all", "--key", str(tmp_path / "key.csv"))
    first = files_of(make(few, tmp_path / "one", *wanted))
    key = (tmp_path / "key.csv").read_bytes()
    (tmp_path / "elsewhere").mkdir()
    moved = shutil.copytree(few, tmp_path / "elsewhere" / "moved")
    second = files_of(make(moved, tmp_path / "elsewhere" / "two", *wanted))
    assert first == second
    assert (tmp_path / "key.csv").read_bytes() == key


def test_one_key_for_one_study(few, tmp_path, capsys):
    make(few, tmp_path / "one")
    said = told(capsys, few, "--out", tmp_path / "two")
    assert "one-key.csv, a key of this study" in said
    assert "--key new" in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one", "one-key.csv"]
    check_no_other(tmp_path / "two-key.csv", ["another", "study"])
    make(few, tmp_path / "two", "--key", "new")
    shown = capsys.readouterr().out
    assert "calendar of the laboratory" in shown
    assert "records of a grid's" in (tmp_path / "two/data/README.md").read_text()
    assert read_key(tmp_path / "two-key.csv").secret != read_key(tmp_path / "one-key.csv").secret


def test_another_key_gives_other_codes_and_dates(few, bundle, tmp_path):
    other = make(few, tmp_path / "other")
    assert (tmp_path / "other-key.csv").read_bytes() != bundle.with_name("dataset-key.csv").read_bytes()
    starts = [{row["started_at"] for row in rows_of(one)} for one in (bundle, other)]
    assert starts[0] != starts[1]


def test_digests_of_layouts_need_the_key(bundle, key, demo_results):
    layouts = json.loads((demo_results / ".work/study.json").read_text())["layouts"]
    digests = [entry["sha256"] for entry in layouts.values()]
    told = json.loads((bundle / "data/trace.json").read_text())["layouts"]
    # HMAC by RFC 2104, from the standard library, here of the digest's text.
    keyed = [hmac.digest(bytes.fromhex(key.secret), one.encode(), "sha256").hex() for one in digests]
    assert {one["hmac_sha256"] for one in told.values()} == {*keyed}
    kept = b"".join(path.read_bytes() for path in bundle.rglob("*") if path.is_file())
    assert not [one for one in digests if one[:8].encode() in kept]
    assert all(one[:8] in (bundle / "data/methods.txt").read_text() for one in keyed)
    assert key.secret.encode() not in kept


# What it says


def test_intervals_are_kept_exactly(demo_results, bundle, key):
    true = {row["session"]: row for row in pq.read_table(demo_results / "sessions.parquet").to_pylist()}
    for row in rows_of(bundle):
        name = next(n for n, code in key.codes["session"].items() if code == row["session"])
        old = true[name]
        assert row["participant"] == key.codes["participant"][old["participant"]]
        moved = datetime.fromisoformat(row["started_at"]) - datetime.fromisoformat(old["started_at"])
        assert moved == timedelta(days=key.shifts[old["participant"]])
        assert (row["duration_s"], row["usable_intervals"]) == (old["duration_s"], old["usable_intervals"])


def test_samples_are_those_of_the_results(demo_results, bundle, key):
    for row in rows_of(bundle):
        name = next(n for n, code in key.codes["session"].items() if code == row["session"])
        for path in (bundle / f"data/recordings/{row['session']}").glob("*.parquet"):
            new, old = pq.read_table(path), pq.read_table(demo_results / name / path.name)
            if row["recording"] == "in_part":
                at = old.column("time_s").to_numpy()
                pairs = [part.split("-") for part in row["usable_intervals"].split(";")]
                inside = np.zeros(len(at), bool)
                for start, stop in pairs:
                    inside |= (at > float(start) + 0.01) & (at < float(stop) - 0.01)
                assert set(old.filter(pa.array(inside)).column("sample").to_pylist()) <= set(
                    new.column("sample").to_pylist()
                )
                old = old.filter(pa.compute.is_in(old.column("sample"), new.column("sample")))
            assert new.replace_schema_metadata(None).equals(old.replace_schema_metadata(None))
            said = [
                (f.metadata[b"scale"], f.metadata[b"offset"]) for f in new.schema if b"scale" in f.metadata
            ]
            told = [
                (f.metadata[b"scale"], f.metadata[b"offset"]) for f in old.schema if b"scale" in f.metadata
            ]
            assert said == told
            assert said


def test_metadata_of_samples_is_what_is_listed_and_nothing_else(bundle):
    for path in bundle.rglob("samples*.parquet"):
        schema = pq.read_schema(path)
        assert {key.decode() for key in schema.metadata} <= {
            *("session", "start_utc", "layout", "layout_hmac_sha256", "dumps_sha256", "policy_sha256"),
            *("sessiongate_version", "sample_hz", "nominal_hz", "clock_source", "clock_rows", "clock_s"),
        }
        assert path.parent.name.encode() == schema.metadata[b"session"]


@pytest.mark.parametrize(
    ("wanted", "whole", "in_part"), [("accepted", 1, 0), ("usable", 1, 1), ("all", 3, 0)]
)
def test_which_sessions_go_in(few, tmp_path, wanted, whole, in_part):
    made = make(few, tmp_path / "b", "--sessions", wanted)
    kept = [row["recording"] for row in rows_of(made)]
    assert (kept.count("whole"), kept.count("in_part")) == (whole, in_part)
    assert len(kept) == 3
    folders = {path.name for path in (made / "data/recordings").iterdir()}
    assert folders == {row["session"] for row in rows_of(made) if row["recording"] != "no"}
    rejected = [row for row in rows_of(made) if row["verdict"] == "reject"]
    assert [bool(row["reasons"] and row["sentence"]) for row in rejected] == [True]


def test_what_is_kept_by_name(few, tmp_path):
    made = make(few, tmp_path / "b", "--keep", "title,activities", "--keep", "time_zone,layouts!")
    assert "A pottery workshop (invented)" in (made / "data/flow.txt").read_text()
    assert {row["activity"] for row in rows_of(made, "activities")} >= {"wedging", "trimming"}
    # An offset would be that of the true date: it tells summer from winter.
    assert {row["started_at"][-1] for row in rows_of(made)} == {"Z"}
    assert "Kept without a search for names and dates: layouts." in (made / "data/README.md").read_text()
    texts = {path.read_text() for path in (made / "data/layouts").iterdir()}
    assert texts == {path.read_text() for path in (REPOSITORY / "demo_raw/layouts").iterdir()}


def test_times_are_utc_unless_asked_for(bundle):
    for row in rows_of(bundle):
        assert datetime.fromisoformat(row["started_at"]).tzinfo == UTC
