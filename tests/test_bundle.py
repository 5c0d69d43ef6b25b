"""A bundle of the invented demo: the same again, true samples, no names, and a message for every mistake."""

import hmac
import json
import os
import random
import shutil
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import REPOSITORY
from few import only
from small import wait_for

from pipeline.bundle.key import (
    EMPTY,
    LEAST_SHIFT_DAYS,
    MOST_SHIFT_DAYS,
    Key,
    check_no_other,
    extended,
    read_key,
    write_key,
)
from pipeline.cli import main
from pipeline.errors import InputError

FEW = ("throw-02", "kiln-06", "kiln-05")


def make(results: Path, out: Path, *more: str) -> Path:
    assert main(["bundle", str(results), "--out", str(out), *more]) == 0
    return out


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


def test_a_key_is_extended_and_stays_as_it_is():
    dice = random.Random(7)
    first = extended(EMPTY, {"participant": ["Ana", "Bo"]}, {"activity": {"wedging": "arm"}}, dice)
    second = extended(
        first,
        {"participant": ["Ana", "Bo", "Cy"]},
        {"activity": {"wedging": "arm", "throwing": "arm"}, "channel": {"jane": "field"}},
        dice,
    )
    assert first.codes["participant"].items() <= second.codes["participant"].items()
    assert second.codes["participant"]["Cy"] not in first.codes["participant"].values()
    assert second.codes["activity"] == {"wedging": "arm-1", "throwing": "arm-2"}
    assert second.codes["channel"] == {"jane": "field_1"}
    assert first.shifts.items() <= second.shifts.items()


def test_codes_are_dealt_in_any_order_and_shifts_differ():
    names = [f"p{n:02d}" for n in range(30)]
    keys = [extended(EMPTY, {"participant": names}, {}, random.Random(seed)) for seed in range(3)]
    orders = [sorted(names, key=key.codes["participant"].get) for key in keys]
    assert len({tuple(order) for order in orders}) == 3
    shifts = np.array([[*key.shifts.values()] for key in keys])
    assert len(np.unique(shifts)) > 80
    assert shifts.min() >= -MOST_SHIFT_DAYS
    assert shifts.max() <= -LEAST_SHIFT_DAYS
    # without a seed it is the system's randomness: no two keys alike
    assert extended(EMPTY, {"participant": names}, {}) != extended(EMPTY, {"participant": names}, {})


def test_codes_that_are_added_stand_anywhere():
    first = extended(EMPTY, {"session": [f"s{n}" for n in range(20)]}, {}, random.Random(1))
    grown = [extended(first, {"session": ["late"]}, {}, random.Random(seed)) for seed in range(300)]
    numbers = [int(key.codes["session"]["late"][1:]) for key in grown]
    assert np.histogram(numbers, 4, (1, 999))[0].min() > 300 / 4 / 2
    many = extended(EMPTY, {"session": [f"s{n}" for n in range(400)]}, {}, random.Random(1))
    assert len({*many.codes["session"].values()}) == 400


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


def test_a_key_comes_back_whatever_names_hold(tmp_path):
    names = ["plain", 'quo"ted', "com,ma", "line\nbreak", "ünï", "=1+1", " "]
    key = extended(EMPTY, {"participant": names, "site": names}, {"activity": dict.fromkeys(names, "rest")})
    write_key(tmp_path / "key.csv", key)
    assert read_key(tmp_path / "key.csv") == key
    assert (tmp_path / "key.csv").stat().st_mode & 0o777 == 0o600


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


# Mistakes


def told(capsys, *arguments: object) -> str:
    assert main(["bundle", *map(str, arguments)]) == 2
    said = capsys.readouterr().err
    assert ": expected " in said or ", " in said
    assert "Traceback" not in said
    return said


