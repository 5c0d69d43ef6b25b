"""What a batch of one-hour sessions costs, by part and by step, beside a floor on the same bytes.

``python tests/benchmarks/batch.py FOLDER [--sessions 10,50,200] [--jobs 2] [--keep]``. The study (invented; 4
channels at 250 Hz in 16 bits) is made in FOLDER once, 8 MB a session; results take 30 MB a session while they
are there. Each size is run three times: from nothing, with nothing to do, and with another limit in the
policy, one that changes the verdict of nearly every session.

CPU time is user and system time of every process of the run by the kernel's count, which other work on the
machine changes by a half at most; wall time, and the share of it in which all cores were busy, mean something
on an idle machine only. The floor is that of ``hour.py``: one process over all dumps of the study.
"""

import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")  # before NumPy reads them

import argparse
import ctypes
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from batch_study import dumps_of, link_batch
from hour import floor

REPOSITORY = Path(__file__).parent.parent.parent
FLOOR_BAR, OWN_BAR, BUSY_BAR, MEMORY_BAR_MB = 4.0, 0.2, 0.9, 500.0
IDLE_BAR_S, JUDGED_BAR_S = 10.0, 60.0
"""Wall time of a run with nothing to do, and of one with another limit, for 1,000 sessions."""
MOST_FLOOR = 50
"""Dumps that the floor reads; for more it is scaled."""
LIMIT = "[limits]\nlost_fraction = 0.0005\n"
"""Of every recording a thousandth of the frames is lost."""
WRITE = """
import pathlib, sys, batch_study
batch_study.write_batch(pathlib.Path(sys.argv[1]), int(sys.argv[2]))
"""
FLOOR = """
import pathlib, sys, batch, batch_study
study, scratch = map(pathlib.Path, sys.argv[1:])
print(batch.floor_of(batch_study.dumps_of(study), scratch))
"""
_SUBREAPER = 36  # PR_SET_CHILD_SUBREAPER of prctl(2): processes that outlive their parent come to us


@dataclass
class Cost:
    """What one run took: seconds of CPU by part and by step, wall time, peak memory by part."""

    wall_s: float
    cpu_s: float
    parts_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    steps_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    peaks_mb: dict[str, float] = field(default_factory=lambda: defaultdict(float))

    @property
    def own_s(self) -> float:
        """All that is no step of a session, nor the tables and pages of the batch."""
        return self.cpu_s - sum(self.steps_s.values())


def run(study: Path, results: Path, jobs: int) -> Cost:
    """Run the front door, watched."""
    with tempfile.TemporaryDirectory() as notes:
        path = os.pathsep.join([str(Path(__file__).parent / "watched"), str(REPOSITORY)])
        environment = {**os.environ, "PYTHONPATH": path, "SESSIONGATE_COSTS": notes}
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
            environment.pop(name)
        words = ["run", str(study), "--out", str(results), "--jobs", str(jobs)]
        before, began = _children_s(), time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.cli", *words], env=environment, capture_output=True, text=True
        )
        wall_s = time.monotonic() - began
        _reap()
        cost = Cost(wall_s, _children_s() - before)
        if done.returncode:
            raise SystemExit(done.stdout[-2000:] + done.stderr[-2000:])
        for note in Path(notes).glob("*.json"):
            _take(cost, json.loads(note.read_text()))
    return cost


def _take(cost: Cost, note: dict[str, Any]) -> None:
    part = note["part"]
    cost.peaks_mb[part] = max(cost.peaks_mb[part], note["peak_mb"])
    for name, seconds in note["steps"].items():
        cost.steps_s[name] += seconds
    cost.parts_s[f"{part}: start-up"] += note["ready_s"]
    cost.parts_s[part] += note["cpu_s"] - note["ready_s"] - sum(note["steps"].values())


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _reap() -> None:
    """Wait for whatever the run left, so that the kernel counts it among our children."""
    while True:
        try:
            os.wait()
        except ChildProcessError:
            return


