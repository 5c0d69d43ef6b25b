"""How many steps are at work at once, and what becomes of those that wait when a run is stopped."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.steps.job import StepFailed, WorkerEnded
from pipeline.workers import Workers

JOB: Any = SimpleNamespace(session=SimpleNamespace(name="kiln-01"))


class Counting(Workers):
    """Steps that take a moment and count how many of them there are at once."""

    def __init__(self) -> None:
        super().__init__()
        self.lock, self.now, self.most, self.n_done = threading.Lock(), 0, 0, 0
        self.go_on = threading.Event()

    def _warm(self) -> Any:
        return None

    def _ask(self, *_: Any) -> str:
        with self.lock:
            self.now += 1
            self.most = max(self.most, self.now)
        self.go_on.wait(10)
        with self.lock:
            self.now -= 1
            self.n_done += 1
        return ""


@pytest.mark.parametrize("at_once", [1, 2, 3])
def test_so_many_at_once_and_no_more(at_once: int) -> None:
    workers = Counting()
    workers.limit(at_once)
    with ThreadPoolExecutor(6) as pool:
        asked = [pool.submit(workers.run, "judge", JOB) for _ in range(6)]
        while workers.now < at_once:
            time.sleep(0.001)
        time.sleep(0.05)
        workers.go_on.set()
        for one in asked:
            one.result(10)
    assert (workers.most, workers.n_done) == (at_once, 6)


def test_what_waits_when_a_run_is_stopped_is_not_begun() -> None:
    workers = Counting()
    workers.limit(1)
    with ThreadPoolExecutor(3) as pool:
        asked = [pool.submit(workers.run, "judge", JOB) for _ in range(3)]
        while not workers.now:
            time.sleep(0.001)
        workers.stop()
        workers.go_on.set()
        faults = [one.exception(10) for one in asked]
    assert workers.n_done == 1
    assert sorted(str(fault) for fault in faults if fault) == 2 * [
        "kiln-01: stopped before step 'judge' was begun."
    ]
    assert all(isinstance(fault, StepFailed | None) for fault in faults)


def test_what_goes_on_is_done_though_a_run_was_stopped() -> None:
    """A page is made with the verdict before it, which would be lost with it."""
    workers = Counting()
    workers.go_on.set()
    workers.stop()
    workers.run("report", JOB, goes_on=True)
    assert workers.n_done == 1


class Ending(Workers):
    """Workers that end, some of them while their files get their names."""

    def __init__(self, *computed: bool) -> None:
        super().__init__()
        self.computed, self.told = list(computed), list[Any]()

    def _warm(self) -> Any:
        return None

    def _ask(self, worker: Any, step: str, job: Any, ended: Any, turn: Any, computed: Any) -> str:
        if ended is not None:
            self.told.append(ended)
        elif self.computed:
            if self.computed.pop(0):
                computed.set()
                turn.close()
            raise WorkerEnded("killed")
        return ""


@pytest.mark.parametrize(
    ("computed", "is_given_up"),
    [((False,), False), ((False, False), True), ((True, False), False), ((True, True, True, True), True)],
)
def test_a_step_is_given_up_that_ends_two_workers(
    monkeypatch: pytest.MonkeyPatch, computed: tuple[bool, ...], is_given_up: bool
) -> None:
    """One that ended while files got their names may have been ended by the step after; four are enough."""
    monkeypatch.setattr("pipeline.workers._Worker", lambda *_: None)
    workers = Ending(*computed)
    workers.limit(1)
    workers.run("judge", JOB)
    assert bool(workers.told) is is_given_up
    assert not workers.computed


def test_a_worker_that_ended_while_it_was_idle_is_not_asked() -> None:
    gone: Any = SimpleNamespace(has_ended=True)
    there: Any = SimpleNamespace(has_ended=False)
    workers = Workers()
    for one in (gone, there, gone):
        workers._idle.put(one)
    assert workers._warm() is there
    assert workers._all_idle() == []
