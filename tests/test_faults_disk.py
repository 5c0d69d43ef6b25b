"""Disks that fill up, that are or become read-only, and that lose power."""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import sessiongate
from killing import Steps
from mounts import cut_off, disk, new_disk, remount, tmpfs
from processes import Run
from small import wait_for
from tiny import SESSIONS, apart, made, scraps

from pipeline.holding import CUT_OFF, RUN
from pipeline.serving import run_here
from pipeline.steps.by_name import SESSION_STEPS
from pipeline.steps.job import StepFailed
from pipeline.steps.present import overview
from pipeline.workflow import Plan
from pipeline.writing import POWER_MAY_FAIL, write_text

STARTED = "2026-03-09T08:00:00Z"


def wrong_files(results: Path, reference) -> list[str]:
    """Files under final names that are not whole."""
    return [name for name, content in made(results).items() if content != reference.files.get(name)]


@contextlib.contextmanager
def with_left(place: Path, n_bytes: int) -> Iterator[None]:
    """A disk on which only so much is left."""
    ballast = place / "ballast"
    with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(1 << 12))
    os.truncate(ballast, max(ballast.stat().st_size - n_bytes, 0))
    try:
        yield
    finally:
        ballast.unlink()


def test_every_step_on_a_full_disk(tmp_path, tiny_reference):
    """Nothing left, or too little: the step fails in words, no file is half-written; with room it goes on."""
    with tmpfs(tmp_path / "place", "size=8m") as place:
        results = place / "results"
        plan = Plan.of(str(tiny_reference.study), str(results), STARTED)
        for name in SESSIONS:
            for step in SESSION_STEPS:
                for n_bytes in (0, 1 << 12):
                    with with_left(place, n_bytes), pytest.raises(StepFailed, match="No space left"):
                        run_here(step, plan.jobs[name])
                    assert not wrong_files(results, tiny_reference), (step, n_bytes)
                run_here(step, plan.jobs[name])
        for n_bytes in (0, 1 << 13, 1 << 16):
            with with_left(place, n_bytes), pytest.raises(OSError, match="No space left"):
                overview(plan.tables)
            assert not wrong_files(results, tiny_reference), n_bytes
        overview(plan.tables)
        different = apart(made(results), dict(tiny_reference.files))
        assert different == ["run.json"]  # which the front door writes
        assert not scraps(results)


def test_runs_on_a_disk_that_fills_up(tmp_path, tiny_reference):
    """Each run on it ends with 1 and a clear last line; with enough room, one ends as if nothing had been."""
    whole = sum(map(len, tiny_reference.files.values()))
    with tmpfs(tmp_path / "place", "size=64k") as place:
        results = place / "results"
        for share in (0.1, 0.5, 0.9):
            remount(place, f"size={int(share * whole) // 1024}k")
            done = sessiongate("run", tiny_reference.study, "--out", results)
            text = done.stdout + done.stderr
            assert done.returncode == 1, text
            assert "Traceback" not in text
            assert "No space" in text
            assert done.stderr.rstrip().endswith(("run again to go on.", "run again."))
            assert not wrong_files(results, tiny_reference), share
        remount(place, "size=32m")
        again = sessiongate("run", tiny_reference.study, "--out", results)
        assert again.returncode == 0, again.stdout + again.stderr
        assert not apart(made(results), dict(tiny_reference.files))
        assert not scraps(results)


def test_results_on_a_disk_that_is_read_only(tmp_path, tiny_reference):
    """Refused before anything begins; nothing is lost, and nothing is done again afterwards."""
    with tmpfs(tmp_path / "place", "size=32m") as place:
        results = place / "results"
        shutil.copytree(tiny_reference.results, results)
        remount(place, "ro")
        refused = sessiongate("run", tiny_reference.study, "--out", results)
        assert refused.returncode == 2
        assert str(results) in refused.stderr
        assert "Read-only" in refused.stderr
        remount(place, "rw")
        done = sessiongate("run", tiny_reference.study, "--out", results)
        assert done.returncode == 0, done.stdout + done.stderr
        assert not Steps.of(results).finished
        assert not apart(made(results), dict(tiny_reference.files))