def floor_of(dumps: Sequence[Path], scratch: Path) -> float:
    """CPU seconds of the floor over these dumps, one process, warm."""
    some = dumps[:: -(-len(dumps) // MOST_FLOOR)]
    floor(some[0], scratch)
    times = [floor(dump, scratch)["floor"] for dump in some]
    return sum(times) * len(dumps) / len(some)


def tell(cost: Cost, n: int, floor_s: float, jobs: int) -> None:
    """Print where the time of a run went."""
    rows = {**dict(sorted(cost.parts_s.items())), **cost.steps_s}
    rows["ends of processes"] = cost.cpu_s - sum(rows.values())
    for name, seconds in rows.items():
        if seconds:
            each = f"{seconds / n * 1000:>8.1f} ms a session {seconds / cost.cpu_s:>6.1%}"
            print(f"  {name:<22} {seconds:>8.2f} s {each}")
    print("  peak memory: " + ", ".join(f"{part} {mb:.0f} MB" for part, mb in cost.peaks_mb.items()))
    print(
        f"  all: {cost.cpu_s:.1f} s of CPU, {cost.cpu_s / floor_s:.2f} x floor; own share "
        f"{cost.own_s / cost.cpu_s:.0%}; {cost.wall_s:.1f} s of wall time, "
        f"{jobs} cores busy {cost.cpu_s / cost.wall_s / jobs:.0%}",
        flush=True,
    )


def summarise(lines: Sequence[tuple[int, float, list[Cost]]], jobs: int) -> None:
    """Print a table of all sizes, and the bars."""
    heads = "sessions|CPU, s|a session, s|of the floor|own share|cores busy|wall, s"
    heads += "|nothing to do: CPU, wall, s|another limit: CPU, wall, s|peak of a worker, MB"
    print(f"\n| {heads.replace('|', ' | ')} |\n|{'---|' * 10}")
    for n, floor_s, (first, idle, judged) in lines:
        cells = [
            f"{n}",
            f"{first.cpu_s:.1f}",
            f"{first.cpu_s / n:.2f}",
            f"{first.cpu_s / floor_s:.2f}",
            f"{first.own_s / first.cpu_s:.0%}",
            f"{first.cpu_s / first.wall_s / jobs:.0%}",
            f"{first.wall_s:.1f}",
            f"{idle.cpu_s:.1f}, {idle.wall_s:.1f}",
            f"{judged.cpu_s:.1f}, {judged.wall_s:.1f}",
            f"{max(cost.peaks_mb['worker'] for cost in (first, judged)):.0f}",
        ]
        print(f"| {' | '.join(cells)} |")
    print(
        f"\nBars: at most {FLOOR_BAR:g} of the floor; own share at most {OWN_BAR:.0%}; cores busy above "
        f"{BUSY_BAR:.0%}; a worker below {MEMORY_BAR_MB:g} MB; for 1,000\nsessions nothing to do within "
        f"{IDLE_BAR_S:g} s and another limit within {JUDGED_BAR_S:g} s of wall time, of which {jobs} cores "
        f"give {jobs * JUDGED_BAR_S:g} s of CPU"
    )


def _apart(code: str, *words: Any) -> str:
    """Run code in a process of its own: a child's peak memory counts from what its parent held.

    No pool of ``multiprocessing``: the process that keeps its books outlives it, and
    :func:`_reap` would wait for that.
    """
    command = [sys.executable, "-c", code, *map(str, words)]
    done = subprocess.run(command, cwd=Path(__file__).parent, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of a batch")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sessions", default="10,50,200")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--keep", action="store_true", help="leave studies and results")
    options = parser.parse_args()
    sizes = [int(n) for n in options.sessions.split(",")]
    ctypes.CDLL(None).prctl(_SUBREAPER, 1, 0, 0, 0)
    whole = options.folder / "whole"
    if len(dumps_of(whole)) < max(sizes):
        _apart(WRITE, whole, max(sizes))
    lines = []
    for n in sizes:
        study, results = options.folder / f"study-{n}", options.folder / f"results-{n}"
        for place in (study, results):
            shutil.rmtree(place, ignore_errors=True)
        link_batch(whole, study, n)
        floor_s = float(_apart(FLOOR, study, options.folder / "floor.parquet"))
        print(f"\n{n} sessions; floor {floor_s:.1f} s of CPU", flush=True)
        costs = []
        for name in ("from nothing", "nothing to do", "another limit"):
            if name == "another limit":
                (study / "policy.toml").write_text(LIMIT)
            costs.append(run(study, results, options.jobs))
            print(f"{name}:")
            tell(costs[-1], n, floor_s, options.jobs)
        lines.append((n, floor_s, costs))
        for place in (study, results) if not options.keep else ():
            shutil.rmtree(place)
    summarise(lines, options.jobs)


if __name__ == "__main__":
    main()
