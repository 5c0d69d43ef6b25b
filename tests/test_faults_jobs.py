"""Jobs that hang, jobs that run out of memory, dumps that change meanwhile: one session is lost, no other."""

import os
import shutil
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from conftest import sessiongate
from killing import Steps
from planting import planted
from processes import Run
from small import dump_of, is_whole, quality, small_study, wait_for
from tiny import SESSIONS, apart, made, scraps, tiny_study

from pipeline import workers
from pipeline.serving import run_here
from pipeline.steps import convert
from pipeline.steps.job import Job, last_failure, read_json
from pipeline.workers import Workers, limit_s
from pipeline.workflow import SEAL, Plan

STARTED = "2026-03-09T08:00:00Z"


def job_of(study: Path, results: Path, session: str) -> Job:
    return Plan.of(str(study), str(results), STARTED).jobs[session]


def rows_of(results: Path) -> list[str]:
    """Sessions in the table over all of them."""
    lines = (results / "sessions.csv").read_text(encoding="utf-8").splitlines()
    return [line.split(",")[0] for line in lines[1:]]


# Time


def test_the_limit_grows_with_the_dumps(tmp_path):
    """Ten minutes, and a minute for each MB; a dump that is not there takes no time."""
    study = tiny_study(tmp_path / "study", ("throw-01",))
    job = job_of(study, tmp_path / "results", "throw-01")
    assert limit_s(job) == pytest.approx(600 + 60 * 0.09)
    dump_of(study, "throw-01").write_bytes(bytes(10_000_000))
    assert limit_s(job) == pytest.approx(600 + 600)
    dump_of(study, "throw-01").unlink()
    assert limit_s(job) == 600


