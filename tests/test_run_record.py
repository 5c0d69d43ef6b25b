"""What a run says of itself: run.json at its end, however it ends, and nothing more than it has to."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from conftest import REPOSITORY, sessiongate
from processes import Run, kill, wait_until_gone
from small import dump_of, wait_for
from tiny import tiny_study

SESSIONS = ("throw-01", "throw-02")
IN_TABLES = """
import os
import pipeline.workers as workers

def make_tables(self, tables):
    os.kill(os.getpid(), 9)

workers.Workers.make_tables = make_tables
"""


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return tiny_study(tmp_path / "study", SESSIONS)


def run_json(results: Path) -> dict[str, Any]:
    return dict(json.loads((results / "run.json").read_text(encoding="utf-8")))


def test_an_unreadable_session_is_told_until_it_is_mended(study: Path, tmp_path: Path) -> None:
    """With --quiet: on standard error, in every run, and nothing once all is well."""
    results, dump = tmp_path / "results", dump_of(study, "throw-01")
    content = dump.read_bytes()
    dump.write_bytes(b"")

    first = sessiongate("run", study, "--out", results, "--quiet")
    second = sessiongate("run", study, "--out", results, "--quiet")
    dump.write_bytes(content)
    third = sessiongate("run", study, "--out", results, "--quiet")
    fourth = sessiongate("run", study, "--out", results, "--quiet")

    for done in (first, second):
        assert done.returncode == 1
        assert done.stdout == ""
        sentence, look = done.stderr.splitlines()
        assert sentence.startswith("! throw-01: ")
        assert look == f"Look at {results / 'index.html'}"
    for done in (third, fourth):
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    diary = (results / "logs" / "progress.log").read_text(encoding="utf-8").splitlines()
    assert diary[-2].endswith("Nothing to do: everything is as it was.")
    assert diary[-1].endswith("finished, exit code 0")


def test_how_a_run_ended_is_told_whatever_the_verdicts(study: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    dump_of(study, "throw-01").unlink()

    done = sessiongate("run", study, "--out", results)

    run = run_json(results)
    last = run["last_run"]
    assert (done.returncode, last["exit_code"], last["outcome"]) == (1, 1, "finished")
    assert last["sessions"] == {
        "in_study": 2, "kept": 0, "to_do": 2, "done": 1, "failed": 1, "left": 0,
    }  # fmt: skip
    assert last["counts"] == {**run["counts"], "none": 0}
    assert [one["session"] for one in last["failed"]] == ["throw-01"]
    assert "! throw-01: Could not be read" in last["failed"][0]["why"]
    assert last["redone"] == [{"step": "convert", "why": ["new"], "sessions": list(SESSIONS)}]
    assert last["engine"] == {"exit_code": 0, "reasons": []}


def test_a_wrong_study_touches_no_record(study: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    assert sessiongate("run", study, "--out", results).returncode == 0
    before = (results / "run.json").read_bytes()
    (study / "policy.toml").write_text("[limits]\nlost_fractoin = 0.5\n")

    done = sessiongate("run", study, "--out", results, "--quiet")

    assert done.returncode == 2
    assert "lost_fractoin" in done.stderr
    assert (results / "run.json").read_bytes() == before


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")
def test_what_is_stopped_or_killed_loses_no_good_record(study: Path, tmp_path: Path) -> None:
    """By Ctrl-C, by kill -9 of everything, and by kill -9 of the engine while it makes tables."""
    results = tmp_path / "results"
    assert sessiongate("run", study, "--out", results).returncode == 0
    good = run_json(results)
    for dump in (dump_of(study, name) for name in SESSIONS):
        os.utime(dump, (1_000_000_000, 1_000_000_000))

    stopped = Run(study, results, "--jobs", "1", start_new_session=True)
    wait_for(stopped.workers)
    os.killpg(stopped.front.pid, signal.SIGINT)
    assert stopped.ended() == 130, stopped.said
    last = run_json(results)["last_run"]
    assert {**good, "last_run": last} == run_json(results)
    assert (last["outcome"], last["exit_code"]) == ("stopped", 130)
    assert last["sessions"]["to_do"] == 2
    assert last["sessions"]["left"] > 0
    assert last["redone"] == [{"step": "convert", "why": ["dumps"], "sessions": list(SESSIONS)}]

    killed = Run(study, results)
    wait_for(killed.workers)
    pids = killed.processes()
    kill(pids)
    wait_until_gone(pids, killed.front)
    assert run_json(results)["last_run"]["outcome"] == "running"

    deadly = tmp_path / "deadly"
    deadly.mkdir()
    (deadly / "sitecustomize.py").write_text(IN_TABLES)  # Python runs it at its start (documentation of site)
    path = os.pathsep.join([str(deadly), str(REPOSITORY), os.environ.get("PYTHONPATH", "")])
    failed = sessiongate("run", study, "--out", results, env={**os.environ, "PYTHONPATH": path})
    assert failed.returncode == 1, failed.stdout + failed.stderr
    last = run_json(results)["last_run"]
    assert {**good, "last_run": last} == run_json(results)
    assert (last["outcome"], last["exit_code"], last["engine"]["exit_code"]) == ("failed", 1, -9)
    assert last["sessions"]["done"] == last["sessions"]["to_do"]  # of those that the killed runs left
    bundle = sessiongate("bundle", results, "--out", tmp_path / "bundle")
    assert bundle.returncode == 2
    assert "did not finish" in bundle.stderr

    again = sessiongate("run", study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert run_json(results)["last_run"]["outcome"] == "finished"


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_a_terminal_shows_one_line_and_may_go_away(study: Path, tmp_path: Path) -> None:
    """Closed in the middle of a run: the run stops in order, and leaves nobody at work."""
    results = tmp_path / "results"
    ours, its = os.openpty()
    command = [sys.executable, "-m", "pipeline.cli", "run", str(study), "--out", str(results), "--jobs", "1"]
    run = subprocess.Popen(command, stdin=its, stdout=its, stderr=its, start_new_session=True)
    os.close(its)
    shown = b""
    while b"\r1 of 2 sessions done" not in shown:
        shown += os.read(ours, 4096)
    os.close(ours)
    os.kill(run.pid, signal.SIGHUP)  # as the system does where a terminal is closed

    assert run.wait(120) == 130
    assert b"\r0 of 2 sessions done, 0 failed, " in shown
    assert b" left" in shown
    last = run_json(results)["last_run"]
    assert (last["outcome"], last["exit_code"]) == ("stopped", 130)
    assert not list((results / ".work").glob("*.lock"))
    assert sessiongate("run", study, "--out", results, "--quiet").returncode == 0


def test_the_engine_alone_leaves_a_record_too(study: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    command = [
        *(sys.executable, "-m", "snakemake", "--cores", "2", "--config"),
        *(f"study={study}", f"out={results}"),
    ]

    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, timeout=300)

    assert done.returncode == 0, done.stderr
    assert "sessiongate: New: throw-01, throw-02." in done.stderr
    assert "2 of 2 sessions done, 0 failed" in done.stderr
    last = run_json(results)["last_run"]
    assert (last["outcome"], last["exit_code"], last["jobs"]) == ("finished", 0, 2)
    assert last["sessions"]["done"] == 2
    assert run_json(results)["sessions"] == dict.fromkeys(SESSIONS, "accept")
