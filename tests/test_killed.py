"""Runs that are killed, stopped or started twice: what is left holds, and the next run goes on."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import REPOSITORY, sessiongate
from processes import children, is_gone
from small import dump_of, is_whole, quality, small_study, start, wait_for

from pipeline.engine_words import Faults
from pipeline.holding import RUN, Busy, claim, held

needs_proc = pytest.mark.skipif(
    not Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").exists(), reason="needs /proc with children"
)


# Lost files and folders


@pytest.fixture
def long_study(tmp_path) -> Path:
    """One session of a few seconds' work and a short one."""
    study = small_study(tmp_path / "study", ("throw-01", "throw-02"))
    dump = dump_of(study, "throw-01")
    dump.write_bytes(dump.read_bytes() * 4)
    return study


def workers_of(run: "subprocess.Popen[str]") -> list[int]:
    """Workers of a run that have begun."""
    started = [child for engine in children(run.pid) for child in children(engine)]
    return [child for child in started if b"pipeline.serving" in Path(f"/proc/{child}/cmdline").read_bytes()]


@needs_proc
def test_a_worker_that_is_killed_once_costs_nothing(tmp_path, long_study):
    run = start(long_study, tmp_path / "results", "--jobs", "1")
    os.kill(wait_for(lambda: workers_of(run))[0], signal.SIGKILL)
    text, _ = run.communicate(timeout=120)

    assert run.returncode == 0, text
    assert is_whole(tmp_path / "results", "throw-01")


def test_a_step_that_always_dies_costs_its_session_only(tmp_path):
    """Given up after the second time: unreadable with its reason, and done again by the next run."""
    study, results = small_study(tmp_path / "study", ("throw-01", "throw-02")), tmp_path / "results"
    deadly = tmp_path / "deadly"
    deadly.mkdir()
    # Python runs this module at start-up (documentation of `site`); it stands for a lack of memory.
    (deadly / "sitecustomize.py").write_text(
        "import os, signal\n"
        "import pipeline.steps.convert as steps\n"
        "real = steps.convert\n"
        "def convert(job):\n"
        "    if job.session.name == 'throw-01':\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return real(job)\n"
        "steps.convert = convert\n"
    )
    path = os.pathsep.join([str(deadly), str(REPOSITORY), os.environ.get("PYTHONPATH", "")])

    done = sessiongate("run", study, "--out", results, env={**os.environ, "PYTHONPATH": path})

    assert done.returncode == 1, done.stdout + done.stderr
    assert "out of memory" in done.stdout
    assert quality(results, "throw-01")["verdict"] == "unreadable"
    assert "'convert'" in quality(results, "throw-01")["sentence"]
    assert is_whole(results, "throw-02")
    assert (results / "index.html").exists()
    again = sessiongate("run", study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "throw-02:" not in again.stdout
    assert is_whole(results, "throw-01")


@needs_proc
def test_a_killed_engine_is_cleared_away(tmp_path, long_study):
    """Its workers end, the run says so in words, and the next one lifts the lock and completes."""
    results = tmp_path / "results"
    run = start(long_study, results)
    workers = wait_for(lambda: workers_of(run))
    os.kill(children(run.pid)[0], signal.SIGKILL)
    text, _ = run.communicate(timeout=60)
    assert run.returncode == 1
    assert "Not finished" in text
    wait_for(lambda: all(is_gone(worker) for worker in workers))

    done = sessiongate("run", long_study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "lock is lifted" in done.stdout
    assert is_whole(results, "throw-01")


@needs_proc
def test_two_runs_at_once(tmp_path, long_study):
    """The second refuses, also when only the engine of the first is left; the first is not disturbed."""
    results = tmp_path / "results"
    first = start(long_study, results)
    wait_for(lambda: workers_of(first))
    engine = children(first.pid)[0]

    second = sessiongate("run", long_study, "--out", results)
    assert second.returncode == 1
    assert "Another run" in second.stderr
    assert "Traceback" not in second.stdout + second.stderr

    first.kill()
    first.communicate()
    third = sessiongate("run", long_study, "--out", results)
    assert third.returncode == 1
    assert "Another run" in third.stderr

    wait_for(lambda: is_gone(engine))
    last = sessiongate("run", long_study, "--out", results)
    assert last.returncode == 0, last.stdout + last.stderr
    assert is_whole(results, "throw-01")


@needs_proc
def test_ctrl_c_is_orderly(tmp_path, long_study):
    """The whole process group gets the signal, as from a terminal."""
    results = tmp_path / "results"
    run = start(long_study, results, "--jobs", "1", start_new_session=True)
    workers = wait_for(lambda: workers_of(run))
    os.killpg(run.pid, signal.SIGINT)
    text, _ = run.communicate(timeout=60)

    assert run.returncode == 130, text
    assert "Traceback" not in text
    wait_for(lambda: all(is_gone(worker) for worker in workers))
    assert not list((results / ".snakemake").glob("locks/*"))
    again = sessiongate("run", long_study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert is_whole(results, "throw-01")


def test_the_lock_of_a_process_that_is_gone_or_another(tmp_path):
    """A number that another process got since is told by its start; another host's is never lifted."""
    lock = tmp_path / RUN
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    for text in ("", "{", f'{{"pid": {dead.pid}, "host": "h", "began": ""}}'.replace('"h"', _host())):
        lock.write_text(text)
        with held(lock):
            pass
    if Path("/proc/self/stat").exists():
        lock.write_text(f'{{"pid": {os.getpid()}, "host": {_host()}, "began": "1"}}')
        with held(lock):
            pass
    claim(lock, os.getpid())
    with pytest.raises(Busy, match="Another run"), held(lock):
        pass
    lock.write_text('{"pid": 1, "host": "kiln.example", "began": ""}')
    with pytest.raises(Busy, match=r"kiln\.example"), held(lock):
        pass


def _host() -> str:
    import socket

    return json.dumps(socket.gethostname())


# Words


def test_reasons_are_heard(tmp_path):
    """However long ago they passed; the forms are those that the engine, version 9.27, prints."""
    faults = Faults(tmp_path)
    heard = [
        "RuleException:",
        'StepFailed in file "Snakefile", line 70:',
        "throw-01: step 'convert': no.",
        '  File "Snakefile", line 70, in __rule_convert',
        "WorkflowError:",
        "Failed to open the kiln.",
        "MissingInputException in rule judge in file Snakefile, line 9:",
        "Missing input files for rule judge:",
        "    output: quality.json",
        *["Finished jobid: 1 (Rule: convert)"] * 1000,
    ]
    for line in heard:
        faults.hear(line + "\n")

    assert faults.told() == [
        "throw-01: step 'convert': no.",
        "WorkflowError: Failed to open the kiln.",
        "MissingInputException: Missing input files for rule judge:",
    ]


def test_a_changed_drawing_counts_as_code(tmp_path, monkeypatch):
    """Templates of every kind are part of what a step depends on; compiled files are not."""
    from pipeline.steps import job

    package = tmp_path / "pipeline"
    (package / "steps").mkdir(parents=True)
    (package / "report").mkdir()
    (package / "report" / "flow.svg").write_text("<svg/>")
    monkeypatch.setattr(job, "__file__", str(package / "steps" / "job.py"))
    monkeypatch.setattr(job, "STEP_CODE", {"report": ("report",)})
    first = job.code_digest("report")
    (package / "report" / "parts.pyc").write_bytes(b"x")
    assert job.code_digest("report") == first
    (package / "report" / "flow.svg").write_text("<svg></svg>")
    assert job.code_digest("report") != first
