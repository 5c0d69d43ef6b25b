"""Runs killed with signal 9 at drawn moments, and what must hold after each: chains of runs.

A chain begins in an empty results folder. Its runs are killed until one comes to its end; then one more
completes it, and all its files are held against those of an undisturbed run.
"""

import random
import re
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from processes import Run, kill, wait_until_gone
from tiny import apart, made, scraps

VICTIMS = {"all at once": 0.35, "engine": 0.25, "worker": 0.3, "front door": 0.1}
"""Who is killed, and how often. The first is what a power cut does to processes."""

MOMENTS = {"in a step": 0.5, "beside a file": 0.25, "at any time": 0.25}
"""When: while a step is at work, when a file appears, or blindly."""

_POLL_S = 0.002
_MOST_DELAY_S = 0.05
_RULE, _JOB = re.compile(r"(?:local)?rule (\w+):"), re.compile(r"    jobid: (\d+)")
_FINISHED = re.compile(r"Finished jobid: (\d+) \(Rule: (\w+)\)")


@dataclass(frozen=True)
class Reference:
    """An undisturbed run: its files, how long it took, and how often each step was done."""

    study: Path
    results: Path
    files: Mapping[str, bytes]
    duration_s: float
    steps: Counter[str]


@dataclass
class Tally:
    """What was killed while which step was at work, and what was wrong after it."""

    hits: Counter[tuple[str, str]] = field(default_factory=Counter)
    chains: int = 0
    faults: list[str] = field(default_factory=list)

    @property
    def n_kills(self) -> int:
        return sum(n for (victim, _), n in self.hits.items() if victim)


def undisturbed(study: Path, results: Path) -> Reference:
    began = time.monotonic()
    run = Run(study, results)
    assert run.ended() == 0, run.said
    steps = Steps.of(results)
    return Reference(study, results, made(results), time.monotonic() - began, steps.finished)


@dataclass(frozen=True)
class Steps:
    """What the engine's log says: steps at work, and how often each was finished."""

    open: tuple[str, ...]
    finished: Counter[str]

    @staticmethod
    def of(results: Path) -> "Steps":
        at_work: dict[str, str] = {}
        finished: Counter[str] = Counter()
        rule = ""
        log = results / "logs" / "workflow.log"
        for line in log.read_text(errors="replace").splitlines() if log.exists() else ():
            if found := _RULE.match(line):
                rule = found[1]
            elif (found := _JOB.match(line)) and rule:
                at_work[found[1]] = rule
            elif found := _FINISHED.match(line):
                at_work.pop(found[1], None)
                finished[found[2]] += 1
        return Steps(tuple(at_work.values()), finished)


