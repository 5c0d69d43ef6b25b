"""Drive the workflow engine for ``sessiongate run``: progress while it works, a table when it is done."""

import json
import subprocess
import sys
from collections import Counter, deque
from collections.abc import Sequence
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

from pipeline.steps.job import Places
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
        0 when every session was read, 1 when one or more were unreadable or a step failed.

    Raises
    ------
    InputError
        Where the study is wrong; nothing was started then.
    """
    plan = Plan.of(str(study), str(results), "")
    (plan.results / ".work").mkdir(parents=True, exist_ok=True)
    log = plan.results / "logs" / "workflow.log"
    log.parent.mkdir(exist_ok=True)
    names = list(plan.jobs)
    print(f"{plan.study.title}: {len(names)} sessions, {n_jobs} at once")
    code, end = _drive(_engine_command(study.absolute(), plan.results, n_jobs), plan.results, log)
    if code == 0:
        return _summary(plan.results, names)
    print(f"\nNot finished (engine ended with {code}). {_why(end, plan.results, log)}", file=sys.stderr)
    done = [name for name in names if Places(plan.results, name).report.exists()]
    print(f"{len(done)} of {len(names)} sessions are complete and kept; run again to go on.", file=sys.stderr)
    return 1


def _engine_command(study: Path, results: Path, n_jobs: int) -> list[str]:
    values = {"study": str(study), "out": str(results), "started": now()}
    # Quoted as JSON, since the engine reads values as YAML: a folder called 'on' would become true.
    config = [f"{key}={json.dumps(value, ensure_ascii=False)}" for key, value in values.items()]
    return [
        *(sys.executable, "-m", "snakemake", "--snakefile", str(_snakefile()), "--cores", str(n_jobs)),
        *("--force-use-threads", "--keep-going", "--rerun-incomplete", "--scheduler", "greedy"),
        *("--workflow-profile", "none", "--config", *config),
    ]


def _snakefile() -> Path:
    """The workflow: at the top of a checkout, beside the modules of an installed copy."""
    package = Path(__file__).parent
    return next(p for p in (package / "Snakefile", package.parent / "Snakefile") if p.is_file())


def _drive(command: Sequence[str], results: Path, log: Path) -> tuple[int, str]:
    """Run the engine; show its progress lines, keep everything in `log`.

    Returns
    -------
    code, end : int, str
        Exit code, and the last of what it printed.
    """
    recent: deque[str] = deque(maxlen=400)
    # The engine leaves its own notes where it is started.
    engine = subprocess.Popen(
        command,
        cwd=results,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        errors="replace",
    )
    try:
        with log.open("w", encoding="utf-8") as kept:
            for line in engine.stdout or ():
                recent.append(line)
                # A full disk must not keep the engine's last words from the user.
                with suppress(OSError):
                    kept.write(line)
                    kept.flush()
                if line.startswith(PROGRESS):
                    print(line.removeprefix(PROGRESS), end="", flush=True)
    except KeyboardInterrupt:
        # The engine got the same signal and ends its running steps in order.
        engine.wait()
        raise
    except OSError:
        engine.wait()
    return engine.wait(), "".join(recent)


def _why(end: str, results: Path, log: Path) -> str:
    """The fault that the engine's output names, in one line."""
    if "LockException" in end:
        return (
            "Another run is at work in this results folder, or one was killed: wait for it, or delete "
            f"{results / '.snakemake' / 'locks'} and run again."
        )
    lines = end.splitlines()
    told = [after for line, after in pairwise(lines) if line.startswith("StepFailed in file")]
    if told:
        return told[0]
    if "No space left on device" in end:
        return f"No space is left on the disk of {results}: free some."
    return f"See {log}."


def _summary(results: Path, names: Sequence[str]) -> int:
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
    print(f"Look at {results / 'index.html'}")
    return 1 if counts["unreadable"] else 0