@pytest.mark.parametrize(
    ("spoil", "found"),
    [
        (lambda r: shutil.rmtree(r), "no such folder"),
        (lambda r: (r / "run.json").unlink(), "a run that did not finish"),
        (lambda r: (r / ".work/study.json").unlink(), "an older version made them"),
        (lambda r: (r / "run.json").write_text("{"), "JSON as a run writes it"),
        (lambda r: (r / "run.json").write_text("[]"), "JSON as a run writes it"),
        (lambda r: (r / "run.json").write_text("{}"), "do not hold together"),
        (lambda r: (r / "throw-02/quality.json").unlink(), "no such file"),
        (lambda r: (r / "throw-02/samples.parquet").unlink(), "no such file"),
        (lambda r: (r / "throw-02/findings.parquet").write_bytes(b"PAR1"), "a Parquet file"),
        (lambda r: (r / "throw-02/samples.parquet").write_bytes(b"PAR1"), "a Parquet file of samples"),
        (lambda r: _changed(r, "throw-02", verdict="reject"), "another run"),
        (lambda r: _changed(r, "throw-02", measures="none"), "do not hold together"),
    ],
)
def test_results_that_are_none(few, tmp_path, capsys, spoil, found):
    results = shutil.copytree(few, tmp_path / "results")
    spoil(results)
    assert found in told(capsys, results, "--out", tmp_path / "b")
    assert [*tmp_path.glob("*b*")] == []


def _changed(results: Path, session: str, **more: str) -> None:
    path = results / session / "quality.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **more}))


def test_a_run_at_work_is_waited_for(few, tmp_path, capsys):
    results = shutil.copytree(few, tmp_path / "results")
    sleeper = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        from pipeline.holding import claim

        claim(results / ".work" / "run.lock", sleeper.pid)
        assert f"process {sleeper.pid}" in told(capsys, results, "--out", tmp_path / "b")
    finally:
        sleeper.kill()
        sleeper.wait()
    assert main(["bundle", str(results), "--out", str(tmp_path / "b")]) == 0


def test_a_study_or_a_bundle_is_no_results_folder(bundle, tmp_path, capsys):
    assert "a study folder" in told(capsys, REPOSITORY / "demo_raw", "--out", tmp_path / "b")
    assert "a bundle" in told(capsys, bundle, "--out", tmp_path / "b")
    assert "run.json" in told(capsys, tmp_path, "--out", tmp_path.parent / "b")


def test_places_that_cannot_be(few, bundle, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for taken in (bundle, tmp_path / "file", tmp_path / "link", tmp_path):
        assert "a name that is free" in told(capsys, few, "--out", taken)
    assert "no such folder" in told(capsys, few, "--out", tmp_path / "no" / "b")
    assert "inside the results" in told(capsys, few, "--out", few / "b")
    out = tmp_path / "b"
    assert "inside the bundle" in told(capsys, few, "--out", out, "--key", out / "k.csv")
    (tmp_path / "b.part").mkdir()
    (tmp_path / "b.part" / "own").write_text("mine")
    assert "something of that name" in told(capsys, few, "--out", out)
    assert (tmp_path / "b.part" / "own").read_text() == "mine"


@pytest.mark.parametrize(
    ("option", "value", "expected"),
    [
        ("--keep", "titel", "title"),
        ("--keep", "column:age", "some of title"),
        ("--format", "xlsx", "some of csv, edf"),
        ("--published", "2026-02-30", "YYYY-MM-DD"),
        ("--published", "today", "YYYY-MM-DD"),
        ("--licence", "CC-BY", "SPDX"),
        ("--author", " ", "a name"),
    ],
)
def test_options_that_cannot_be(few, tmp_path, capsys, option, value, expected):
    assert expected in told(capsys, few, "--out", tmp_path / "b", option, value)
    assert [*tmp_path.iterdir()] == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "begins with 'kind,name,code,shift_days'"),
        ("session,participant\n", "begins with"),
        ("kind,name,code,shift_days\nplace,a,b,\n", "as kind"),
        ("kind,name,code,shift_days\nsite,a,../x,\n", "a code of letters"),
        ("kind,name,code,shift_days\nsite,a,L01,\nsite,b,L01,\n", "each code once"),
        ("kind,name,code,shift_days\nparticipant,p1,P01,soon\n", "whole days"),
        ("kind,name,code,shift_days\nsite,a\n", "4 columns"),
        ('kind,name,code,shift_days\nsite,"a', "4 columns"),
        (b"\xff\xfe\0", "a key of"),
    ],
)
def test_keys_that_are_none(few, tmp_path, capsys, text, expected):
    key = tmp_path / "b-key.csv"
    key.write_bytes(text if isinstance(text, bytes) else text.encode())
    before = key.read_bytes()
    assert expected in told(capsys, few, "--out", tmp_path / "b")
    assert key.read_bytes() == before


