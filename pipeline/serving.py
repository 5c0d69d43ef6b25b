"""The process behind a worker: it does steps of sessions until its engine ends, one after the other.

While the files of a step go to the disk, which takes no work, it does the next one.
"""

import errno
import importlib
import os
import pickle
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import IO, Any, TypeVar

from pipeline.machine import remedy
from pipeline.steps.job import Job, Share, StepFailed, Tables, WorkerEnded
from pipeline.workers import EARLY, READY
from pipeline.writing import POWER_MAY_FAIL, Unnamed, gathered, none_of_the_future, write_text

T = TypeVar("T")

_OF_THE_DISK = frozenset([errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM])
"""What goes wrong with files for every session alike; other faults are a session's own."""

_TELLING = threading.Lock()
"""Held by the thread that writes to the engine."""


def run_here(step: str, job: Job, ended: WorkerEnded | None = None) -> None:
    """Run one step in this process, or write that it was given up since it `ended` its process.

    What goes wrong in a session is written into its files, so that it ends as unreadable and the others
    go on; only what cannot be written raises :class:`StepFailed`.
    """
    _name(step, job, _computed(step, job, ended))


def _computed(step: str, job: Job, ended: WorkerEnded | None) -> Unnamed:
    """Run one step as far as its files are written, but for their names."""
    from pipeline.steps.by_name import SESSION_STEPS  # costs a second, and only workers need it

    with _disk_faults(step, job):
        try:
            if ended:
                raise ended
            with gathered() as files:
                line = SESSION_STEPS[step](job)
                write_text(_log(step, job), f"{step}: {line}\n", lasting=False)
        except Exception as error:
            _fall_back(step, job, error)
            return Unnamed()
    return files


def _name(step: str, job: Job, files: Unnamed) -> None:
    """Bring what a step wrote to the disk, and give it its names."""
    with _disk_faults(step, job):
        named: tuple[Path, ...] = ()
        try:
            named = files.name()
        except OSError as error:
            _fall_back(step, job, error)
        none_of_the_future(job.places.folders, _log(step, job), *named)


def _fall_back(step: str, job: Job, error: Exception) -> None:
    """Write into a session's files what went wrong with it; raise what goes wrong for every session alike."""
    from pipeline.steps.fallback import write_fallback

    # A Parquet file that is garbage is an OSError too, but one without a number.
    if isinstance(error, OSError) and error.errno in _OF_THE_DISK and not _is_of_a_dump(job, error):
        raise error
    write_fallback(step, job, error)
    why = f"{step}: failed: {error}\n{''.join(traceback.format_exception(error))}\n"
    write_text(_log(step, job), why, lasting=False)


def _is_of_a_dump(job: Job, error: OSError) -> bool:
    return error.filename in [str(job.study_folder / name) for name in job.session.dumps]


def _log(step: str, job: Job) -> Path:
    return job.results / "logs" / job.session.name / f"{step}.log"


@contextmanager
def _disk_faults(step: str, job: Job) -> Iterator[None]:
    """Tell what is wrong with files for every session alike."""
    try:
        yield
    except OSError as error:
        if error.errno == errno.ENOMEM:
            raise MemoryError(str(error)) from error
        raise StepFailed(_about_files(job, step, error)) from error


def _make_tables(job: Tables | Share) -> None:
    """Make the tables, or look at a share of the participants before that."""
    from pipeline.steps.present import overview  # brings libraries that the engine never needs
    from pipeline.steps.signal import look_at_share

    try:
        if isinstance(job, Share):
            look_at_share(job)
        else:
            overview(job)
    except OSError as error:
        raise StepFailed(
            f"{error.filename or job.results}: {error.strerror or error}. {remedy(error)}"
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
    """Do steps until the engine ends; of each, tell when another may come, and then its fault, or ''."""
    replies = os.fdopen(os.dup(sys.stdout.fileno()), "wb", buffering=0)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    _be_modest()
    POWER_MAY_FAIL.set()
    questions: queue.SimpleQueue[tuple[int, str, Job | Tables | Share, WorkerEnded | None]] = (
        queue.SimpleQueue()
    )
    computed: queue.SimpleQueue[tuple[int, Callable[[], str]]] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(sys.stdin.buffer, questions), daemon=True).start()
    threading.Thread(target=_finish, args=(computed, replies), daemon=True).start()
    if EARLY in sys.argv:
        _or_ended(_import_all)
        _tell(replies, READY, "")
    while True:
        number, step, job, ended = questions.get()
        named = _or_ended(partial(_do, step, job, ended))
        _tell(replies, number, "")
        computed.put((number, named))


def _import_all() -> None:
    """Import what steps do when they first need it, too."""
    for name in ("pipeline.steps.by_name", "matplotlib", "pandera.pandas", "scipy.spatial", "scipy.special"):
        importlib.import_module(name)


def _do(step: str, job: Job | Tables | Share, ended: WorkerEnded | None) -> Callable[[], str]:
    """Do a step but for the names of its files; give what is to be called for these, and tells a fault."""
    try:
        if not isinstance(job, Job):
            _make_tables(job)
            return str
        return partial(_named, step, job, _computed(step, job, ended))
    except StepFailed as failed:
        return partial(str, failed)


def _named(step: str, job: Job, files: Unnamed) -> str:
    try:
        _name(step, job, files)
    except StepFailed as failed:
        return str(failed)
    return ""


def _finish(computed: "queue.SimpleQueue[tuple[int, Callable[[], str]]]", replies: IO[bytes]) -> None:
    """Have files of one step after the other go to the disk, and tell of each step how it ended."""
    while True:
        number, named = computed.get()
        _tell(replies, number, _or_ended(named))


def _or_ended(call: Callable[[], T]) -> T:
    """What a call gives, or this process ends: out of memory, as a rule, and a fresh one has some."""
    try:
        return call()
    except BaseException:
        with suppress(BaseException):
            traceback.print_exc()
        os._exit(1)


def _tell(replies: IO[bytes], number: int, text: str) -> None:
    with suppress(BrokenPipeError), _TELLING:  # the engine was killed meanwhile
        replies.write(pickle.dumps((number, text)))


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
