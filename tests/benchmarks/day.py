"""How much memory each step takes for a recording of 24 hours, each in a process of its own or all in one.

``python tests/benchmarks/day.py [--hours 24] [--framing text] [--together]``. 4 channels at 250 Hz in 16
bits, invented. Peak resident memory is what the kernel reports of each child when it ends (``ru_maxrss``),
libraries and all.
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

IN_A_PROCESS = """
import sys
from pipeline.serving import run_here
from pipeline.workflow import Plan
plan = Plan.of(sys.argv[1], sys.argv[2], "2026-03-02T12:00:00Z")
for job in plan.jobs.values():
    for step in sys.argv[3:]:
        run_here(step, job)
        said = (job.results / "logs" / job.session.name / (step + ".log")).read_text().strip()
    print(said)
"""


def peak_of(study: Path, results: Path, *steps: str) -> tuple[float, float, str]:
    """Peak memory in MB, CPU seconds and the last line of some steps in a fresh process."""
    child = subprocess.Popen(
        [sys.executable, "-c", IN_A_PROCESS, str(study), str(results), *steps],
        stdout=subprocess.PIPE,
        text=True,
    )
    said = (child.stdout.read() if child.stdout else "").strip()
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"{' '.join(steps)} ended with {os.waitstatus_to_exitcode(status)}: {said}")
    return usage.ru_maxrss * 1024 / 1e6, usage.ru_utime + usage.ru_stime, said


def main() -> None:
    parser = argparse.ArgumentParser(description="Peak memory of a day")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--framing", choices=invented.FRAMINGS, default="sync")
    parser.add_argument("--together", action="store_true", help="all steps in one process, as a worker does")
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
        for steps in [STEPS] if given.together else [[step] for step in STEPS]:
            peak_mb, cpu_s, said = peak_of(study, results, *steps)
            bar = "met" if peak_mb <= BAR_MB else "NOT met"
            name = "all" if given.together else steps[0]
            print(f"{name:<9} {peak_mb:>6.0f} MB  {bar:<8} {cpu_s:>6.1f} s CPU   {said}", flush=True)


if __name__ == "__main__":
    main()
