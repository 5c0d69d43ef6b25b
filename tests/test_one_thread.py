"""Sums run in one order in every process: the last digits of a fit depend on how many threads add it up.

That it takes one thread is asked of the libraries themselves, by threadpoolctl.
"""

import os
import subprocess
import sys

import pytest
from conftest import REPOSITORY
from small import small_study

MANY = {"OMP_NUM_THREADS": "4", "OPENBLAS_NUM_THREADS": "4"}
ASK = "import numpy, threadpoolctl as t; print(*(one['num_threads'] for one in t.threadpool_info()))"
AT_EXIT = """
import os, sys

end = os._exit

def tell(code):
    if "pipeline.steps.by_name" in sys.modules:
        import threadpoolctl
        threads = [one["num_threads"] for one in threadpoolctl.threadpool_info()]
        print(threads, file=open(os.path.join(os.path.dirname(__file__), f"{os.getpid()}.told"), "w"))
    end(code)

os._exit = tell
"""


@pytest.mark.parametrize("way_in", ["cli", "workers", "workflow", "drill.drill"])
def test_every_way_in_adds_up_in_one_thread_whatever_the_surroundings_say(way_in):
    command = [sys.executable, "-c", f"import pipeline.{way_in}\n{ASK}"]
    done = subprocess.run(command, env=os.environ | MANY, capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) == {"1"}


def test_a_job_of_the_engine_alone_adds_up_in_one_thread(tmp_path):
    """A cluster starts one engine for each job, and that a worker, which ends by os._exit."""
    study, told = small_study(tmp_path / "study", ("throw-02",)), tmp_path / "told"
    told.mkdir()
    (told / "sitecustomize.py").write_text(AT_EXIT)
    command = [
        *(sys.executable, "-m", "snakemake", "--cores", "1", "--mode", "subprocess", "--nolock"),
        *("--target-jobs", "convert:session=throw-02", "--allowed-rules", "convert"),
        *("--config", f"study={study}", f"out={tmp_path / 'results'}"),
    ]

    done = subprocess.run(
        command,
        cwd=REPOSITORY,
        env=os.environ | MANY | {"PYTHONPATH": str(told)},
        capture_output=True,
        text=True,
    )

    assert done.returncode == 0, done.stderr
    assert (tmp_path / "results" / ".work" / "throw-02" / "recording.parquet").is_file()
    texts = [path.read_text() for path in told.glob("*.told")]
    assert len(texts) == 1
    assert set(texts[0].strip("[]\n").split(", ")) == {"1"}
