"""Warm worker processes: one start-up for many sessions, and a session that kills its worker kills no other.

Rules run as threads of the workflow engine; each hands its step to an idle worker and waits. Workers are
plain child processes that read pickled jobs from a pipe, since ``multiprocessing`` would import the
engine's own main program again in every child.
"""

import errno
import os
import pickle
import queue
import subprocess
import sys
import traceback
from pathlib import Path
from typing import IO, cast

from pipeline.steps.job import Job, StepFailed, WorkerEnded
from pipeline.writing import write_text

_OF_THE_DISK = frozenset([errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM])
"""What goes wrong with files for every session alike; other faults are a session's own."""


class Workers:
    """As many workers as steps run at once; started when first needed, reused after."""

    def __init__(self) -> None:
        self._idle: queue.SimpleQueue[subprocess.Popen[bytes]] = queue.SimpleQueue()

    def run(self, step: str, job: Job) -> None:
        """Run one step of one session in a worker; where that ends, once more in a fresh one.

        A step that ends its worker twice is given up, and the session ends as ``unreadable``.

        Raises
        ------
        StepFailed
            With one sentence that says what happened and what to do.
        """
        try:
            fault = self._ask(self._ready(), step, job, "")
        except WorkerEnded:
            try:
                fault = self._ask(_start(), step, job, "")
            except WorkerEnded as ended:
                fault = self._give_up(step, job, str(ended))
        if fault:
            raise StepFailed(fault)

    def _ready(self) -> "subprocess.Popen[bytes]":
        try:
            return self._idle.get_nowait()
        except queue.Empty:
            return _start()

    def _give_up(self, step: str, job: Job, ended: str) -> str:
        try:
            return self._ask(_start(), step, job, ended)
        except WorkerEnded:
            return f"{job.session.name}: step '{step}': {ended}. Free memory and run again."

    def _ask(self, worker: "subprocess.Popen[bytes]", step: str, job: Job, ended: str) -> str:
        """Have a worker do a step, or write that it `ended`; give what kept it from that."""
        questions, replies = cast(IO[bytes], worker.stdin), cast(IO[bytes], worker.stdout)
        try:
            pickle.dump((step, job, ended), questions)
            questions.flush()
            fault: str = pickle.load(replies)  # noqa: S301 - our own child wrote it
        except (EOFError, BrokenPipeError, pickle.UnpicklingError):
            code = worker.wait()
            raise WorkerEnded(f"its process ended with {code}: killed, or out of memory") from None
        self._idle.put(worker)
        return fault


def run_here(step: str, job: Job, ended: str = "") -> None:
    """Run one step in this process, or write that it was given up since it `ended` its process.

    What goes wrong in a session is written into its files, so that it ends as unreadable and the others
    go on; only what cannot be written raises :class:`StepFailed`.
    """
    from pipeline.steps.by_name import SESSION_STEPS  # costs a second, and only workers need it
    from pipeline.steps.fallback import write_fallback

    log = job.results / "logs" / job.session.name / f"{step}.log"
    try:
        try:
            if ended:
                raise WorkerEnded(ended)
            line = SESSION_STEPS[step](job)
        except Exception as error:
            # A Parquet file that is garbage is an OSError too, but one without a number.
            if isinstance(error, OSError) and error.errno in _OF_THE_DISK:
                raise
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
    path = os.pathsep.join([str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.workers"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        # Out of the reach of Ctrl-C: steps at work are ended in order, and workers with their engine.
        process_group=0,
        env={**os.environ, "PYTHONPATH": path},
    )


def _serve() -> None:
    """Read jobs until the pipe closes, as it does when the engine ends; answer each with a fault, or ''."""
    replies = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=0)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    while True:
        try:
            step, job, ended = pickle.load(sys.stdin.buffer)  # noqa: S301 - our own parent wrote it
        except (EOFError, pickle.UnpicklingError):
            return
        fault = ""
        try:
            run_here(step, job, ended)
        except Exception as error:
            fault = str(error) or type(error).__name__
        try:
            replies.write(pickle.dumps(fault))
        except BrokenPipeError:  # the engine was killed meanwhile
            return


if __name__ == "__main__":
    _serve()
