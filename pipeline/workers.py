"""Warm worker processes: one start-up for many sessions, and a session that kills its worker ends no other.

Rules run as threads of the workflow engine; each hands its step to an idle worker and waits. Workers are
plain child processes that read pickled jobs from a pipe, since ``multiprocessing`` would import the
engine's own main program again in every child. A worker lives no longer than its engine: what an engine
that was killed had asked for must not be written over what the next one makes.
"""

import itertools
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack, nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import IO, Any, cast

from pipeline.machine import apart
from pipeline.steps.job import Job, Share, StepFailed, Tables, WorkerEnded, WorkerHung

OVERVIEW = "overview"
MANY = 50
"""From so many sessions on workers start while the engine works out what to do, and share participants."""

READY = -1
"""The number under which a worker tells that it has imported everything."""
EARLY = "early"
"""Has a worker import at once whatever any step may need, instead of what its first one does."""

_MOST_ENDED, _MOST_TRIED = 2, 4
"""So many workers a step may end, and so often it is tried where others may have ended them."""

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
        self._of_tables: _Worker | None = None
        self.is_stopped = self._has_begun = False

    def expect_many(self, at_once: int) -> None:
        """Start workers before they are needed, while the engine works out what there is to do.

        One after the other, since it does that on one core.
        """
        threading.Thread(target=self._start_early, args=(at_once,), daemon=True).start()

    def _start_early(self, at_once: int) -> None:
        with suppress(OSError, WorkerEnded):  # whoever needs one then starts it
            for _ in range(at_once):
                worker = _Worker(EARLY)
                worker.wait_until_ready()
                if self._has_begun:  # those that were needed were started
                    worker.close()
                    break
                self._idle.put(worker)
            self._of_tables = _Worker(EARLY)

    def limit(self, at_once: int) -> None:
        """Have so many steps at work at once; further ones wait for their turn."""
        self._at_work = threading.BoundedSemaphore(at_once)

    def stop(self) -> None:
        """Begin no step any more: those at work are finished, those that wait for their turn fail."""
        self.is_stopped = True

    def run(self, step: str, job: Job, *, goes_on: bool = False) -> None:
        """Run one step of one session in a worker; where that ends, once more in a fresh one.

        A step that ends its worker twice is given up, and so is one that takes longer than :func:`limit_s`
        once; the session ends as ``unreadable``, and the next run begins it anew. A step that `goes_on` with
        what the one before it began is done though a run was stopped meanwhile.

        Raises
        ------
        StepFailed
            With one sentence that says what happened and what to do.
        """
        ended: WorkerEnded | None = None
        n_tried = n_ended = 0
        while not isinstance(ended, WorkerHung) and n_ended < _MOST_ENDED and n_tried < _MOST_TRIED:
            with ExitStack() as turn:
                turn.enter_context(self._at_work)
                if self.is_stopped and not goes_on:
                    raise StepFailed(f"{job.session.name}: stopped before step '{step}' was begun.")
                self._has_begun = True
                worker = self._warm() if not n_tried else _Worker()
                computed = threading.Event()
                try:
                    fault = self._ask(worker, step, job, None, turn, computed)
                except WorkerEnded as error:
                    ended, n_tried = error, n_tried + 1
                    # While its files got their names the worker did another step, which may have ended it.
                    n_ended += not computed.is_set()
                    continue
            if fault:
                raise StepFailed(fault)
            return
        self._give_up(step, job, cast(WorkerEnded, ended))

    def _warm(self) -> "_Worker":
        with suppress(queue.Empty):
            while True:
                worker = self._idle.get_nowait()
                if not worker.has_ended:  # while the disk took what it had written
                    return worker
        return _Worker()

    def _give_up(self, step: str, job: Job, ended: WorkerEnded) -> None:
        """Have a fresh worker write that the step `ended` others."""
        with ExitStack() as turn:
            turn.enter_context(self._at_work)
            try:
                fault = self._ask(_Worker(), step, job, ended, turn, threading.Event())
            except WorkerEnded:
                fault = f"{job.session.name}: step '{step}': {ended}. Free memory and run again."
        if fault:
            raise StepFailed(fault)

    def _ask(
        self,
        worker: "_Worker",
        step: str,
        job: Job,
        ended: WorkerEnded | None,
        turn: ExitStack,
        computed: threading.Event,
    ) -> str:
        """Have a worker do a step, or write how it `ended` another; give what kept it from that.

        What is computed waits for the disk alone: worker and turn go to the next step meanwhile.
        """

        def is_free() -> None:
            computed.set()
            self._idle.put(worker)
            turn.close()

        return worker.ask(step, job, ended, is_free)

    def make_tables(self, tables: Tables) -> None:
        """Make the tables and the page over all sessions in a worker of its own.

        Before that, workers that have nothing to do any more share the participants among them: with a
        thousand sessions it takes 6 s to look at all of these.

        Raises
        ------
        StepFailed
            With one sentence that says what happened and what to do.
        """
        shares = self._look_at(tables)
        ready = self._of_tables
        worker = ready if ready and not ready.has_ended else _Worker()
        try:
            fault = worker.ask(OVERVIEW, replace(tables, shares=shares), None, lambda: None)
            worker.close()
        except WorkerEnded as ended:
            fault = f"Step '{OVERVIEW}': {ended}. Free memory and run again."
        finally:
            for share in shares:
                share.unlink(missing_ok=True)
        if fault:
            raise StepFailed(fault)

    def _look_at(self, tables: Tables) -> tuple[Path, ...]:
        """Files with what was seen of all participants; none where they are few, or something went wrong.

        Then the tables are made without, and tell what is wrong.
        """
        idle = self._all_idle() if len(tables.study.sessions) >= MANY else []
        places = [tables.results / ".work" / f".signal-{i}.{os.getpid()}.part" for i in range(len(idle))]
        shares = [Share(tables, i, len(idle), place) for i, place in enumerate(places)]

        def looks(worker: _Worker, share: Share) -> bool:
            try:
                return not worker.ask("signal", share, None, lambda: None)
            except WorkerEnded:
                return False
            finally:
                worker.close()

        with ThreadPoolExecutor(max(len(idle), 1)) as pool:
            is_done = all(list(pool.map(looks, idle, shares)))
        if is_done:
            return tuple(places)
        for place in places:
            place.unlink(missing_ok=True)
        return ()

    def _all_idle(self) -> "list[_Worker]":
        found = []
        with suppress(queue.Empty):
            while True:
                found.append(self._idle.get_nowait())
        return [worker for worker in found if not worker.has_ended]

    def close(self) -> None:
        """End all workers that have nothing to do."""
        if self._of_tables:
            self._of_tables.close()
        for worker in self._all_idle():
            worker.close()


