"""How well every detector and the verdict do on simulated recordings: sensitivity, precision, false alarms.

``python tests/benchmarks/detection.py [--kinds mains clean] [--seeds 0:50] [--jobs 2] [--only-misses]``,
``python tests/benchmarks/detection.py --measure [--jobs 2]`` for the figures that are reported.

Each seed draws a recording of each kind from :mod:`pipeline.simulate.draw`; everything in it is invented. The
recording goes through all detectors and the verdict, and its events are scored by
:mod:`pipeline.drill.scoring`. Detectors are tuned on seeds 0 to 9999; seeds from 1,000,000 on are held back,
and those from 16,000,000 on are measured. The same arguments print the same text; progress goes to the error
stream.
"""

import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")  # before NumPy reads them

import argparse
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import trial_tables as tables
from trials import Trial, trial

from pipeline.simulate.draw import KINDS

SECONDS_BETWEEN_LINES = 5.0

MEASURED = {
    "clean": 155,
    "lost": 140,
    "stuck": 120,
    "held": 110,
    "zero_filled": 140,
    "hard_rails": 90,
    "soft_rails": 80,
    "one_sided": 60,
    "mains": 120,
    "contact_open": 100,
    "contact_intermittent": 100,
    "contact_partial": 100,
    "contact_drying": 100,
    "low_coupling": 80,
    "mixed": 100,
}
"""Recordings of each kind whose figures are reported; of the kinds that are not named, `MEASURED_OTHERS`.

1,000 events of losses, of values that repeat and of hard rails; 300 and more of soft rails and mains, 500 of
lost contact; more than ten hours of clean recordings.
"""

MEASURED_OTHERS = 20
MEASURED_FROM = 16_000_000
"""Of the seeds that are held back, those of earlier measurements have been seen."""


def seeds_of(text: str) -> range:
    """``a:b`` as the seeds from a to b - 1, one number as that seed."""
    first, colon, last = text.partition(":")
    return range(int(first), int(last) if colon else int(first) + 1)


def of_one(asked: tuple[str, int, dict[str, float]]) -> tuple[Trial, float]:
    """A trial and the seconds it took."""
    kind, seed, how = asked
    began = time.process_time()
    return trial(kind, seed, **how), time.process_time() - began


def run(kinds: Iterable[str], seeds: Sequence[int], jobs: int = 1, **how: float) -> list[Trial]:
    """All trials, in the order of kind and seed."""
    return run_all([(kind, seed, how) for kind in kinds for seed in seeds], jobs)


def measure(kinds: Iterable[str], jobs: int = 1) -> list[Trial]:
    """The held-back recordings of `MEASURED`."""
    first = MEASURED_FROM
    sizes = {kind: MEASURED.get(kind, MEASURED_OTHERS) for kind in kinds}
    return run_all([(kind, first + i, {}) for kind, n in sizes.items() for i in range(n)], jobs)


def run_all(asked: Sequence[tuple[str, int, dict[str, float]]], jobs: int) -> list[Trial]:
    """Trials of kind, seed and further arguments of the draw."""
    if jobs <= 1:
        return list(_told(map(of_one, asked), len(asked)))
    with ProcessPoolExecutor(jobs) as pool:
        return list(_told(pool.map(of_one, asked, chunksize=4), len(asked)))


def _told(results: Iterable[tuple[Trial, float]], n: int) -> Iterator[Trial]:
    began = said = time.monotonic()
    spent_s = 0.0
    for i, (done, took_s) in enumerate(results, 1):
        spent_s += took_s
        if time.monotonic() - said > SECONDS_BETWEEN_LINES or i == n:
            said = time.monotonic()
            print(f"{i} of {n}, {said - began:.0f} s, {spent_s / i:.2f} s CPU each", file=sys.stderr)
        yield done


def main() -> None:
    parser = argparse.ArgumentParser(description="Detectors and verdict on simulated recordings")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS), metavar="KIND")
    parser.add_argument("--seeds", type=seeds_of, default=range(20), help="a:b, b not among them")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--hz", type=float, help="this sampling rate for all")
    parser.add_argument("--mains-hz", type=float, help="this grid for all")
    parser.add_argument("--bits", type=int, help="this converter for all")
    parser.add_argument("--seconds", type=float, help="length of each recording")
    parser.add_argument("--measure", action="store_true", help="held-back seeds, as many as are reported")
    parser.add_argument("--only-misses", action="store_true", help="misses and false alarms alone")
    given = parser.parse_args()
    asked = {
        "sample_hz": given.hz,
        "mains_hz": given.mains_hz,
        "bits": given.bits,
        "duration_s": given.seconds,
    }
    how = {name: value for name, value in asked.items() if value is not None}
    if given.measure:
        trials = measure(given.kinds, given.jobs)
        print(f"Seeds from {MEASURED_FROM} on, which nothing was tuned on.\n")
    else:
        trials = run(given.kinds, given.seeds, given.jobs, **how)
        print(f"Seeds {given.seeds.start} to {given.seeds.stop - 1} of: {', '.join(given.kinds)}.\n")
    if not given.only_misses:
        for lines in tables.all_tables(trials):
            print("\n".join(lines), end="\n\n")
    print("\n".join(tables.misses(trials)) or "No miss and no false alarm.")


if __name__ == "__main__":
    main()
