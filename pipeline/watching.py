"""How far a run is: sessions done and failed, and the time left by the work that is left, not by sessions."""

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from typing import Any

from pipeline.outlook import STEPS, Redo, steps_of
from pipeline.progress import time_words

PROGRESS = "sessiongate: "
"""What the engine prints for the user begins with this; the rest goes to a file."""

WATCHED = "SESSIONGATE_WATCHED"
"""Set in the surroundings of an engine whose front door understands facts, not only words."""

AT_ONCE = "SESSIONGATE_AT_ONCE"
"""Set beside it: how many steps may be at work at once; '' where a profile says so."""

_OF_STEP = {
    "convert": (0.02, 0.016),
    "validate": (0.01, 0.004),
    "detect": (0.04, 0.02),
    "draw": (0.15, 0.02),
    "judge": (0.02, 0.004),
    "report": (0.1, 0.004),
}
"""About what a step costs: s for each session, and s for each MB of dumps (`tests/benchmarks/hour.py`).

Only their ratios matter: how fast this machine is shows while it works.
"""
_OF_ANY_STEP = (0.05, 0.015)
_OF_TABLES_S, _OF_TABLES_EACH_S = 1.2, 0.01
"""The same of tables and batch page, which are made by one alone, and for each session of the study."""
_EVERY_S = 5.0
"""How often the engine is asked which jobs that are done elsewhere, as on a cluster, have ended."""
_OF_START_S = 1.5
"""The same of the start of the processes that do steps."""


@dataclass(frozen=True)
class Part:
    """A step of a session that is to be done, and how many bytes its dumps have."""

    session: str
    step: str
    n_bytes: int

    @property
    def work_s(self) -> float:
        """About how long it takes, in s of a machine of nobody's."""
        each_s, per_mb_s = _OF_STEP.get(self.step, _OF_ANY_STEP)
        return each_s + per_mb_s * self.n_bytes / 1e6


@dataclass
class Done:
    """What a run is to do, and what it has done so far.

    ``verdicts`` holds the sessions that are done, None for those of which a step failed; ``faults`` what is
    said of those that failed or could not be read.
    """

    redone: tuple[Redo, ...] = ()
    to_do: tuple[str, ...] = ()
    retired: tuple[str, ...] = ()
    verdicts: dict[str, str | None] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    engine: int | None = None
    reasons: tuple[str, ...] = ()

    def add(self, session: str, verdict: str | None, line: str) -> None:
        """Count a session that went through its steps, or failed in one of them."""
        self.verdicts[session] = verdict
        if verdict in (None, "unreadable"):
            self.faults[session] = line

    @property
    def failed(self) -> list[str]:
        """Sessions that failed or could not be read."""
        return sorted(self.faults)


class Watch:
    """Counts what is done in one run, and tells of it.

    Parameters
    ----------
    tell : callable
        Takes the facts of each event.
    clock : callable
        Gives s.
    """

    def __init__(
        self,
        tell: "Callable[[Mapping[str, Any]], None] | None" = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.done = Done()
        self._tell, self._clock, self._lock = tell or say, clock, threading.Lock()
        self._left: dict[tuple[str, str], float] = {}
        self._whole_s = self._done_s = 0.0
        self._began = clock()
        self._begun = False

    def begin(
        self,
        parts: Collection[Part],
        redone: Iterable[Redo],
        lines: Iterable[str],
        n_sessions: int,
        n_at_once: int = 1,
    ) -> None:
        """Note what is to be done of a study of so many sessions, and say why."""
        with self._lock:
            self._left = {(part.session, part.step): part.work_s / n_at_once for part in parts}
            tables_s = _OF_TABLES_S + _OF_TABLES_EACH_S * n_sessions
            self._done_s, self._whole_s = 0.0, _OF_START_S + sum(self._left.values()) + tables_s
            self._began, self._begun = self._clock(), True
            self.done.redone = tuple(redone)
            self.done.to_do = tuple(sorted({part.session for part in parts}))
            told = [asdict(redo) for redo in self.done.redone]
            self._tell({"kind": "to do", "redone": told, "sessions": self.done.to_do, "lines": list(lines)})

    def step_done(self, session: str, step: str) -> None:
        """Count a step; its session ends with `session_done`, or with `failed`."""
        if not self._begun:  # a job of a cluster, whose engine counts it
            return
        with self._lock:
            self._count([(session, step)])
            self._tell({"kind": "state", **self._state()})

    def session_done(self, session: str, verdict: str | None, line: str) -> None:
        """Count a session, and tell what came out; `verdict` is None where a step of it failed."""
        if not self._begun:
            say({"kind": "words", "lines": [line]})
            return
        with self._lock:
            self._count([key for key in self._left if key[0] == session])
            if session in self.done.verdicts:
                return
            self.done.add(session, verdict, line)
            told = {"session": session, "verdict": verdict, "line": line}
            self._tell({"kind": "session", **told, **self._state()})

    def follow(self, dag: Any, is_over: Callable[[str, str], None], every_s: float = _EVERY_S) -> None:
        """Call `is_over` with session and step of each job that the engine takes in from elsewhere.

        Ends with the last of them. `dag` is the engine's (snakemake.dag.DAG).
        """
        left = [job for job in dag.needrun_jobs() if job.rule.name in STEPS]
        while left:
            time.sleep(every_s)
            for job in [job for job in left if dag.finished(job)]:
                left.remove(job)
                for step in steps_of(job.rule.name):
                    is_over(job.wildcards.session, step)

    def _count(self, keys: Iterable[tuple[str, str]]) -> None:
        """Count steps as done; with the first of them the start is."""
        self._done_s = self._done_s or _OF_START_S
        self._done_s += sum(self._left.pop(key, 0.0) for key in keys)

    def _state(self) -> dict[str, Any]:
        """How far it is: share of the work, and the same in words."""
        share = min(self._done_s / self._whole_s, 1.0) if self._whole_s else 1.0
        n, n_all, n_failed = len(self.done.verdicts), len(self.done.to_do), len(self.done.faults)
        words = f"{n} of {n_all} sessions done, {n_failed} failed, {share:.0%}"
        taken_s = self._clock() - self._began
        if taken_s and 0 < share < 1:
            left_s = taken_s * (1 - share) / share
            words += f", about {time_words(left_s)} left"
        return {"share": share, "state": words}


def watched() -> bool:
    """Whether a front door follows what this engine says."""
    return bool(os.environ.get(WATCHED))


def say(event: Mapping[str, Any]) -> None:
    """Print an event: facts for a front door, else words for a person."""
    if watched() and event["kind"] != "words":
        lines = [json.dumps(event)]
    else:
        lines = list(event.get("lines", ()))
        if event["kind"] == "session":
            lines.append(f"{event['state']}  {event['line']}")
    with suppress(OSError):  # who reads it may have been killed, which is no fault of a session
        sys.stderr.write("".join(f"{PROGRESS}{line}\n" for line in lines))
        sys.stderr.flush()
