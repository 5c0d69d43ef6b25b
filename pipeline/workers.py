"""Warm worker processes: one start-up for many sessions, and a session that kills its worker kills no other.

Rules run as threads of the workflow engine; each hands its step to an idle worker and waits. Workers are
plain child processes that read pickled jobs from a pipe, since ``multiprocessing`` would import the
engine's own main program again in every child. A worker lives no longer than its engine: what an engine
that was killed had asked for must not be written over what the next one makes.
"""

import errno
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import traceback
from contextlib import AbstractContextManager, nullcontext, suppress
from pathlib import Path
from typing import IO, Any, cast

from pipeline.machine import apart, remedy
from pipeline.steps.job import Job, StepFailed, Tables, WorkerEnded, WorkerHung
from pipeline.writing import POWER_MAY_FAIL, none_of_the_future, write_text

OVERVIEW = "overview"

_OF_THE_DISK = frozenset([errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM])
"""What goes wrong with files for every session alike; other faults are a session's own."""

_AT_LEAST_S = 600.0
_S_PER_MB = 60.0
_S_PER_SESSION = 1.0
"""How long a step may take: so long, and so much more for each MB (10^6 bytes) of dumps, or for each session.

Of 1 h of 4 channels at 250 Hz (8.1 MB) no step takes longer than 0.5 s; the slowest hostile dumps that the
fuzzer makes take 5 s for each MB. The limit is twelve times that, for machines that are busy. Tables take
0.01 s for each session.
"""


class Workers:
    """As many workers as steps are at work at once; started when first needed, reused after."""

    def __init__(self) -> None:
        self._idle: queue.SimpleQueue[_Worker] = queue.SimpleQueue()
        self._at_work: AbstractContextManager[Any] = nullcontext()
        self.is_stopped = False

    def limit(self, at_once: int) -> None:
        """Have so many steps at work at once; further ones wait for their turn."""
        self._at_work = threading.BoundedSemaphore(at_once)

    def stop(self) -> None:
        """Begin no step any more: those at work are finished, those that wait for their turn fail."""
        self.is_stopped = True

    def run(self, step: str, job: Job) -> None:
        """Run one step of one session in a worker; where that ends, once more in a fresh one.

        A step that ends its worker twice is given up, and so is one that takes longer than :func:`limit_s`
        once; the session ends as ``unreadable``, and the next run begins it anew.

        Raises
        ------
        StepFailed
            With one sentence that says what happened and what to do.
        """
        with self._at_work:
            if self.is_stopped:
                raise StepFailed(f"{job.session.name}: stopped before step '{step}' was begun.")
            fault = self._done(step, job)
        if fault:
            raise StepFailed(fault)

    def _done(self, step: str, job: Job) -> str:
        try:
            return self._ask(self._ready(), step, job)
        except WorkerHung as hung:
            return self._give_up(step, job, hung)
        except WorkerEnded:
            try:
                return self._ask(_Worker(), step, job)
            except WorkerEnded as ended:
                return self._give_up(step, job, ended)

    def make_tables(self, tables: Tables) -> None:
        """Make the tables and the page over all sessions in a worker of its own.

        Raises
        ------
        StepFailed
            With one sentence that says what happened and what to do.
        """
        worker = _Worker()
        try:
            fault = worker.ask(OVERVIEW, tables, None)
            worker.close()
        except WorkerEnded as ended:
            fault = f"Step '{OVERVIEW}': {ended}. Free memory and run again."
        if fault:
            raise StepFailed(fault)

    def close(self) -> None:
        """End all workers that have nothing to do."""
        with suppress(queue.Empty):
            while True:
                self._idle.get_nowait().close()

    def _ready(self) -> "_Worker":
        try:
            return self._idle.get_nowait()
        except queue.Empty:
            return _Worker()

    def _give_up(self, step: str, job: Job, ended: WorkerEnded) -> str:
        try:
            return self._ask(_Worker(), step, job, ended)
        except WorkerEnded:
            return f"{job.session.name}: step '{step}': {ended}. Free memory and run again."

    def _ask(self, worker: "_Worker", step: str, job: Job, ended: WorkerEnded | None = None) -> str:
        """Have a worker do a step, or write how it `ended` another; give what kept it from that."""
        fault = worker.ask(step, job, ended)
        self._idle.put(worker)
        return fault


