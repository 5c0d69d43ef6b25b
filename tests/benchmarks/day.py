"""How much memory each step takes for a recording of 24 hours, each in a process of its own.

``python tests/benchmarks/day.py [--hours 24] [--framing text]``. 4 channels at 250 Hz in 16 bits, invented.
Peak resident memory is what the kernel reports of each child when it ends (``ru_maxrss``), libraries and all.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import invented

BAR_MB = 500.0
STEPS = ("convert", "validate", "detect", "draw", "judge", "report")

ONE_STEP = """
import sys
from pipeline.serving import run_here
from pipeline.workflow import Plan
plan = Plan.of(sys.argv[1], sys.argv[2], "2026-03-02T12:00:00Z")
for job in plan.jobs.values():
    run_here(sys.argv[3], job)
    print((job.results / "logs" / job.session.name / (sys.argv[3] + ".log")).read_text().strip())
"""


def peak_of(study: Path, results: Path, step: str) -> tuple[float, float, str]:
    """Peak memory in MB, CPU seconds and the last line of one step in a fresh process."""
    child = subprocess.Popen(
        [sys.executable, "-c", ONE_STEP, str(study), str(results), step], stdout=subprocess.PIPE, text=True
    )
    said = (child.stdout.read() if child.stdout else "").strip()
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"{step} ended with {os.waitstatus_to_exitcode(status)}: {said}")
    return usage.ru_maxrss * 1024 / 1e6, usage.ru_utime + usage.ru_stime, said


def main() -> None:
    parser = argparse.ArgumentParser(description="Peak memory of a day")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--framing", choices=invented.FRAMINGS, default="sync")
    given = parser.parse_args()
    hours = given.hours
    with tempfile.TemporaryDirectory() as name:
        study, results = Path(name) / "study", Path(name) / "results"
        dump = invented.write_study(study, hours, given.framing)
        print(
            f"{given.framing}, {hours:g} h, {len(invented.CHANNELS)} channels at {invented.SAMPLE_HZ} Hz, ",
            end="",
        )
        print(f"16 bits: {dump.stat().st_size / 1e6:.0f} MB; peak memory, at most {BAR_MB:g} MB\n")
        for step in STEPS:
            peak_mb, cpu_s, said = peak_of(study, results, step)
            bar = "met" if peak_mb <= BAR_MB else "NOT met"
            print(f"{step:<9} {peak_mb:>6.0f} MB  {bar:<8} {cpu_s:>6.1f} s CPU   {said}", flush=True)


if __name__ == "__main__":
    main()
