"""What stands around a cluster, where none is: profiles, demands, words of jobs that were done elsewhere."""

import os
from pathlib import Path

import pytest
from conftest import sessiongate
from small import small_study

from pipeline import cluster
from pipeline.cluster import refuse_if_jobs_left
from pipeline.demands import memory_mb, minutes
from pipeline.engine_words import Faults
from pipeline.holding import Busy

RUN_ID = "0b5e4f6a-5f0e-4f5e-9d0c-3c1f8f6a7b2d"


@pytest.mark.parametrize("name", ["slrm", "."])
def test_a_profile_that_is_none(tmp_path, name):
    study = small_study(tmp_path / "study", ("throw-01",))

    done = sessiongate("run", study, "--out", tmp_path / "results", "--profile", name, cwd=tmp_path)

    assert done.returncode == 2
    assert "one of slurm" in done.stderr
    assert not (tmp_path / "results").exists()


def test_a_profile_whose_executor_is_not_installed(tmp_path):
    study = small_study(tmp_path / "study", ("throw-01",))
    (tmp_path / "config.yaml").write_text("executor: 'wheel-of-the-pottery'\n")

    done = sessiongate("run", study, "--out", tmp_path / "results", "--profile", tmp_path)

    assert done.returncode == 2
    assert "pip install snakemake-executor-plugin-wheel-of-the-pottery" in done.stderr


def test_the_profile_of_the_package_is_found():
    if not (Path(cluster.__file__).parent / "profiles" / "slurm" / "config.yaml").is_file():
        pytest.fail("an installed copy would lack it")


def test_jobs_of_a_killed_run(tmp_path, monkeypatch):
    """A run without SLURM's jobs, and one whose jobs are gone, keep nobody from a new one."""
    log, queue = tmp_path / "workflow.log", tmp_path / "squeue"
    queue.write_text(f'#!/bin/sh\n[ "$3" = --name={RUN_ID} ] && cat {tmp_path}/jobs\n')
    queue.chmod(0o755)
    (tmp_path / "jobs").write_text("7\n9\n")
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    refuse_if_jobs_left(log)
    log.write_text("Building DAG of jobs...\n")
    refuse_if_jobs_left(log)
    log.write_text(f"Building DAG of jobs...\nSLURM run ID: {RUN_ID}\nUsing shell: /usr/bin/bash\n")

    with pytest.raises(Busy, match=rf"\(2\).*scancel --name={RUN_ID}$"):
        refuse_if_jobs_left(log)

    queue.write_text("#!/bin/sh\necho 'cannot reach the controller' >&2\nexit 1\n")
    with pytest.raises(Busy, match=r"does not say .* .cannot reach the controller"):
        refuse_if_jobs_left(log)
    queue.write_text(f'#!/bin/sh\n[ "$3" = --name={RUN_ID} ] && cat {tmp_path}/jobs\n')

    (tmp_path / "jobs").write_text("")
    refuse_if_jobs_left(log)


def test_more_of_everything_for_longer_dumps_and_after_a_failure():
    hour, day = 8_100_000, 194_000_000

    assert memory_mb(hour, 1) < memory_mb(day, 1) < 2 * memory_mb(hour, 1)
    assert minutes(hour, 1) == 1
    assert 5 <= minutes(day, 1) <= 10
    assert memory_mb(day, 2) == pytest.approx(2 * memory_mb(day, 1), abs=1)
    assert minutes(day, 3) == pytest.approx(3 * minutes(day, 1), abs=3)


def test_words_of_a_job_that_was_done_elsewhere(tmp_path):
    """Its log is read: what SLURM wrote there, and what the engine on the node said. Forms of SLURM 22.05."""
    log = tmp_path / "logs, of SLURM" / "12.log"
    log.parent.mkdir()
    log.write_text(
        "StepFailed in file 'Snakefile', line 70:\nthrow-01: step 'convert': no.\n"
        "slurmstepd-kiln: error: *** JOB 12 ON kiln CANCELLED AT 2026-11-26T04:14:22 DUE TO TIME LIMIT ***\n"
        "slurmstepd-kiln: error: StepId=12.batch exceeded memory limit (5259 > 5242), being killed\n"
    )
    silent = tmp_path / "13.log"
    faults = Faults(tmp_path)
    for line in (
        "    message: Error in group session",
        f"    log: {log} (check log file(s) for error details)",
        "            log: logs/throw-02/convert.log (check log file(s) for error details)",
        "    message: SLURM-job '13' failed, SLURM status is: 'FAILED'.",
        f"    log: logs/overview.log, {silent} (check log file(s) for error details)",
    ):
        faults.hear(line + "\n")

    assert faults.told() == [
        "throw-01: step 'convert': no.",
        "JOB 12 ON kiln CANCELLED AT 2026-11-26T04:14:22 DUE TO TIME LIMIT",
        "StepId=12.batch exceeded memory limit (5259 > 5242), being killed",
        f"A job on the cluster failed; its words are in {log}.",
        f"A job on the cluster failed, and gave no reason; its words are in {silent}.",
    ]