class _Worker:
    """One process, and a thread that listens to it: a process that hangs keeps nobody from going on."""

    def __init__(self) -> None:
        path = os.pathsep.join([str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH", "")])
        self._process = subprocess.Popen(
            [sys.executable, "-m", "pipeline.workers"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": path},
            # Out of the reach of Ctrl-C: steps at work are ended in order, and workers with their engine.
            **apart(),
        )
        self._replies: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()

    def ask(self, step: str, job: Job | Tables, ended: WorkerEnded | None) -> str:
        """Have a step done; give what kept the worker from writing even that it failed, or ''."""
        limit = limit_s(job)
        with suppress(BrokenPipeError):  # it has ended, as is heard at once
            questions = cast(IO[bytes], self._process.stdin)
            pickle.dump((step, job, ended), questions)
            questions.flush()
        try:
            reply = self._replies.get(timeout=limit)
        except queue.Empty:
            self._process.kill()  # and no wait: a process that waits for a dead disk ends with the disk
            self._hang_up()
            raise WorkerHung(f"it took longer than {limit:.0f} s, the limit for dumps of this size") from None
        if reply is None:
            code = self.close()
            raise WorkerEnded(f"its process ended with {code}: killed, or out of memory")
        return reply

    def close(self) -> int:
        """Have the process end, which it does when it hears no more; give its exit code."""
        self._hang_up()
        return self._process.wait()

    def _hang_up(self) -> None:
        with suppress(OSError):
            cast(IO[bytes], self._process.stdin).close()

    def _listen(self) -> None:
        replies = cast(IO[bytes], self._process.stdout)
        with replies, suppress(EOFError, OSError, pickle.UnpicklingError):
            while True:
                self._replies.put(pickle.load(replies))  # noqa: S301 - our own child wrote it
        self._replies.put(None)
        self._process.wait()


def limit_s(job: Job | Tables) -> float:
    """How long one step of a session may take, by the size of its dumps; the tables by their sessions."""
    if isinstance(job, Tables):
        return _AT_LEAST_S + _S_PER_SESSION * len(job.study.sessions)
    n_bytes = 0
    for name in job.session.dumps:
        with suppress(OSError):
            n_bytes += (job.study_folder / name).stat().st_size
    return _AT_LEAST_S + _S_PER_MB * n_bytes / 1e6


def run_here(step: str, job: Job, ended: WorkerEnded | None = None) -> None:
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
                raise ended
            line = SESSION_STEPS[step](job)
        except Exception as error:
            # A Parquet file that is garbage is an OSError too, but one without a number.
            if isinstance(error, OSError) and error.errno in _OF_THE_DISK:
                raise
            line = f"failed: {error}\n{traceback.format_exc()}"
            write_fallback(step, job, error)
        write_text(log, f"{step}: {line}\n", lasting=False)
        none_of_the_future(job.places.folders, log)
    except OSError as error:
        if error.errno == errno.ENOMEM:
            raise MemoryError(str(error)) from error
        raise StepFailed(_about_files(job, step, error)) from error


def _make_tables(tables: Tables) -> None:
    from pipeline.steps.present import overview  # brings libraries that the engine never needs

    try:
        overview(tables.study, tables.policy, tables.results, tables.started)
    except OSError as error:
        raise StepFailed(
            f"{error.filename or tables.results}: {error.strerror or error}. {remedy(error)}"
        ) from error
    except (StepFailed, MemoryError):
        raise
    except Exception as error:  # a fault of ours: its place goes into the log of the run
        traceback.print_exc()
        raise StepFailed(str(error) or type(error).__name__) from error


def _about_files(job: Job, step: str, error: OSError) -> str:
    place = error.filename or job.results
    return (
        f"{job.session.name}: step '{step}' could not write or read {place}: {error.strerror or error}. "
        f"{remedy(error)}: finished sessions are kept, nothing is half-written."
    )


def _serve() -> None:
    """Do steps until the engine ends; answer each with a fault, or ''."""
    replies = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=0)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    _be_modest()
    POWER_MAY_FAIL.set()
    questions: queue.SimpleQueue[tuple[str, Job | Tables, WorkerEnded | None]] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(sys.stdin.buffer, questions), daemon=True).start()
    while True:
        step, job, ended = questions.get()
        fault = ""
        try:
            if isinstance(job, Tables):
                _make_tables(job)
            else:
                run_here(step, job, ended)
        except StepFailed as failed:
            fault = str(failed)
        except BaseException:  # out of memory, as a rule, even to write so: a fresh process has some
            with suppress(BaseException):
                traceback.print_exc()
            os._exit(1)
        with suppress(BrokenPipeError):  # the engine was killed meanwhile
            replies.write(pickle.dumps(fault))


def _be_modest() -> None:
    """End with the engine alone, and before it where memory runs out."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):  # whoever ends all processes at once means the run
        if number := getattr(signal, name, None):
            signal.signal(number, signal.SIG_IGN)
    with suppress(OSError):  # proc(5): of what takes memory, the system ends what has most points
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")


def _read(source: IO[bytes], questions: "queue.SimpleQueue[Any]") -> None:
    """Take in jobs while the one before is at work; end the process, whatever it does, with the engine."""
    try:
        while True:
            questions.put(pickle.load(source))  # noqa: S301 - our own parent wrote it
    finally:
        os._exit(0)


if __name__ == "__main__":
    _serve()
