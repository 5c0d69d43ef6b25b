"""The same study on a cluster: a SLURM of one node, with the profile that comes with the package.

Starts that SLURM (``tests/slurm.sh``) and ends it again, unless it runs already.
"""

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml
from conftest import REPOSITORY, sessiongate
from small import FINAL, is_whole, small_study, start, wait_for

from pipeline.outlook import STEPS
from pipeline.workflow import SEAL

SCRIPT = REPOSITORY / "tests" / "slurm.sh"
PROFILE = REPOSITORY / "pipeline" / "profiles" / "slurm" / "config.yaml"
SESSIONS = ("throw-01", "throw-02", "kiln-01", "kiln-06")
TABLES = ("sessions.parquet", "sessions.csv", "exclusions.csv", "margins.csv", "signal.csv")
WORDS = ("flow.svg", "flow.txt", "methods.txt")
HOLD = """
import os, sys, time
if "pipeline.serving" in sys.orig_argv:
    import pipeline.steps.convert as steps
    real = steps.convert
    def convert(job):
        while os.path.exists({hold!r}):
            time.sleep(0.1)
        return real(job)
    steps.convert = convert
"""
"""Python runs this at its start (documentation of `site`): dumps are converted when a file is gone."""


@pytest.fixture(scope="module", autouse=True)
def node() -> Iterator[None]:
    """A SLURM that takes jobs."""
    if importlib.util.find_spec("snakemake_executor_plugin_slurm") is None:
        pytest.skip("snakemake-executor-plugin-slurm is not installed: pip install -e '.[cluster]'")
    places = f"{os.environ['PATH']}:/usr/sbin"
    programs = ("munged", "slurmctld", "slurmd", "sbatch")
    if missing := [name for name in programs if shutil.which(name, path=places) is None]:
        pytest.skip(f"{', '.join(missing)} missing: install Debian's slurm-wlm and munge")
    if os.geteuid() != 0:
        pytest.skip("a SLURM of one node is started by root")
    ran = subprocess.run([SCRIPT, "status"]).returncode == 0
    started = subprocess.run([SCRIPT, "start"], capture_output=True, text=True)
    if "another SLURM" in started.stderr:
        pytest.skip(started.stderr.strip())
    assert started.returncode == 0, started.stderr
    yield
    if not ran:
        subprocess.run([SCRIPT, "stop"], check=True)


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    """Four sessions of the demo, in a folder that a shell might trip over."""
    return small_study(tmp_path_factory.mktemp("räume & öfen") / "the $study", SESSIONS)