class Chain:
    """Runs on one results folder, killed at moments that `seed` draws."""

    def __init__(self, reference: Reference, results: Path, seed: str, tally: Tally) -> None:
        self._reference, self._results, self._tally = reference, results, tally
        self._rng = random.Random(seed)
        self._done: Counter[str] = Counter()

    def play(self, most: int) -> None:
        """Kill at most so often; end with a run to the end."""
        n = 0
        while n < most:
            run = Run(self._reference.study, self._results)
            hits = self._disturbed(run, most - n)
            n += hits
            if hits == 0 or self._is_complete():
                break
        self._completed()
        self._tally.chains += 1

    def _disturbed(self, run: Run, most: int) -> int:
        """Kill parts of a run until it is dead, or ends; how often."""
        n = 0
        spared = set[str]()
        while n < most and self._wait(run):
            victim = self._drawn({v: share for v, share in VICTIMS.items() if v not in spared})
            pids = self._pids(run, victim)
            if not pids:  # no worker has begun, or the run is about to end
                continue
            at_work = Steps.of(self._results).open or ("between steps",)
            everything = run.processes()
            kill(pids)
            n += 1
            self._tally.hits[victim, at_work[0]] += 1
            for further in at_work[1:]:
                self._tally.hits["", further] += 1
            if victim != "worker":
                wait_until_gone(everything, run.front)
                break
            # Killed twice in the same step, a worker costs its session: that is another test's matter.
            spared.add("worker")
        code = run.ended()
        self._done += Steps.of(self._results).finished
        self._check(run, code)
        return n

    def _wait(self, run: Run) -> bool:
        """Wait for a drawn moment; false where the run ends before it comes."""
        came = self._moment()
        began = time.monotonic()
        while not came(time.monotonic() - began):
            if run.is_over():
                return False
            time.sleep(_POLL_S)
        time.sleep(self._rng.uniform(0, _MOST_DELAY_S) * self._rng.choice((0, 1)))
        return not run.is_over()

    def _moment(self) -> Callable[[float], bool]:
        kind = self._drawn(MOMENTS)
        lacking = sorted(name for name in self._reference.files if not (self._results / name).exists())
        ahead = sorted(name for name, n in self._reference.steps.items() if self._done[name] < n)
        if kind == "beside a file" and lacking:
            path = self._results / self._rng.choice(lacking)
            begun = f".{path.name}.*.part"
            return lambda _: path.exists() or any(path.parent.glob(begun))
        if kind == "in a step" and ahead:
            step = self._rng.choice(ahead)
            return lambda _: step in Steps.of(self._results).open
        until_s = self._rng.uniform(0, self._reference.duration_s)
        return lambda since_s: since_s >= until_s

    def _drawn(self, shares: Mapping[str, float]) -> str:
        return self._rng.choices(list(shares), list(shares.values()))[0]

    def _pids(self, run: Run, victim: str) -> list[int]:
        if victim == "all at once":
            return run.processes()
        if victim == "front door":
            return [run.front.pid]
        found = run.engine() if victim == "engine" else run.workers()
        return [self._rng.choice(found)] if found else []

    def _check(self, run: Run, code: int) -> None:
        """What holds when all processes are gone: each file is whole or not there, the last line clear."""
        found = made(self._results)
        wrong = [f"{name} is not whole" for name in found if found[name] != self._reference.files.get(name)]
        if code >= 0:  # else nobody was left to say anything
            told = {0: "Look at ", 1: "Finished sessions are kept; run again to go on."}
            if not run.last_line.startswith(told.get(code, "no such code")):
                wrong.append(f"ended with {code} and said {run.last_line!r}")
        if "Traceback" in run.said:
            wrong.append(f"a traceback: {run.said}")
        self._tally.faults += wrong

    def _is_complete(self) -> bool:
        return not apart(made(self._results), dict(self._reference.files))

    def _completed(self) -> None:
        run = Run(self._reference.study, self._results)
        code = run.ended()
        if code != 0:
            self._tally.faults.append(f"the last run ended with {code}: {run.said}")
        different = apart(made(self._results), dict(self._reference.files))
        self._tally.faults += [f"{name} differs from an undisturbed run's" for name in different]
        self._tally.faults += [f"left behind: {path}" for path in scraps(self._results)]


def chains(reference: Reference, folder: Path, seed: str, kills: int, most_at_once: int = 6) -> Tally:
    """Chains of runs until `kills` were given; each chain gets at most so many."""
    tally = Tally()
    n = 0
    while tally.n_kills < kills:
        chain = Chain(reference, folder / f"chain-{n}", f"{seed} {n}", tally)
        chain.play(min(most_at_once, kills - tally.n_kills))
        n += 1
        if tally.faults:
            break
    return tally


def table(tally: Tally) -> str:
    """Victims by step, as lines of text."""
    steps = sorted({step for _, step in tally.hits})
    lines = [f"{'':<12} " + " ".join(f"{step:>14}" for step in (*steps, "all"))]
    for victim in VICTIMS:
        row = [tally.hits[victim, step] for step in steps]
        lines.append(f"{victim:<12} " + " ".join(f"{n:>14}" for n in (*row, sum(row))))
    row = [sum(tally.hits[victim, step] for victim in (*VICTIMS, "")) for step in steps]
    lines.append(f"{'at work':<12} " + " ".join(f"{n:>14}" for n in (*row, "")))
    return "\n".join(lines)
