"""Drive the workflow engine for ``sessiongate run``: progress while it works, a table when it is done."""

import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

from pipeline.cluster import profile_folder, refuse_if_jobs_left
from pipeline.ending import Outcome, has_finished, read_object
from pipeline.following import MOST_TROUBLE, SHOWN_EACH, Follower
from pipeline.holding import CUT_OFF, ENGINE, KILLED, RUN, Busy, claim, held, refuse_if_busy, release
from pipeline.machine import ask_to_end, caches, engine_apart, stop_like_ctrl_c
from pipeline.power import forget_latest
from pipeline.retiring import check_same_study, retired_line
from pipeline.screen import Screen, complain, named
from pipeline.steps.job import Places, last_failure, to_redo, write_json
from pipeline.steps.words import MARKS, now
from pipeline.unchanged import Seal
from pipeline.watching import AT_ONCE, WATCHED
from pipeline.workflow import SPARE, Plan
from pipeline.writing import POWER_MAY_FAIL

_TITLES = {
    "accept": "can be used",
    "accept_in_part": "use in part",
    "reject": "do not use",
    "unreadable": "could not be read",
}


@dataclass(frozen=True)
class Where:
    """Where the work is done: how much at once, in words, and the engine's options for it.

    ``at_once`` says how many steps may be at work; '' where a profile does.
    """

    n_jobs: int
    words: str
    options: tuple[str, ...]
    at_once: str = ""


def run_study(study: Path, results: Path, n_jobs: int, *, quiet: bool = False, profile: str = "") -> int:
    """Run a study into a results folder.

    Parameters
    ----------
    study, results : Path
        Their folders.
    n_jobs : int
        Sessions at work at once; on a cluster its jobs at once, 0 for as many as the profile says.
    quiet : bool
        Whether only trouble is told, on standard error.
    profile : str
        How to reach a cluster: a profile of this package, or the path of another; '' for this machine.

    Returns
    -------
    int
        0 when every session was read; 1 when one or more were unreadable, a step failed, or another run is
        at work in the same results folder.

    Raises
    ------
    InputError
        Where the study is wrong, or the results are another's; nothing was started then.
    """
    plan = Plan.of(str(study), str(results), "")
    where = _where(n_jobs, profile)
    check_same_study(plan.results, plan.jobs)
    work = plan.results / ".work"
    work.mkdir(parents=True, exist_ok=True)
    screen = Screen(sys.stdout, quiet=quiet)
    POWER_MAY_FAIL.set()
    try:
        _refuse(plan.results)  # before a stale lock is lifted, which tells the next run what happened
        with held(work / RUN) as left:
            _refuse(plan.results)
            return _run_alone(plan, study, where, screen, left)
    except Busy as busy:
        complain(str(busy))
        return 1


def _refuse(results: Path) -> None:
    """Raise Busy where an engine is at work whose front door was killed, or jobs of one are."""
    refuse_if_busy(results / ".work" / ENGINE)
    if not has_finished(results):
        refuse_if_jobs_left(_engine_log(results))


def _where(n_jobs: int, profile: str) -> Where:
    if not profile:
        cores = str(n_jobs + SPARE)
        options = ("--workflow-profile", "none", "--cores", cores)
        return Where(n_jobs, f"{n_jobs} at once", options, str(n_jobs))
    folder = profile_folder(profile)
    at_once = ("--jobs", str(n_jobs)) if n_jobs else ()
    return Where(n_jobs, f"by the profile {profile}", ("--workflow-profile", str(folder), *at_once))


def _run_alone(plan: Plan, study: Path, where: Where, screen: Screen, left: str) -> int:
    follower = Follower(plan.results, screen)
    command = _engine_command(study.absolute(), plan.results, where)
    with follower.diary():
        _lift_lock(plan.results, follower, left)
        if left == CUT_OFF:
            forget_latest(plan.files_made)
        plan.ending.begin(where.n_jobs)
        try:
            code = _do(plan, command, follower, where)
        except KeyboardInterrupt:
            _end(plan, follower, "stopped", 130)
            raise
        except Exception:
            _end(plan, follower, "failed", 1)
            raise
        _end(plan, follower, "failed" if follower.done.engine else "finished", code)
    return code


