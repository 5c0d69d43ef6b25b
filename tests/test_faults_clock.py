"""A clock that jumps: what is redone is right, and nothing is redone for ever."""

import os
import shutil
import time
from pathlib import Path

import pytest
from conftest import sessiongate
from killing import Steps
from planting import planted
from processes import Run, kill, wait_until_gone
from small import dump_of, wait_for
from tiny import apart, made

from pipeline.workflow import SEAL
from pipeline.writing import none_of_the_future

DAY_S = 86_400

JUMPING = """\
# The kernel's clock cannot be set for one run alone: its files get the times that they would have, instead.
import os, time

SHIFTS = (0, 7200, -7200, 86_400, -86_400, 3600, -30)
COUNTER = {counter!r}


def shift(step=0):
    # Goes on to the next at every third file that is written under its final name, whoever writes it.
    with open(COUNTER, "a") as file:
        file.write("x" * step)
    return SHIFTS[os.path.getsize(COUNTER) // 3 % len(SHIFTS)]


if IS_ENGINE or IS_WORKER:
    real_time, real_utime, real_replace = time.time, os.utime, os.replace
    time.time = lambda: real_time() + shift()

    def utime(path, times=None, *, ns=None, **options):
        if ns is not None:
            return real_utime(path, ns=ns, **options)
        return real_utime(path, times or (time.time(), time.time()), **options)

    def replace(source, target, **options):
        if str(source).endswith(".part"):
            shift(1)
            utime(source)
        return real_replace(source, target, **options)

    os.utime, os.replace = utime, replace
    os.supports_follow_symlinks.add(utime)
"""


def set_back(folder: Path, seconds: float) -> None:
    """Give all files times as if the clock had been wrong by so much when they were made."""
    for path in folder.rglob("*"):
        stat = path.stat()
        os.utime(path, (stat.st_atime + seconds, stat.st_mtime + seconds))


def is_at_rest(study: Path, results: Path) -> bool:
    """Whether one more run has nothing to do, by the engine itself."""
    (results / ".work" / SEAL).unlink(missing_ok=True)  # else nobody asks it
    done = sessiongate("run", study, "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return not Steps.of(results).finished


def test_a_clock_that_jumps_during_a_run(tmp_path, tiny_reference):
    """To and fro, by up to a day, at every third file: the run ends well, and soon nothing is redone."""
    study, results = tiny_reference.study, tmp_path / "results"
    counter = tmp_path / "counter"
    env = planted(tmp_path, JUMPING.format(counter=str(counter)))

    done = sessiongate("run", study, "--out", results, "--jobs", "1", env=env)
    if done.returncode:  # a jump between the end of a step and the engine's look at it; the next run goes on
        assert "older modification time" in done.stdout + done.stderr
        assert "run again to go on" in done.stdout + done.stderr
        done = sessiongate("run", study, "--out", results, "--jobs", "1", env=env)

    assert done.returncode == 0, done.stdout + done.stderr
    assert counter.stat().st_size > 30
    assert not apart(made(results), dict(tiny_reference.files))
    assert sessiongate("run", study, "--out", results).returncode == 0
    assert not apart(made(results), dict(tiny_reference.files))
    assert is_at_rest(study, results)


@pytest.mark.parametrize("seconds", [DAY_S, -DAY_S])
def test_results_of_a_clock_that_was_wrong(tmp_path, tiny_reference, seconds):
    """Files of tomorrow or yesterday: nothing is redone for it; what a new policy asks for is redone once."""
    study, results = tmp_path / "study", tmp_path / "results"
    shutil.copytree(tiny_reference.study, study)
    shutil.copytree(tiny_reference.results, results)
    set_back(results, seconds)
    assert is_at_rest(study, results)
    (study / "policy.toml").write_text("[limits]\nlost_fraction = 0.01\n[mains]\nlimit_fraction = 0.03\n")

    done = sessiongate("run", study, "--out", results)
    steps = Steps.of(results).finished
    anew = sessiongate("run", study, "--out", tmp_path / "anew")

    assert done.returncode == anew.returncode == 0, done.stdout + done.stderr
    assert "convert" not in steps
    assert not apart(made(results), made(tmp_path / "anew"))
    assert is_at_rest(study, results)


def test_a_run_that_is_killed_between_steps_after_the_clock_was_set_back(tmp_path, tiny_reference):
    """Files of the future, a changed dump: what is made of it looks older than what was made before."""
    study, results = tmp_path / "study", tmp_path / "results"
    shutil.copytree(tiny_reference.study, study)
    shutil.copytree(tiny_reference.results, results)
    set_back(results, DAY_S)
    dump = dump_of(study, "throw-01")
    dump.write_bytes(dump.read_bytes()[:70_000])
    for _ in range(3):
        with Run(study, results, "--jobs", "1") as run:
            wait_for(lambda run=run: run.is_over() or Steps.of(results).finished, 120)
            everything = run.processes()
            kill(everything)
            wait_until_gone(everything, run.front)

    done = sessiongate("run", study, "--out", results)
    anew = sessiongate("run", study, "--out", tmp_path / "anew")

    assert done.returncode == anew.returncode == 0, done.stdout + done.stderr
    assert not apart(made(results), made(tmp_path / "anew"))
    assert is_at_rest(study, results)


def test_only_the_future_is_brought_back(tmp_path):
    """To a little before now: the coarsest file systems keep times to two seconds."""
    now = time.time()
    for name, offset_s in {"tomorrow": DAY_S, "yesterday": -DAY_S, "soon": 0.5}.items():
        (tmp_path / name).touch()
        os.utime(tmp_path / name, (now + offset_s, now + offset_s))
    latest = tmp_path / "latest"
    latest.touch()
    os.utime(latest, (now, now))

    none_of_the_future([tmp_path, tmp_path / "none"], latest)

    assert (tmp_path / "tomorrow").stat().st_mtime == pytest.approx(now - 2, abs=0.01)
    assert (tmp_path / "soon").stat().st_mtime == pytest.approx(now - 2, abs=0.01)
    assert (tmp_path / "yesterday").stat().st_mtime == pytest.approx(now - DAY_S, abs=0.01)
    assert latest.stat().st_mtime == pytest.approx(now, abs=0.01)