def test_results_that_become_read_only_during_a_run(tmp_path, tiny_reference):
    """By their permissions, which bind root, too, once it has given up its power over them."""
    bound = []
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("permissions do not bind root, and there is no setpriv")
        bound = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"]
    results = tmp_path / "results"
    command = [*bound, sys.executable, "-m", "pipeline.cli", "run", tiny_reference.study, "--out", results]
    run = subprocess.Popen(
        [*map(str, command), "--jobs", "1"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    wait_for(lambda: list(results.glob(".work/*/recording.parquet")), 120)
    folders = [results, *(path for path in results.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    text, _ = run.communicate(timeout=300)
    for folder in folders:
        folder.chmod(0o755)

    assert run.returncode == 1, text
    assert "Traceback" not in text
    assert "Permission denied" in text
    assert not wrong_files(results, tiny_reference)
    again = sessiongate("run", tiny_reference.study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert not apart(made(results), dict(tiny_reference.files))


def test_a_file_outlasts_a_power_cut_or_is_not_there(tmp_path):
    """What is not brought to the disk leaves an empty file under its name: on ext4, here for real.

    Another process may have all disks written meanwhile, as runs do at their end: then once more.
    """
    for i in range(4):
        (tmp_path / str(i)).mkdir()
        sizes = _after_a_power_cut(tmp_path / str(i))
        assert sizes["on the disk.txt"] == 6000
        if sizes.get("kept in memory.txt", 0) == 0:
            return
    pytest.skip("all disks were written again and again")


def _after_a_power_cut(folder: Path) -> dict[str, int]:
    image = new_disk(folder / "image", 16)
    with disk(image, folder / "place") as place:
        write_text(place / "kept in memory.txt", "glaze " * 1000)
        POWER_MAY_FAIL.set()
        try:
            write_text(place / "on the disk.txt", "glaze " * 1000)
        finally:
            POWER_MAY_FAIL.clear()
        time.sleep(2.5)  # names reach the disk by themselves
        copy = cut_off(image, folder / "copy")
    with disk(copy, folder / "left") as left:
        return {path.name: path.stat().st_size for path in left.glob("*.txt")}


def test_a_run_that_loses_power(tmp_path, tiny_reference):
    """At several moments: what is there is whole, and a run on what is left ends as an undisturbed one."""
    image = new_disk(tmp_path / "image", 24)
    n_made, n_cuts = 0, 0
    with disk(image, tmp_path / "place") as place, Run(tiny_reference.study, place / "results") as run:
        while not run.is_over():
            n_now = len(made(place / "results")) if (place / "results").exists() else 0
            if n_now >= n_made + 4:
                copy = cut_off(image, tmp_path / "copy")
                n_made, n_cuts = n_now, n_cuts + 1
                with disk(copy, tmp_path / "left") as left:
                    assert not wrong_files(left / "results", tiny_reference)
                if n_now >= 10 and not (tmp_path / "kept").exists():
                    copy.rename(tmp_path / "kept")
            time.sleep(0.05)
        assert run.ended() == 0, run.said
    assert n_cuts >= 3
    with disk(tmp_path / "kept", tmp_path / "left") as left:
        _of_an_earlier_start(left / "results" / ".work" / RUN)
        done = sessiongate("run", tiny_reference.study, "--out", left / "results")
        assert done.returncode == 0, done.stdout + done.stderr
        assert CUT_OFF in done.stdout
        assert not apart(made(left / "results"), dict(tiny_reference.files))


def test_an_engine_that_lost_its_notes_to_a_power_cut(tmp_path, tiny_reference):
    """Without them it would take every file for what it should be, whatever becomes of the policy."""
    study, results = tmp_path / "study", tmp_path / "results"
    shutil.copytree(tiny_reference.study, study)
    shutil.copytree(tiny_reference.results, results)
    for note in (results / ".snakemake" / "metadata").rglob("*"):
        if note.is_file():
            note.write_bytes(b"")
    _of_an_earlier_start(results / ".work" / RUN)
    (study / "policy.toml").write_text("[limits]\nlost_fraction = 0.01\n")

    done = sessiongate("run", study, "--out", results)
    anew = sessiongate("run", study, "--out", tmp_path / "anew")

    assert done.returncode == anew.returncode == 0, done.stdout + done.stderr
    assert not apart(made(results), made(tmp_path / "anew"))


def _of_an_earlier_start(lock: Path) -> None:
    """Make a lock one that was taken before the machine started."""
    claim = {"pid": 1, "host": socket.gethostname(), "began": "0", "boot": "another"}
    lock.write_text(json.dumps(claim))