def test_a_step_that_hangs_is_given_up(tmp_path, tiny_reference):
    """The run goes on and ends with 1; tables have both sessions; the next run makes all of it."""
    study, results = tiny_reference.study, tmp_path / "results"
    env = planted(
        tmp_path,
        "if IS_WORKER:\n"
        "    import time\n"
        "    instead('detect', 'throw-09', lambda job, real: time.sleep(100_000))\n"
        "if IS_ENGINE:\n"
        "    import pipeline.workers as workers\n"
        "    real = workers.limit_s\n"
        "    tried = []  # the time of a step that does not hang, or that tells so, is not in question\n"
        "    def limit_s(job):\n"
        "        if not hasattr(job, 'session'):\n"  # the tables
        "            return real(job)\n"
        "        at = job.places.validation, job.places.detected\n"
        "        hangs = job.session.name == 'throw-09' and at[0].exists() and not at[1].exists()\n"
        "        return 3.0 if hangs and not tried and not tried.append(job) else real(job)\n"
        "    workers.limit_s = limit_s\n",
    )

    done = sessiongate("run", study, "--out", results, env=env)

    assert done.returncode == 1, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    sentence = quality(results, "throw-09")["sentence"]
    assert quality(results, "throw-09")["verdict"] == "unreadable"
    for words in ("step 'detect'", "took longer than 3 s", "next run begins this session anew"):
        assert words in sentence
    assert rows_of(results) == list(SESSIONS)
    assert is_whole(results, "throw-01")
    again = sessiongate("run", study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "throw-01:" not in again.stdout
    assert not apart(made(results), dict(tiny_reference.files))


def test_a_hanging_process_is_ended_and_no_second_one_hangs(tmp_path, monkeypatch, tiny_reference):
    """Other than one that ended, a step that hangs is not tried twice: that would cost the limit again."""
    tried = tmp_path / "tried"
    env = planted(
        tmp_path,
        "if IS_WORKER:\n"
        "    import os, time\n"
        "    def hang(job, real):\n"
        f"        with open({str(tried)!r}, 'a') as file:\n"
        "            file.write(f'{os.getpid()}\\n')\n"
        "        time.sleep(100_000)\n"
        "    instead('convert', '', hang)\n",
    )
    monkeypatch.setenv("PYTHONPATH", env["PYTHONPATH"])
    job = job_of(tiny_reference.study, tmp_path / "results", "throw-01")
    limits = iter([20.0])
    monkeypatch.setattr(workers, "limit_s", lambda job: next(limits, 600.0))

    with closing(Workers()) as pool:
        pool.run("convert", job)

    pids = tried.read_text().split()
    assert len(pids) == 1
    wait_for(lambda: not Path(f"/proc/{pids[0]}/cmdline").exists() or _is_dead(int(pids[0])))
    assert read_json(job.places.conversion)["status"] == "failed"
    assert "took longer than 20 s" in read_json(job.places.conversion)["why"]


def _is_dead(pid: int) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"


# Memory


LIMITED = """\
if IS_WORKER:
    import resource

    def limited(job, real):
        # as `ulimit -v` does: no more than what there is now, and a little
        used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        resource.setrlimit(resource.RLIMIT_AS, (used + (4 << 20), hard))
        held = bytearray(1 << 20)
        try:
            return real(job)
        finally:
            if LIFTED:
                resource.setrlimit(resource.RLIMIT_AS, (hard, hard))

    instead("convert", "throw-01", limited)
"""


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs /proc")
@pytest.mark.parametrize("lifted", [True, False])
def test_a_step_that_runs_out_of_memory(tmp_path, monkeypatch, lifted):
    """The session ends with that reason, even where no memory is left to write so; another goes on."""
    study = tiny_study(tmp_path / "study")
    dump = dump_of(study, "throw-01")
    dump.write_bytes(dump.read_bytes() * 200)  # 18 MB
    program = LIMITED.replace("LIFTED", str(lifted))
    monkeypatch.setenv("PYTHONPATH", planted(tmp_path, program)["PYTHONPATH"])
    plan = Plan.of(str(study), str(tmp_path / "results"), STARTED)

    with closing(Workers()) as pool:
        for name in SESSIONS:
            pool.run("convert", plan.jobs[name])

    conversion = read_json(plan.jobs["throw-01"].places.conversion)
    assert conversion["status"] == "failed"
    assert "memory" in conversion["why"]
    assert "--jobs" in conversion["why"]
    assert read_json(plan.jobs["throw-09"].places.conversion)["status"] == "ok"
    assert last_failure(plan.jobs["throw-01"].places)
    assert not scraps(tmp_path / "results")


@pytest.mark.skipif(not Path("/proc/self/oom_score_adj").exists(), reason="needs /proc")
def test_where_memory_runs_out_a_worker_is_ended_before_the_engine(tmp_path, tiny_reference):
    """proc(5), oom_score_adj: what the system ends first."""
    with Run(tiny_reference.study, tmp_path / "results") as run:
        worker = wait_for(run.workers, 120)[0]
        points = wait_for(lambda: _points(worker) > _points(run.front.pid) and _points(worker), 60)
        assert points >= 500
        assert run.ended() == 0, run.said


def _points(pid: int) -> int:
    return int(Path(f"/proc/{pid}/oom_score_adj").read_text())


# Dumps that change


def _grown(dump: Path) -> None:
    dump.write_bytes(dump.read_bytes() + dump.read_bytes()[-9000:])


def _replaced(dump: Path) -> None:
    other = dump.with_suffix(".new")
    other.write_bytes(dump.read_bytes()[::-1])
    other.replace(dump)


CHANGES: dict[str, Callable[[Path], None]] = {
    "grown": _grown,
    "cut short": lambda dump: os.truncate(dump, 45_000),
    "emptied": lambda dump: os.truncate(dump, 0),
    "replaced": _replaced,
    "taken away": Path.unlink,
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_dump_that_changes_while_it_is_read(tmp_path, monkeypatch, change):
    """What was read is the content of no file: the session fails in words, and the next begins it anew."""
    study, results = tiny_study(tmp_path / "study", ("throw-01",)), tmp_path / "results"
    job = job_of(study, results, "throw-01")
    real = convert.read_frames

    def read_frames(*arguments, **options):
        reading = real(*arguments, **options)
        CHANGES[change](dump_of(study, "throw-01"))
        return reading

    monkeypatch.setattr(convert, "read_frames", read_frames)
    before = Plan.of(str(study), str(results), STARTED).origins["throw-01"]

    run_here("convert", job)

    conversion = read_json(job.places.conversion)
    assert conversion["status"] == "failed"
    assert "throw-01.bin changed, or went away, while being read" in conversion["why"]
    assert "run again" in conversion["why"]
    assert Plan.of(str(study), str(results), STARTED).origins["throw-01"] != before


def test_a_dump_that_is_still_being_copied(tmp_path, tiny_reference):
    """It grows during the whole run; once it is whole, the next run makes the same of it as ever."""
    study, results = tmp_path / "study", tmp_path / "results"
    shutil.copytree(tiny_reference.study, study)
    dump = dump_of(study, "throw-01")
    whole = dump.read_bytes()
    dump.write_bytes(whole[:9000])

    with Run(study, results) as run:
        wait_for((results / "logs").exists)
        with dump.open("ab", buffering=0) as file:
            for at in range(9000, len(whole), 90):
                file.write(whole[at : at + 90])
                if run.is_over():
                    break
                time.sleep(0.02)
        code = run.ended()
        assert code in (0, 1), run.said
        assert "Traceback" not in run.said
        assert rows_of(results) == list(SESSIONS)
        dump.write_bytes(whole)
        done = sessiongate("run", study, "--out", results)

        assert done.returncode == 0, done.stdout + done.stderr
        assert not apart(made(results), dict(tiny_reference.files))
        (results / ".work" / SEAL).unlink()  # else nobody asks the engine
        assert sessiongate("run", study, "--out", results).returncode == 0
        assert not Steps.of(results).finished


def test_a_mapped_dump_that_is_emptied(tmp_path, monkeypatch):
    """The system ends whoever reads on in a map of it (SIGBUS, mmap(2)): one session is unreadable."""
    study, results = small_study(tmp_path / "study", ("throw-02",)), tmp_path / "results"
    program = (
        "if IS_WORKER:\n"
        "    import os\n"
        "    import pipeline.recording.lines_back as lines_back\n"
        "    real = lines_back._mapped\n"
        "    def mapped(path):\n"
        "        found = real(path)\n"
        "        os.truncate(path, 0)\n"
        "        return found\n"
        "    lines_back._mapped = mapped\n"
    )
    monkeypatch.setenv("PYTHONPATH", planted(tmp_path, program)["PYTHONPATH"])
    job = job_of(study, results, "throw-02")

    with closing(Workers()) as pool:
        pool.run("convert", job)

    conversion = read_json(job.places.conversion)
    assert conversion["status"] != "ok"
    assert "an empty file" in conversion["why"]
