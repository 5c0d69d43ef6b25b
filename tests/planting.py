"""Faults planted into the processes of a run, in a module that Python runs first (see `site`)."""

import os
from pathlib import Path

from conftest import REPOSITORY

_HEAD = """\
import sys
IS_ENGINE = "snakemake" in sys.orig_argv
IS_WORKER = "pipeline.serving" in sys.orig_argv


def instead(step, of_session, body):
    # Have `body(job, real)` called for one step of one session, or of all ('').
    import pipeline.steps.by_name as by_name

    real = by_name.SESSION_STEPS[step]

    def changed(job):
        return body(job, real) if of_session in ("", job.session.name) else real(job)

    by_name.SESSION_STEPS = {**by_name.SESSION_STEPS, step: changed}


"""


def planted(folder: Path, program: str) -> dict[str, str]:
    """Environment variables with which every process of a run runs `program` first."""
    place = folder / "planted"
    place.mkdir()
    (place / "sitecustomize.py").write_text(_HEAD + program, encoding="utf-8")
    path = os.pathsep.join([str(place), str(REPOSITORY), os.environ.get("PYTHONPATH", "")])
    return {**os.environ, "PYTHONPATH": path}


def sleeping(folder: Path, step: str, session: str = "") -> dict[str, str]:
    """The same where a step never ends."""
    return planted(
        folder,
        "if IS_WORKER:\n    import time\n"
        f"    instead({step!r}, {session!r}, lambda job, real: time.sleep(100_000))\n",
    )