class _Worker:
    """One process, and a thread that listens to it: a process that hangs keeps nobody from going on.

    It does one step at a time; while the files of one go to the disk, it begins the next.
    """

    def __init__(self, *words: str) -> None:
        path = os.pathsep.join([str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH", "")])
        self._process = subprocess.Popen(
            [sys.executable, "-m", "pipeline.serving", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": path},
            # Out of the reach of Ctrl-C: steps at work are ended in order, and workers with their engine.
            **apart(),
        )
        self._asked = itertools.count()
        self._lock = threading.Lock()
        self._ready: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._replies = {READY: self._ready}
        self.has_ended = False
        threading.Thread(target=self._listen, daemon=True).start()

    def ask(
        self, step: str, job: Job | Tables | Share, ended: WorkerEnded | None, is_free: Callable[[], None]
    ) -> str:
        """Have a step done; give what kept the worker from writing even that it failed, or ''.

        `is_free` is called as soon as it can be asked for another.
        """
        limit = limit_s(job)
        number, replies = next(self._asked), queue.SimpleQueue[str | None]()
        with self._lock:
            if self.has_ended:
                replies.put(None)
            self._replies[number] = replies
        with suppress(BrokenPipeError, ValueError):  # it has ended or is hung up, as is heard at once
            questions = cast(IO[bytes], self._process.stdin)
            pickle.dump((number, step, job, ended), questions)
            questions.flush()
        self._heard(replies, limit)
        is_free()
        fault = self._heard(replies, limit)
        with self._lock:
            del self._replies[number]
        return fault

    def wait_until_ready(self) -> None:
        """Wait until one that was started early has imported everything."""
        self._heard(self._ready, _AT_LEAST_S)

    def _heard(self, replies: "queue.SimpleQueue[str | None]", limit: float) -> str:
        try:
            reply = replies.get(timeout=limit)
        except queue.Empty:
            self._process.kill()  # and no wait: a process that waits for a dead disk ends with the disk
            self._hang_up()
            self._end()
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
        told = cast(IO[bytes], self._process.stdout)
        with told, suppress(EOFError, OSError, pickle.UnpicklingError):
            while True:
                number, reply = pickle.load(told)  # noqa: S301 - our own child wrote it
                self._replies[number].put(reply)
        self._end()
        self._process.wait()

    def _end(self) -> None:
        """Tell all who wait for a reply that none will come."""
        with self._lock:
            self.has_ended = True
            for replies in self._replies.values():
                replies.put(None)


def limit_s(job: Job | Tables | Share) -> float:
    """How long one step of a session may take, by the size of its dumps; the tables by their sessions."""
    if isinstance(job, Share):
        return limit_s(job.tables)
    if isinstance(job, Tables):
        return _AT_LEAST_S + _S_PER_SESSION * len(job.study.sessions)
    n_bytes = 0
    for name in job.session.dumps:
        with suppress(OSError):
            n_bytes += (job.study_folder / name).stat().st_size
    return _AT_LEAST_S + _S_PER_MB * n_bytes / 1e6