@pytest.fixture(scope="module")
def here(study) -> Path:
    """Their results as they come out without a cluster."""
    results = study.parent / "here"
    done = sessiongate("run", study, "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return results


def profile(folder: Path, sessions_each: int = 2, **settings) -> Path:
    """The package's profile for a node that is near: looks often, and sends nothing again unless told."""
    content = yaml.safe_load(PROFILE.read_text(encoding="utf-8"))
    content |= {"group-components": [f"session={sessions_each}"], "retries": 0, "latency-wait": 5}
    content |= {"slurm-init-seconds-before-status-checks": 1, "seconds-between-status-checks": 1}
    # Without control groups SLURM finds a job's processes by their parents: their shell has to stay.
    content |= {"precommand": "trap '' TERM"}
    content |= {name.replace("_", "-"): value for name, value in settings.items()}
    folder.mkdir(exist_ok=True)
    (folder / "config.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
    return folder


def same(results: Path, others: Path) -> None:
    """All data, tables and pages of sessions are equal to the byte."""
    names = [f"{session}/{name}" for session in SESSIONS for name in FINAL]
    names += [str(path.relative_to(others)) for path in others.glob(".work/*/*")]
    for name in (*names, *TABLES, *WORDS):
        assert (results / name).read_bytes() == (others / name).read_bytes(), name


def slurm_jobs(log: str, *options: str) -> list[str]:
    """Numbers of the SLURM jobs of a run, from what its engine said."""
    run = next(line.split(": ")[1] for line in log.splitlines() if line.startswith("SLURM run ID"))
    asked = ["squeue", "--noheader", "--states=all", f"--name={run}", "--format=%i", *options]
    return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.split()


def said(results: Path) -> str:
    return (results / "logs" / "workflow.log").read_text(encoding="utf-8")


def test_the_same_bytes_as_without_a_cluster(tmp_path, study, here):
    """As many SLURM jobs as groups, and one for the tables; logs are back; nothing is done twice."""
    results = tmp_path / "results"
    options = ("run", study, "--out", results, "--profile", profile(tmp_path / "profile"))
    done = sessiongate(*options)

    assert done.returncode == 0, done.stdout + done.stderr
    same(results, here)
    jobs = slurm_jobs(said(results))
    assert len(jobs) == len(SESSIONS) // 2 + 1
    assert {path.stem for path in results.glob("logs/slurm/*/*.log")} == set(jobs)
    for session in SESSIONS:
        assert {path.stem for path in (results / "logs" / session).iterdir()} == set(STEPS)
    (results / ".work" / SEAL).unlink()  # else nobody asks the engine
    again = sessiongate(*options)
    assert again.returncode == 0, again.stdout + again.stderr
    assert slurm_jobs(said(results)) == []
    local = sessiongate("run", study, "--out", results)
    assert "Job stats" not in said(results), local.stdout


def test_the_engine_alone(tmp_path, study, here):
    """`snakemake --workflow-profile ...` in the results folder, without the front door."""
    results = tmp_path / "results"
    results.mkdir()
    command = [sys.executable, "-m", "snakemake", "--snakefile", REPOSITORY / "Snakefile"]
    command += ["--workflow-profile", profile(tmp_path / "profile", 4), "--directory", results]
    command += ["--config", f"study={study}", "out=."]

    done = subprocess.run(command, capture_output=True, text=True, timeout=300)

    assert done.returncode == 0, done.stderr
    same(results, here)
    jobs = slurm_jobs(done.stderr)
    assert len(jobs) == 2
    assert {path.stem for path in results.glob("logs/slurm/*/*.log")} == set(jobs)


class Held:
    """A run whose conversions wait until they are let go."""

    def __init__(self, folder: Path, study: Path, **settings) -> None:
        self.study, self.results, self._hold = study, folder / "results", folder / "hold"
        self._hold.touch()
        (folder / "start").mkdir()
        (folder / "start" / "sitecustomize.py").write_text(HOLD.format(hold=str(self._hold)))
        path = os.pathsep.join([str(folder / "start"), str(REPOSITORY), os.environ.get("PYTHONPATH", "")])
        options = ("--profile", str(profile(folder / "profile", **settings)))
        self.run = start(study, self.results, *options, env={**os.environ, "PYTHONPATH": path})

    def begun(self) -> str:
        """The number of the first SLURM job whose worker is at work."""
        log = self.results / "logs" / "workflow.log"
        wait_for(lambda: log.exists() and "SLURM run ID" in said(self.results), 300)
        running = "--states=R"
        return wait_for(
            lambda: next(filter(self.worker, slurm_jobs(said(self.results), running)), ""), seconds=300
        )

    def worker(self, job: str) -> int:
        """The worker of a SLURM job; 0 where there is none."""
        return next((pid for pid in _of(job) if b"pipeline.serving" in _words(pid)), 0)

    def engine(self, job: str) -> int:
        """The engine that SLURM started for a job."""
        return next(pid for pid in _of(job) if b"snakemake" in _words(pid) and b"workers" not in _words(pid))

    def let_go(self) -> str:
        """What the run says to its end."""
        self._hold.unlink(missing_ok=True)
        return self.run.communicate(timeout=300)[0]


@pytest.fixture
def holding(tmp_path, study) -> Iterator[Callable[..., Held]]:
    """Begins a run that is held; one that a failed test left takes its SLURM jobs back."""
    begun: list[Held] = []

    def begin(**settings) -> Held:
        begun.append(Held(tmp_path, study, **settings))
        return begun[-1]

    yield begin
    for held in begun:
        if held.run.poll() is None:
            held.run.send_signal(signal.SIGINT)
            held.let_go()


def _of(job: str) -> list[int]:
    """Processes of a SLURM job."""
    mark = f"SLURM_JOB_ID={job}\0".encode()
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if mark in (place / "environ").read_bytes():
                found.append(int(place.name))
        except OSError:  # it ended meanwhile
            continue
    return sorted(found)


def _words(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def test_a_worker_that_is_killed_costs_nothing(holding, study, here):
    held = holding()
    os.kill(held.worker(held.begun()), signal.SIGKILL)
    text = held.let_go()

    assert held.run.returncode == 0, text
    same(held.results, here)


def test_a_job_that_is_killed_is_sent_again(holding, study, here):
    held = holding(retries=1)
    os.kill(held.engine(held.begun()), signal.SIGKILL)
    text = held.let_go()

    assert held.run.returncode == 0, text
    same(held.results, here)
    assert len(slurm_jobs(said(held.results))) == len(SESSIONS) // 2 + 2


def test_a_job_that_is_cancelled(holding, study, here):
    """The others are done, the last line says what happened, and the next run completes."""
    held = holding()
    job = held.begun()
    subprocess.run(["scancel", job], check=True)
    text = held.let_go()

    assert held.run.returncode == 1, text
    assert f"{job}.log" in text
    assert "CANCELLED" in text
    assert "Traceback" not in text
    wait_for(lambda: not _of(job))
    assert sum(is_whole(held.results, session) for session in SESSIONS) == 2
    _completes(held.results, study, here)


def _completes(results: Path, study: Path, here: Path) -> None:
    again = sessiongate("run", study, "--out", results, "--profile", profile(results.parent / "again"))
    assert again.returncode == 0, again.stdout + again.stderr
    same(results, here)


def test_a_job_that_takes_more_memory(tmp_path, study, here):
    """SLURM ends what takes more than was asked for."""
    little = profile(tmp_path / "little", set_resources=[f"{rule}:mem_mb=150" for rule in STEPS])

    done = sessiongate("run", study, "--out", tmp_path / "results", "--profile", little)

    assert done.returncode == 1, done.stdout + done.stderr
    assert "memory limit" in done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    _completes(tmp_path / "results", study, here)


def test_a_job_that_takes_longer(holding, study, here):
    """SLURM ends what is at work after the time that was asked for: a minute is the least there is."""
    held = holding(set_resources=["judge:runtime=1"], sessions_each=1)
    job = held.begun()
    wait_for(lambda: not _of(job), 180)
    text = held.let_go()

    assert held.run.returncode == 1, text
    assert "TIME LIMIT" in text
    _completes(held.results, study, here)


def test_ctrl_c_takes_jobs_back(holding):
    held = holding()
    held.begun()
    held.run.send_signal(signal.SIGINT)
    text = held.let_go()

    assert held.run.returncode == 130, text
    assert "Traceback" not in text
    assert slurm_jobs(said(held.results), "--states=R,PD,CF") == []


def test_jobs_that_outlive_their_run(holding, study, here):
    """Where the run is killed where it was started, its SLURM jobs go on: no other run begins meanwhile."""
    held = holding()
    held.begun()
    lock = held.results / ".work" / "engine.lock"
    engine = json.loads(lock.read_text(encoding="utf-8"))["pid"]
    for pid in (held.run.pid, engine):
        os.kill(pid, signal.SIGKILL)
    held.let_go()

    refused = sessiongate("run", study, "--out", held.results)
    assert refused.returncode == 1, refused.stdout + refused.stderr
    assert "SLURM jobs are still there" in refused.stderr
    subprocess.run(refused.stderr.split(": ")[-1].split(), check=True)
    wait_for(lambda: not slurm_jobs(said(held.results), "--states=R,PD,CF,CG"))
    _completes(held.results, study, here)
