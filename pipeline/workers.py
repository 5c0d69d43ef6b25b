"""Warm worker processes: one start-up for many sessions, and a session that kills its worker kills no other.

Rules run as threads of the workflow engine; each hands its step to an idle worker and waits. Workers are
plain child processes that read pickled jobs from a pipe, since ``multiprocessing`` would import the
engine's own main program again in every child.
"""

import os
import pickle
import queue
import subprocess
import sys
import traceback
from pathlib import Path
from typing import IO, Any, cast

from pipeline.steps.job import Job
from pipeline.writing import write_text


class StepFailed(RuntimeError):
    """A step could not even write that it failed: the disk is full, or its process was killed."""


class Workers:
    """As many workers as steps run at once; started when first needed, reused after."""

    def __init__(self) -> None:
        self._idle: queue.SimpleQueue[subprocess.Popen[bytes]] = queue.SimpleQueue()

    def run(self, step: str, job: Job) -> None:
        """Run one step of one session in a worker.

        Raises
        ------
        StepFailed
            With one sentence that says what happened and what to do.
        """
        try:
            worker = self._idle.get_nowait()
        except queue.Empty:
            worker = _start()
        questions, replies = cast(IO[bytes], worker.stdin), cast(IO[bytes], worker.stdout)
        try:
            pickle.dump((step, job), questions)
            questions.flush()
            fault = pickle.load(replies)  # noqa: S301 - our own child wrote it
        except (EOFError, BrokenPipeError, pickle.UnpicklingError):
            code = worker.wait()
            what = "killed, or out of memory. Run again."
            message = f"{job.session.name}: the process of step '{step}' ended with {code}: {what}"
            raise StepFailed(message) from None
        self._idle.put(worker)
        if fault:
            raise StepFailed(fault)


def run_here(step: str, job: Job) -> None:
    """Run one step in this process.

    What goes wrong in a session is written into its files, so that it ends as unreadable and the others
    go on; only what cannot be written raises :class:`StepFailed`.
    """
    from pipeline.steps.by_name import SESSION_STEPS  # costs a second, and only workers need it
    from pipeline.steps.fallback import write_fallback

    log = job.results / "logs" / job.session.name / f"{step}.log"
    try:
        try:
            line = SESSION_STEPS[step](job)
        except OSError:
            raise
        except Exception as error:
            line = f"failed: {error}\n{traceback.format_exc()}"
            write_fallback(step, job, error)
        write_text(log, f"{step}: {line}\n")
    except OSError as error:
        raise StepFailed(_about_files(job, step, error)) from error


def _about_files(job: Job, step: str, error: OSError) -> str:
    place = error.filename or job.results
    return (
        f"{job.session.name}: step '{step}' could not write or read {place}: {error.strerror or error}. "
        "Free space or mend permissions and run again: finished sessions are kept, nothing is half-written."
    )


def _start() -> subprocess.Popen[bytes]:
    # A worker does one session at a time on one core: threads of libraries would only compete.
    environment = {
        **os.environ,
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "ARROW_NUM_THREADS": "1",
    }
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.workers"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={
            **environment,
            "PYTHONPATH": os.pathsep.join(
                [str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH", "")]
            ),
        },
    )


def _serve() -> None:
    """Read jobs until the pipe closes; answer each with a fault, or None."""
    replies = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    while True:
        try:
            step, job = pickle.load(sys.stdin.buffer)  # noqa: S301 - our own parent wrote it
        except EOFError:
            return
        fault: Any = None
        try:
            run_here(step, job)
        except Exception as error:
            fault = str(error)
        pickle.dump(fault, replies)
        replies.flush()


if __name__ == "__main__":
    _serve()