def _end(plan: Plan, follower: Follower, outcome: Outcome, code: int) -> None:
    plan.ending.end(outcome, code, follower.done)
    follower.note(f"{outcome}, exit code {code}")


def _do(plan: Plan, command: Sequence[str], follower: Follower, where: Where) -> int:
    retired = plan.retire()
    follower.done.retired = tuple(retired)
    if retired:
        follower.tell(retired_line(retired, plan.results))
    seal = Seal.of(plan, _snakefile())
    if resized := seal.resized():
        follower.tell(_resized_line(resized, plan.results))
        for path in resized:
            path.unlink()
    plan.reopen()
    many = "" if len(plan.jobs) == 1 else "s"
    follower.tell(f"{plan.study.title}: {len(plan.jobs)} session{many}, {where.words}")
    log = _engine_log(plan.results)
    if not (unchanged := seal.holds()):
        seal.lift()
    code = follower.done.engine = 0 if unchanged else _drive(command, plan.results, where.at_once, follower)
    follower.screen.clear()
    if code == 0:
        if not unchanged:
            with suppress(OSError):  # else the next run asks the engine
                seal.set()
        if not follower.done.redone:
            follower.tell("Nothing to do: everything is as it was.")
        return _summary(plan, follower)
    reasons = follower.done.reasons = tuple(follower.faults.told())
    complain(f"\nNot finished (engine ended with {code}):")
    for line in reasons or [f"The engine gave no reason; its words are in {log}."]:
        complain(f"  {line}")
    complain("Finished sessions are kept; run again to go on.")
    return 1


def _resized_line(paths: Sequence[Path], results: Path) -> str:
    told = named([path.relative_to(results).as_posix() for path in paths], MOST_TROUBLE)
    return f"Changed by another program since the last run, and made again: {told}"


def _lift_lock(results: Path, follower: Follower, left: str) -> None:
    """Lift the engine's own lock, which one that was killed leaves; no run is alive when this is called.

    As the engine does when asked to, without a process more that could be killed halfway.
    """
    locks = results / ".snakemake" / "locks"
    is_locked = locks.is_dir() and any(locks.iterdir())
    if is_locked or left:
        follower.tell(left or KILLED)
    if is_locked:
        shutil.rmtree(locks)


def _engine_command(study: Path, results: Path, where: Where) -> list[str]:
    # In a file, since the engine reads values on its command line as YAML, whatever their quotes: a folder
    # called 'on' would become true, one with braces a mapping, and a '#' would end it.
    settings = results / ".work" / "settings.json"
    write_json(settings, {"study": str(study), "out": str(results), "started": now()})
    return [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(_snakefile()), "--configfile", str(settings)),
        *("--force-use-threads", "--keep-going", "--rerun-incomplete", "--scheduler", "greedy"),
        # For each file that a step makes, the engine would read and hash all that the step has read: for the
        # tables of a thousand sessions, four thousand files eleven times.
        *("--max-checksum-file-size", "0"),
        *where.options,
    ]


def _engine_log(results: Path) -> Path:
    return results / "logs" / "workflow.log"


def _snakefile() -> Path:
    """The workflow: at the top of a checkout, beside the modules of an installed copy."""
    package = Path(__file__).parent
    return next(p for p in (package / "Snakefile", package.parent / "Snakefile") if p.is_file())


