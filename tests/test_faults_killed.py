"""kill -9 of a run, its engine and its workers: six times here, fifty times in `tests/faults/kills.py`."""

import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import REPOSITORY, sessiongate
from killing import Steps, chains, table
from planting import sleeping
from processes import Run, kill, wait_until_gone
from small import wait_for
from tiny import apart, made

from pipeline.holding import CUT_OFF, ENGINE, KILLED, RUN, Busy, held, sweep

if not Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").exists():
    pytest.skip("needs /proc with children", allow_module_level=True)


def test_six_kills_leave_the_same_bytes(tmp_path, tiny_reference):
    """After each, files under final names are whole; at the end, all are those of an undisturbed run."""
    seed = "20261126"
    tally = chains(tiny_reference, tmp_path, seed, 6)
    print(f"seed {seed}\n{table(tally)}")
    assert tally.n_kills >= 6
    assert not tally.faults, "\n".join(tally.faults)


def test_a_worker_does_nothing_after_its_engine(tmp_path, tiny_reference):
    """A long step of a run whose engine was killed writes nothing over what the next run makes."""
    with Run(tiny_reference.study, tmp_path / "results", env=sleeping(tmp_path, "convert")) as run:
        workers = wait_for(lambda: len(run.workers()) == 2 and run.workers(), 120)
        kill(run.engine())

        wait_until_gone(workers, run.front)

        assert run.ended() == 1
        assert run.last_line == "Finished sessions are kept; run again to go on."


def test_a_stale_lock_is_explained_and_lifted(tmp_path, tiny_reference):
    """Of a front door that was killed, as soon as its engine has ended."""
    results = tmp_path / "results"
    with Run(tiny_reference.study, results) as run:
        wait_for((results / ".work" / ENGINE).exists, 120)
        wait_for(lambda: Steps.of(results).open, 120)
        engine = run.engine()
        kill([run.front.pid])
        assert run.ended() < 0
        while_at_work = sessiongate("run", tiny_reference.study, "--out", results)
        assert while_at_work.returncode == 1
        assert "Another run" in while_at_work.stderr
        wait_until_gone(engine, run.front)

        done = sessiongate("run", tiny_reference.study, "--out", results)

        assert done.returncode == 0, done.stdout + done.stderr
        assert done.stdout.startswith(KILLED)
        assert not apart(made(results), dict(tiny_reference.files))


def test_an_engine_whose_front_door_is_killed_at_once_does_nothing(tmp_path, tiny_reference):
    """Nobody else could tell that it is about to begin."""
    results = tmp_path / "results"
    with Run(tiny_reference.study, results) as run:
        engine = wait_for(run.engine, 120)
        kill([run.front.pid])

        done = sessiongate("run", tiny_reference.study, "--out", results)

        wait_until_gone(engine, run.front)
        if done.returncode:  # met the other one before that had ended
            assert "Another run" in done.stderr
            done = sessiongate("run", tiny_reference.study, "--out", results)
        assert done.returncode == 0, done.stdout + done.stderr
        assert not apart(made(results), dict(tiny_reference.files))


def test_the_lock_of_another_host_is_explained(tmp_path):
    """It is never lifted, since nobody here can ask that host; the message says what to do."""
    lock = tmp_path / RUN
    lock.write_text('{"pid": 7, "host": "kiln.example", "began": "", "boot": "x"}')
    os.utime(lock, (1_772_440_200, 1_772_440_200))
    with pytest.raises(Busy) as busy, held(lock):
        pass
    for words in ("Process 7", "kiln.example", "since 2026-03-02 08:30 UTC", f"delete {lock}"):
        assert words in str(busy.value)


def test_a_lock_from_before_the_machine_started_tells_of_a_power_cut(tmp_path):
    lock = tmp_path / RUN
    claim = {"pid": 1, "host": socket.gethostname(), "began": "0", "boot": "another"}
    for text in (json.dumps(claim), "", json.dumps({"pid": 1})):
        lock.write_text(text)
        with held(lock) as left:
            assert left == CUT_OFF
        assert not lock.exists()
    with held(lock) as left:
        assert left == ""


def test_of_many_that_find_a_stale_lock_one_goes_on(tmp_path):
    """Also while some of them look at it at the same moment."""
    lock = tmp_path / RUN
    go = tmp_path / "go"
    program = (
        "import sys, time\nfrom pathlib import Path\nfrom pipeline.holding import Busy, held\n"
        f"while not Path({str(go)!r}).exists():\n    pass\n"
        f"try:\n    with held(Path({str(lock)!r})):\n        time.sleep(2)\n        print('held')\n"
        "except Busy:\n    print('busy')\n"
    )
    env = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    for _ in range(3):
        go.unlink(missing_ok=True)
        dead = subprocess.Popen([sys.executable, "-c", ""])
        dead.wait()
        lock.write_text(json.dumps({"pid": dead.pid, "host": socket.gethostname(), "began": "1", "boot": ""}))
        many = [
            subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True, env=env)
            for _ in range(6)
        ]
        time.sleep(0.5)
        go.touch()
        said = sorted(one.communicate()[0].strip() for one in many)
        assert said == ["busy"] * 5 + ["held"]


def test_a_lock_that_was_taken_over_is_left_alone(tmp_path):
    """Deleted by hand while its run is at work, it may be another run's by the end."""
    lock = tmp_path / RUN
    with held(lock):
        lock.write_text("another's")
    assert lock.read_text() == "another's"


def test_scraps_of_the_dead_are_swept_away_and_no_others(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    unburied = subprocess.Popen([sys.executable, "-c", ""])  # nobody waits for it yet
    (tmp_path / "throw-01").mkdir()
    scraps = [tmp_path / "throw-01" / f".samples.parquet.{one.pid}.part" for one in (dead, unburied)]
    others = [
        tmp_path / f".run.json.{os.getpid()}.part",
        tmp_path / "throw-01" / "glaze.part",
        tmp_path / ENGINE,
    ]
    for path in (*scraps, *others):
        path.write_text("x")

    sweep(tmp_path)

    unburied.wait()
    assert not any(path.exists() for path in scraps)
    assert all(path.exists() for path in others)
