"""No bundle where something is not as it should be: a message for every mistake, nothing left half made."""

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from bundle_making import FEW, make, told
from conftest import REPOSITORY
from few import only
from small import wait_for

from pipeline.cli import main


@pytest.fixture(scope="module")
def few(demo_results, tmp_path_factory) -> Path:
    """Results of three of the demo's sessions: accepted, accepted in part, rejected."""
    return only(demo_results, FEW, tmp_path_factory.mktemp("few") / "results")


@pytest.fixture(scope="module")
def bundle(few, tmp_path_factory) -> Path:
    return make(few, tmp_path_factory.mktemp("bundle") / "dataset")


# Mistakes


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
        (lambda r: _ended(r, "stopped"), "did not finish: it was stopped"),
        (lambda r: _ended(r, "running"), "did not finish: it was killed"),
        (lambda r: _ended(r, "failed"), "did not finish: a step failed"),
    ],
)
def test_results_that_are_none(few, tmp_path, capsys, spoil, found):
    results = shutil.copytree(few, tmp_path / "results")
    spoil(results)
    assert found in told(capsys, results, "--out", tmp_path / "b")
    assert [*tmp_path.glob("*b*")] == []


def _ended(results: Path, outcome: str) -> None:
    path = results / "run.json"
    run = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**run, "last_run": {"outcome": outcome, "exit_code": 1}}), encoding="utf-8")


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