def _drive(command: Sequence[str], results: Path, at_once: str, follower: Follower) -> int:
    """Run the engine; have its words followed, keep them in its log, and give its exit code."""
    stop_like_ctrl_c()
    log = _engine_log(results)
    more = {**caches(results / ".snakemake" / "cache"), WATCHED: str(os.getpid()), "PYTHONUTF8": "1"}
    more[AT_ONCE] = at_once
    # Unbuffered: with a full disk, nothing is left to be written when the file is closed.
    with log.open("wb", buffering=0) as kept:
        # The engine leaves its own notes where it is started. In a process group of its own it gets one
        # signal to end, from here, however many processes Ctrl-C reached.
        engine = subprocess.Popen(
            command,
            cwd=results,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, **more},
            **engine_apart(),
        )
        try:
            claim(results / ".work" / ENGINE, engine.pid)
            _follow(engine, kept, follower)
        except KeyboardInterrupt:
            follower.screen.clear()
            complain("\nStopping: steps at work are finished first. Once more: stop at once.")
            _stop(engine, kept, follower)
            raise
        except OSError:
            _stop(engine, kept, follower)
            raise
        finally:
            release(results / ".work" / ENGINE, engine.pid)
    return engine.returncode


def _follow(engine: "subprocess.Popen[bytes]", kept: IO[bytes], follower: Follower) -> None:
    """Take in what the engine prints, to its end."""
    for raw in cast(IO[bytes], engine.stdout):
        line = follower.hear(raw)
        # A full disk must not keep the engine's last words from the user.
        with suppress(OSError):
            kept.write(line)
    engine.wait()


def _stop(engine: "subprocess.Popen[bytes]", kept: IO[bytes], follower: Follower) -> None:
    """Have the engine finish the steps at work and end; asked again, end it at once."""
    try:
        ask_to_end(engine)
        _follow(engine, kept, follower)
    except (KeyboardInterrupt, OSError):
        engine.kill()
        engine.wait()
        raise


def _summary(plan: Plan, follower: Follower) -> int:
    """Say what came out, in so many lines as a person reads, and give the exit code."""
    results, names, screen = plan.results, list(plan.jobs), follower.screen
    rows = [read_object(Places(results, name).quality) for name in names]
    if broken := [Places(results, name) for name, row in zip(names, rows, strict=True) if not row]:
        complain(str(to_redo({places: f"{places.quality.name} cannot be read" for places in broken})))
        return 1
    counts = Counter(row["verdict"] for row in rows)
    last = {name: last_failure(Places(results, name)) for name in names}
    failed = [why for name, why in last.items() if why and why != plan.failures[name]]
    _table(rows, screen)
    if screen.quiet:
        _unread([row for row in rows if row["session"] not in follower.done.verdicts], screen)
    counted = ", ".join(f"{counts[verdict]} {title}" for verdict, title in _TITLES.items() if counts[verdict])
    screen.line(f"\n{counted}")
    for why in failed[:MOST_TROUBLE]:
        screen.trouble(f"Failed, and begun anew by the next run: {why.split(' ', 2)[-1]}")
    say = screen.trouble if counts["unreadable"] or failed else screen.line
    say(f"Look at {results / 'index.html'}")
    return 1 if counts["unreadable"] or failed else 0


def _table(rows: Sequence[Mapping[str, Any]], screen: Screen) -> None:
    """A line for each session; where there are many, for each that could not be read."""
    width = max(len(row["session"]) for row in rows)
    shown = rows if len(rows) <= SHOWN_EACH else [row for row in rows if row["verdict"] == "unreadable"]
    if shown:
        screen.line()
    for row in shown[: max(SHOWN_EACH, MOST_TROUBLE)]:
        share = (
            sum(stop - start for start, stop in row["usable"]) / row["duration_s"] if row["usable"] else 0.0
        )
        title, seconds = _TITLES[row["verdict"]], row["duration_s"]
        name = f"{MARKS[row['verdict']]} {row['session']:<{width}}"
        screen.line(f"{name}  {title:<17}  {share:>4.0%} of {seconds:6.1f} s")


def _unread(rows: Sequence[Mapping[str, Any]], screen: Screen) -> None:
    """Tell of sessions that could not be read in an earlier run, and were not tried again."""
    told = [f"! {row['session']}: {row['sentence']}" for row in rows if row["verdict"] == "unreadable"]
    for line in told[:MOST_TROUBLE]:
        screen.trouble(line)
    if len(told) > MOST_TROUBLE:
        screen.trouble(f"... and {len(told) - MOST_TROUBLE} more")
