"""What a study costs on a cluster: a SLURM of one node, with more or fewer sessions in each of its jobs.

``tests/slurm.sh start && python tests/benchmarks/cluster.py FOLDER [--sessions 50] [--each 10,50]``. The
study (invented; one-hour sessions of 4 channels at 250 Hz in 16 bits) is made in FOLDER once. CPU time and
memory are looked up twice a second, so that the last half second of each process is missed. Beside it
stands the same study without a cluster.
"""

import argparse
import os
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import yaml
from batch_study import write_batch

REPOSITORY = Path(__file__).parent.parent.parent
PROFILE = REPOSITORY / "pipeline" / "profiles" / "slurm" / "config.yaml"
MARK = "SESSIONGATE_BENCHMARK"
"""In the surroundings of all processes of a run, those on nodes included."""
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")
_PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6


@dataclass
class Taken:
    """What a run took: s of CPU by SLURM job ('' where it was started) and process, MB at most by job."""

    cpu_s: dict[tuple[str, int], float] = field(default_factory=dict)
    memory_mb: dict[str, float] = field(default_factory=dict)

    def look(self) -> None:
        """Take in what is at work now."""
        now_mb: dict[str, float] = {}
        for place in Path("/proc").glob("[0-9]*"):
            try:
                known = dict(v.split("=", 1) for v in (place / "environ").read_text().split("\0") if "=" in v)
                fields = (place / "stat").read_text().rpartition(")")[2].split()
            except (OSError, ValueError):  # it ended meanwhile, or is none of ours
                continue
            if MARK in known and fields[0] != "Z":
                job = known.get("SLURM_JOB_ID", "")
                self.cpu_s[job, int(place.name)] = (int(fields[11]) + int(fields[12])) / _TICKS_PER_S
                now_mb[job] = now_mb.get(job, 0.0) + int(fields[21]) * _PAGE_MB
        for job, mb in now_mb.items():
            self.memory_mb[job] = max(self.memory_mb.get(job, 0.0), mb)

    def cpu_of(self, *, elsewhere: bool) -> float:
        """S of CPU in SLURM jobs, or where the run was started."""
        return sum(cpu_s for (job, _), cpu_s in self.cpu_s.items() if bool(job) is elsewhere)


def run(study: Path, results: Path, *options: str) -> tuple[float, Taken]:
    """Wall time, and what one run from nothing took."""
    shutil.rmtree(results, ignore_errors=True)
    command = [sys.executable, "-m", "pipeline.cli", "run", str(study), "--out", str(results), *options]
    taken, over = Taken(), threading.Event()

    def watch() -> None:
        while not over.wait(0.5):
            taken.look()

    watcher = threading.Thread(target=watch)
    watcher.start()
    began = time.monotonic()
    subprocess.run(command, stdout=subprocess.DEVNULL, cwd=REPOSITORY, env={**os.environ, MARK: "1"})
    wall_s = time.monotonic() - began
    over.set()
    watcher.join()
    return wall_s, taken


def profile(folder: Path, each: int) -> str:
    """The package's profile with so many sessions in each SLURM job; it looks at the queue often."""
    content = yaml.safe_load(PROFILE.read_text(encoding="utf-8"))
    content |= {"group-components": [f"session={each}"], "slurm-init-seconds-before-status-checks": 1}
    folder.mkdir(exist_ok=True)
    (folder / "config.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
    return str(folder)


def row(name: str, n_sessions: int, wall_s: float, taken: Taken) -> str:
    here_s, elsewhere_s = taken.cpu_of(elsewhere=False), taken.cpu_of(elsewhere=True)
    jobs = [mb for job, mb in taken.memory_mb.items() if job]
    each_s = (here_s + elsewhere_s) / n_sessions
    costs = f"{here_s:>8.1f}{elsewhere_s:>10.1f}{each_s:>11.2f}"
    return f"{name:<12}{len(jobs):>11}{costs}{max(jobs, default=0.0):>10.0f}{wall_s:>8.0f}"


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of a study on a cluster")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sessions", type=int, default=50)
    parser.add_argument("--each", default="10,50")
    options = parser.parse_args()
    study, results = options.folder / f"study-{options.sessions}", options.folder / "results"
    write_batch(study, options.sessions)
    print(f"{options.sessions} sessions of one hour; s of CPU where it was started, in SLURM jobs, a session")
    print("in a job     SLURM jobs    here      jobs  a session    MB, most  wall s")
    print(row("no cluster", options.sessions, *run(study, results)), flush=True)
    for each in map(int, options.each.split(",")):
        done = run(study, results, "--profile", profile(options.folder / "profile", each))
        print(row(str(each), options.sessions, *done), flush=True)
    shutil.rmtree(results)


if __name__ == "__main__":
    main()
