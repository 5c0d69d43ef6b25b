"""Drive the workflow engine for ``sessiongate run``: progress while it works, a table when it is done."""

import json
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, cast

from pipeline.engine_words import Faults
from pipeline.holding import ENGINE, RUN, Busy, claim, held, refuse_if_busy
from pipeline.steps.job import Places, last_failure, write_json
from pipeline.steps.words import MARKS, now
from pipeline.workflow import PROGRESS, Plan

_TITLES = {
    "accept": "can be used",
    "accept_in_part": "use in part",
    "reject": "do not use",
    "unreadable": "could not be read",
}


def run_study(study: Path, results: Path, n_jobs: int) -> int:
    """Run a study into a results folder.

    Returns
    -------
    int
        0 when every session was read; 1 when one or more were unreadable, a step failed, or another run is
        at work in the same results folder.

    Raises
    ------
    InputError
        Where the study is wrong; nothing was started then.
    """
    plan = Plan.of(str(study), str(results), "")
    work = plan.results / ".work"
    work.mkdir(parents=True, exist_ok=True)
    try:
        with held(work / RUN) as was_left:
            refuse_if_busy(work / ENGINE)
            return _run_alone(plan, study, n_jobs, was_left)
    except Busy as busy:
        print(busy, file=sys.stderr)
        return 1


def _run_alone(plan: Plan, study: Path, n_jobs: int, was_left: bool) -> int:
    log = plan.results / "logs" / "workflow.log"
    log.parent.mkdir(exist_ok=True)
    command = _engine_command(study.absolute(), plan.results, n_jobs)
    _lift_lock(plan.results, command, was_left)
    if line := plan.retire():
        print(line)
    plan.reopen()
    many = "" if len(plan.jobs) == 1 else "s"
    print(f"{plan.study.title}: {len(plan.jobs)} session{many}, {n_jobs} at once")
    code, faults = _drive(command, plan.results, log)
    if code == 0:
        return _summary(plan)
    print(f"\nNot finished (engine ended with {code}):", file=sys.stderr)
    for line in faults.told() or [f"The engine gave no reason; its words are in {log}."]:
        print(f"  {line}", file=sys.stderr)
    print("Finished sessions are kept; run again to go on.", file=sys.stderr)
    return 1


def _lift_lock(results: Path, command: Sequence[str], was_left: bool) -> None:
    """Lift the engine's own lock, which one that was killed leaves; no run is alive when this is called."""
    locks = results / ".snakemake" / "locks"
    is_locked = locks.is_dir() and any(locks.iterdir())
    if is_locked or was_left:
        print("An earlier run was killed: its lock is lifted.")
    if not is_locked:
        return
    done = subprocess.run(
        [*command, "--unlock"], cwd=results, capture_output=True, text=True, errors="replace"
    )
    if done.returncode:
        end = done.stderr.strip().splitlines()[-1:] or ["no reason given"]
        raise Busy(f"The lock of a killed run could not be lifted ({end[0]}): delete {locks} and run again.")


def _engine_command(study: Path, results: Path, n_jobs: int) -> list[str]:
    # In a file, since the engine reads values on its command line as YAML, whatever their quotes: a folder
    # called 'on' would become true, one with braces a mapping, and a '#' would end it.
    settings = results / ".work" / "settings.json"
    write_json(settings, {"study": str(study), "out": str(results), "started": now()})
    return [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(_snakefile()), "--cores", str(n_jobs)),
        *("--force-use-threads", "--keep-going", "--rerun-incomplete", "--scheduler", "greedy"),
        *("--workflow-profile", "none", "--configfile", str(settings)),
    ]


def _snakefile() -> Path:
    """The workflow: at the top of a checkout, beside the modules of an installed copy."""
    package = Path(__file__).parent
    return next(p for p in (package / "Snakefile", package.parent / "Snakefile") if p.is_file())


def _drive(command: Sequence[str], results: Path, log: Path) -> tuple[int, Faults]:
    """Run the engine; show its progress lines, keep everything in `log`.

    Returns
    -------
    code, faults : int, Faults
        Exit code, and what the engine named as its reasons.
    """
    faults = Faults(results)
    for name in ("SIGTERM", "SIGHUP"):  # to be told to end is the same as Ctrl-C
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    # Unbuffered: with a full disk, nothing is left to be written when the file is closed.
    with log.open("wb", buffering=0) as kept:
        # The engine leaves its own notes where it is started. In a process group of its own it gets one
        # signal to end, from here, however many processes Ctrl-C reached.
        engine = subprocess.Popen(
            command, cwd=results, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, process_group=0
        )
        try:
            claim(results / ".work" / ENGINE, engine.pid)
            _follow(engine, kept, faults)
        except KeyboardInterrupt:
            print("\nStopping: steps at work are finished first. Once more: stop at once.", file=sys.stderr)
            _stop(engine, kept, faults)
            raise
        except OSError:
            _stop(engine, kept, faults)
            raise
        finally:
            (results / ".work" / ENGINE).unlink(missing_ok=True)
    return engine.returncode, faults


def _follow(engine: "subprocess.Popen[bytes]", kept: IO[bytes], faults: Faults) -> None:
    """Take in what the engine prints, to its end."""
    for raw in cast(IO[bytes], engine.stdout):
        # A full disk must not keep the engine's last words from the user.
        with suppress(OSError):
            kept.write(raw)
        line = raw.decode("utf-8", errors="replace")
        faults.hear(line)
        if line.startswith(PROGRESS):
            print(line.removeprefix(PROGRESS), end="", flush=True)
    engine.wait()


def _stop(engine: "subprocess.Popen[bytes]", kept: IO[bytes], faults: Faults) -> None:
    """Have the engine finish the steps at work and end; asked again, end it at once."""
    try:
        engine.send_signal(signal.SIGINT)
        _follow(engine, kept, faults)
    except (KeyboardInterrupt, OSError):
        engine.kill()
        engine.wait()
        raise


def _summary(plan: Plan) -> int:
    results, names = plan.results, list(plan.jobs)
    rows = [json.loads(Places(results, name).quality.read_text(encoding="utf-8")) for name in names]
    width = max(len(name) for name in names)
    print()
    for row in rows:
        share = (
            sum(stop - start for start, stop in row["usable"]) / row["duration_s"] if row["usable"] else 0.0
        )
        title, seconds = _TITLES[row["verdict"]], row["duration_s"]
        name = f"{MARKS[row['verdict']]} {row['session']:<{width}}"
        print(f"{name}  {title:<17}  {share:>4.0%} of {seconds:6.1f} s")
    counts = Counter(row["verdict"] for row in rows)
    print(
        "\n"
        + ", ".join(f"{counts[verdict]} {title}" for verdict, title in _TITLES.items() if counts[verdict])
    )
    last = {name: last_failure(Places(results, name)) for name in names}
    failed = [why for name, why in last.items() if why and why != plan.failures[name]]
    for why in failed:
        print(f"Failed, and begun anew by the next run: {why.split(' ', 2)[-1]}")
    print(f"Look at {results / 'index.html'}")
    return 1 if counts["unreadable"] or failed else 0