def test_nothing_accepted_is_no_bundle(few, tmp_path, capsys):
    results = shutil.copytree(few, tmp_path / "results")
    run = json.loads((results / "run.json").read_text())
    run["sessions"] = dict.fromkeys(run["sessions"], "reject")
    (results / "run.json").write_text(json.dumps(run))
    for name in run["sessions"]:
        _changed(results, name, verdict="reject")
    assert "a session to hand on" in told(capsys, results, "--out", tmp_path / "b")


# Interrupted


def _begun(results: Path, out: Path, **more: object) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "pipeline.cli", "bundle", str(results), "--out", str(out)]
    command += ["--format", "csv,edf"]
    making = subprocess.Popen(
        command, cwd=REPOSITORY, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **more
    )
    wait_for(lambda: list(out.parent.glob("b.part/data/recordings/*/*.parquet")))
    return making


def test_killed_it_leaves_no_half_bundle(few, tmp_path):
    making = _begun(few, tmp_path / "b")
    making.send_signal(signal.SIGKILL)
    making.wait()
    assert not (tmp_path / "b").exists()
    assert (tmp_path / "b.part").exists()
    make(few, tmp_path / "b")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b", "b-key.csv"]
    assert main(["verify", str(tmp_path / "b")]) == 0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_it_leaves_nothing(few, tmp_path, number):
    making = _begun(few, tmp_path / "b")
    making.send_signal(number)
    making.wait()
    assert making.returncode == 130
    assert [*tmp_path.iterdir()] == []


def test_two_at_once_do_not_share_a_folder(few, tmp_path, capsys):
    making = _begun(few, tmp_path / "b")
    making.send_signal(signal.SIGSTOP)
    try:
        assert "nobody else makes" in told(capsys, few, "--out", tmp_path / "b")
    finally:
        making.send_signal(signal.SIGCONT)
    making.wait()
    assert making.returncode == 0


def test_results_that_change_meanwhile_give_no_bundle(few, tmp_path, capsys, monkeypatch):
    results = shutil.copytree(few, tmp_path / "results")

    def rerun(recoded, sources, names, data, watch):
        (results / "run.json").write_text((results / "run.json").read_text() + " ")
        return original(recoded, sources, names, data, watch)

    from pipeline.bundle import make as module

    original = module.write_recordings
    monkeypatch.setattr(module, "write_recordings", rerun)
    assert "a run that changed them" in told(capsys, results, "--out", tmp_path / "b")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["results"]


# A reader that has had enough, and no terminal


def test_nobody_listening_stops_no_bundle(few, tmp_path):
    reading, writing = os.pipe()
    os.close(reading)
    command = [
        sys.executable,
        "-m",
        "pipeline.cli",
        "bundle",
        str(few),
        "--out",
        str(tmp_path / "b"),
    ]
    done = subprocess.run(command, cwd=REPOSITORY, stdout=subprocess.DEVNULL, stderr=writing)
    os.close(writing)
    assert done.returncode == 0
    assert (tmp_path / "b" / "bagit.txt").exists()


def test_times_are_utc_unless_asked_for(bundle):
    for row in rows_of(bundle):
        assert datetime.fromisoformat(row["started_at"]).tzinfo == UTC


def test_a_broken_key_is_told_in_full(tmp_path):
    (tmp_path / "key.csv").write_text("kind,name,code,shift_days\nsite,a\nplace,b,c,\n")
    with pytest.raises(InputError) as raised:
        read_key(tmp_path / "key.csv")
    assert len(raised.value.problems) == 2
