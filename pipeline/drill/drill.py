"""``sessiongate drill``: faults planted in copies of a study's own accepted dumps, and how many are found."""

import os
import shutil
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.drill.copies import jobs_of, lay_out
from pipeline.drill.host import Host, open_host
from pipeline.drill.kinds import KINDS
from pipeline.drill.page import page
from pipeline.drill.plan import Copy, plan, why_not
from pipeline.drill.reckoning import reckon
from pipeline.drill.tables import found_csv, planted_csv
from pipeline.drill.trial import Outcome, Task, trial
from pipeline.errors import InputError, Problem
from pipeline.holding import RUN, Busy, held
from pipeline.running import run_study
from pipeline.steps.job import read_json, write_json
from pipeline.study import check_folders, load_study
from pipeline.study.folders import listed_first
from pipeline.workflow import Plan
from pipeline.writing import write_text

PAGE, FIGURES, PLANTED, FOUND = "drill.html", "drill.json", "planted.csv", "found.csv"
_SYSTEMS_OWN = frozenset([".DS_Store", "Thumbs.db", "desktop.ini"])


@dataclass(frozen=True)
class Ground:
    """What a drill stands on: the study's own results, who can take faults, and why others cannot."""

    plan: Plan
    hosts: tuple[Host, ...]
    unused: tuple[tuple[str, str], ...]


def drill(study: Path, out: Path, rounds: int, seed: int, n_jobs: int, keep: bool) -> int:
    """Drill a study into a folder; return the exit code.

    Raises
    ------
    InputError
        Where the study is wrong, the folder holds something else, or no session can take faults.
    """
    load_study(study.absolute())
    if problems := _faults_of(study.absolute(), out.absolute()):
        raise InputError(problems)
    out = out.absolute()
    work = out / ".work"
    work.mkdir(parents=True, exist_ok=True)
    try:
        with held(work / RUN):
            return _drill(study, out, rounds, seed, n_jobs, keep)
    except Busy as busy:
        print(busy, file=sys.stderr)
        return 1


def _faults_of(study: Path, out: Path) -> list[Problem]:
    found = check_folders(study, out / ".work" / "own")
    if found:
        return [replace(problem, file=str(out)) for problem in found]
    names = {path.name for path in out.iterdir()} - _SYSTEMS_OWN if out.is_dir() else set()
    if names and not ((out / ".work" / "own").is_dir() or FIGURES in names):
        expected = "a new or empty folder, or one of an earlier drill"
        remedy = "Choose a new folder, so that nothing of yours is overwritten."
        other = f"one that holds other files, such as '{listed_first(names)}'"
        return [Problem(str(out), "", expected, other, remedy)]
    return []


def _drill(study: Path, out: Path, rounds: int, seed: int, n_jobs: int, keep: bool) -> int:
    print("First the study as it is:", flush=True)
    run_study(study, out / ".work" / "own", n_jobs)
    ground = _ground(study, out)
    copies = plan(ground.hosts, rounds, seed)
    n_events = sum(len(copy.events) for copy in copies)
    print(
        f"\nThen {n_events} faults in {len(copies)} copies of {len(ground.hosts)} accepted recordings,"
        f" {n_jobs} at once:",
        flush=True,
    )
    try:
        outcomes = _outcomes(ground, copies, out / ".work", n_jobs, keep)
    except BrokenProcessPool:
        print("A worker was killed, or out of memory: run again with fewer --jobs.", file=sys.stderr)
        return 1
    finally:
        _clear(out, keep)
    failed = [{"copy": one.name, "why": one.failed} for one in outcomes if one.failed]
    for one in failed[:3]:
        print(f"A step failed: {one['why']}", file=sys.stderr)
    outcomes = [one for one in outcomes if not one.failed]
    if not outcomes:
        print("All copies failed: nothing can be said of the check.", file=sys.stderr)
        return 1
    figures = {**_about(ground, rounds, seed), "failed": failed, **reckon(outcomes, ground.hosts)}
    shown = page(figures)  # before anything is written: all files are of one drill
    write_text(out / PLANTED, planted_csv(outcomes))
    write_text(out / FOUND, found_csv(outcomes))
    write_json(out / FIGURES, figures)
    write_text(out / PAGE, shown)
    _tell(figures, out)
    return 1 if failed else 0


