"""Told to stop: once is orderly, twice is at once, whoever is told and by what signal."""

import signal
import time

import pytest
from conftest import sessiongate
from planting import planted, sleeping
from processes import Run, kill, wait_until_gone
from small import wait_for
from tiny import apart, made, scraps

LAST_LINE = "Stopped. Finished sessions are kept; run again to go on."

A_LITTLE_LATER = """\
if IS_WORKER:
    import time
    from pathlib import Path

    def slow(job, real):
        Path(FOLDER, "begun").touch()
        time.sleep(3)
        line = real(job)
        Path(FOLDER, "ended").touch()
        return line

    instead("convert", "", slow)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_twice_stops_at_once(tmp_path, tiny_reference, number):
    """With steps at work that never end: once waits for them, the second time nobody is left."""
    results = tmp_path / "results"
    with Run(tiny_reference.study, results, env=sleeping(tmp_path, "convert")) as run:
        wait_for(run.workers, 120)
        everything = run.processes()
        kill([run.front.pid], number)
        wait_for(lambda: "Once more: stop at once." in run.said, 60)
        time.sleep(1)
        assert not run.is_over()
        kill([run.front.pid], number)

        wait_until_gone(everything, run.front)

        assert run.ended() == 130
        assert run.last_line == LAST_LINE
        assert "Traceback" not in run.said


ONE = [(number, False) for number in (signal.SIGINT, signal.SIGHUP)]
ALL = [(signal.SIGTERM, True)]


@pytest.mark.parametrize(("number", "to_all"), ONE + ALL)
def test_once_is_orderly(tmp_path, tiny_reference, number, to_all):
    """The step at work is finished, no other begun; also where all processes are told, as at a shutdown."""
    results = tmp_path / "results"
    env = planted(tmp_path, A_LITTLE_LATER.replace("FOLDER", repr(str(tmp_path))))
    with Run(tiny_reference.study, results, "--jobs", "1", env=env) as run:
        wait_for((tmp_path / "begun").exists, 120)
        everything = run.processes()
        kill(everything if to_all else [run.front.pid], number)

        assert run.ended() == 130, run.said
        wait_until_gone(everything, run.front)
        assert run.last_line == LAST_LINE
        assert "Traceback" not in run.said
        assert not scraps(results)
        assert not list(results.rglob("failed.txt"))
        assert (tmp_path / "ended").exists()
        kept = {path: path.stat().st_mtime_ns for path in results.glob(".work/*/conversion.json")}
        assert len(kept) == 1

        done = sessiongate("run", tiny_reference.study, "--out", results)

        assert done.returncode == 0, done.stdout + done.stderr
        assert {path: path.stat().st_mtime_ns for path in kept} == kept  # not done again
        assert not apart(made(results), dict(tiny_reference.files))