def _ground(study: Path, out: Path) -> Ground:
    """The accepted sessions, each as a host or with the reason why not."""
    own = Plan.of(str(study), str(out / ".work" / "own"), "", may_begin=False)
    hosts, unused, verdicts = list[Host](), list[tuple[str, str]](), Counter[str]()
    for name, job in own.jobs.items():
        verdict = read_json(job.places.quality)["verdict"] if job.places.quality.is_file() else "unreadable"
        verdicts[verdict] += 1
        if verdict != "accept":
            unused.append((name, f"its verdict is '{verdict}'"))
            continue
        host = open_host(job)
        if isinstance(host, Host):
            hosts.append(host)
        else:
            unused.append((name, host))
    if not hosts:
        expected = "at least one accepted session in which faults can be planted"
        told = "; ".join(f"{name}: {why}" for name, why in unused[:5]) + ("; …" if len(unused) > 5 else "")
        remedy = f"{out / '.work' / 'own' / 'index.html'} says what is wrong with each."
        raise InputError([Problem(str(study), "", expected, told or "no session", remedy)])
    return Ground(own, tuple(hosts), tuple(unused))


def _outcomes(ground: Ground, copies: Sequence[Copy], work: Path, n_jobs: int, keep: bool) -> list[Outcome]:
    """Lay the copies out as a study, and try each."""
    _remove(work / "copies", work / "found")
    lay_out(ground.plan.study, copies, work / "copies")
    jobs = jobs_of(work / "copies", work / "found")
    hosts = {host.session: host for host in ground.hosts}
    limit = ground.plan.policy.settings["mains.limit_fraction"]
    tasks = [Task(copy, hosts[copy.session], jobs[copy.name], limit, keep) for copy in copies]
    outcomes, began, told = list[Outcome](), time.monotonic(), 0
    for outcome in _tried(tasks, n_jobs):
        outcomes.append(outcome)
        n, of = len(outcomes), len(tasks)
        if n * 10 // of > told:
            told = n * 10 // of
            left_s = (time.monotonic() - began) / n * (of - n)
            tail = f"   about {left_s:.0f} s left" if n < of else ""
            print(f"{n:>{len(str(of))}} of {of} copies{tail}", flush=True)
    return outcomes


def _tried(tasks: Sequence[Task], n_jobs: int) -> Iterator[Outcome]:
    """The outcome of each task, in order."""
    if n_jobs == 1:
        yield from map(trial, tasks)
        return
    with ProcessPoolExecutor(n_jobs, get_context("spawn"), _begin_worker, (os.getpid(),)) as pool:
        try:
            yield from pool.map(trial, tasks)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _begin_worker(parent: int) -> None:
    """Ctrl-C is left to the parent, which ends its workers in order; one that was killed ends them, too."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(1.0)
    os._exit(1)


def _clear(out: Path, keep: bool) -> None:
    """Take the copies away, or put them where a user finds them."""
    work = out / ".work"
    if keep and (work / "copies").is_dir():
        _remove(out / "copies")
        (work / "copies").replace(out / "copies")
    _remove(work / "copies", work / "found")


def _remove(*folders: Path) -> None:
    for folder in folders:
        shutil.rmtree(folder, ignore_errors=True)


def _about(ground: Ground, rounds: int, seed: int) -> dict[str, Any]:
    """What the figures were made from, and by what."""
    study, hosts = ground.plan.study, ground.hosts
    return {
        "study": study.title,
        "version": __version__,
        "policy_sha256": ground.plan.policy.sha256,
        "layouts_sha256": {name: layout.sha256 for name, layout in sorted(study.layouts.items())},
        "seed": seed,
        "rounds": rounds,
        "n_sessions": len(study.sessions),
        "sessions": [
            {
                "session": host.session,
                "layout": host.layout.name,
                "framing": host.layout.framing,
                "duration_s": round(host.duration_s, 3),
                "clean_s": round(host.clean_s, 3),
                "frames_left_alone": len(host.left_alone),
            }
            for host in hosts
        ],
        "unused": [{"session": name, "why": why} for name, why in ground.unused],
        "not_planted": list(_not_planted(hosts)),
    }


def _not_planted(hosts: Sequence[Host]) -> Iterator[dict[str, Any]]:
    """Kinds that some hosts cannot have, by the reason."""
    for kind in KINDS:
        reasons: dict[str, list[str]] = {}
        for host in hosts:
            if why := why_not(kind, host):
                reasons.setdefault(why, []).append(host.session)
        for why, sessions in reasons.items():
            yield {"kind": kind.name, "words": kind.words, "sessions": sessions, "why": why}


def _tell(figures: dict[str, Any], out: Path) -> None:
    overall, false = figures["overall"], figures["false_alarms"]["faults"]
    print(f"\n{overall['n']} of {overall['of']} faults that matter were found under their own name.")
    print(f"{false['n']} false alarms in {figures['false_alarms']['hours']:.2f} h without a planted fault.")
    print(f"Look at {out / PAGE}")
