"""Damaged and hostile dumps of every framing through readers and time base, at length.

``python tests/fuzz/fuzz.py [--damaged 1000000] [--seed 20260302] [--first-round 0] [--jobs 2]``.

Dumps come whole or in parts, at times two damaged ones of one wearing. Checked in each round: nothing is
raised but `Unreadable`, the ledger sums to the file's size before and after placing, no frame is decoded that
was never written (where a check of 32 bits stands in it), the size of blocks changes nothing, nothing is
shown that was not decoded, and time goes on. Round n of a seed is the same every time: a run that was cut
short goes on with ``--first-round``, and a fault is seen again with ``--first-round n --damaged 1``.

Then, unless ``--rounds-only``: what `peek` says of such dumps, with and without a layout; how many frames of
random content each checksum lets through; how CPU time grows with hostile files, and what memory the worst of
them take. Ends with 1 where anything is wrong.
"""

import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")  # before NumPy reads them

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import count, islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # where the tests' own encoder is

from cases import CASES
from costs import Cost, cost, peak_bytes
from escapes import Escapes, checks, measure
from hostile import makers_for
from peeks import look
from rounds import Tally, play

COSTLY = (
    *("sync fixed", "sync fixed, 16-bit check, short counter", "sync stated", "no check, stated length"),
    *("kinds", "kinds by sync bytes, shared counter, events", "packed, big"),
    *("sectors", "sectors without sync", "sectors, stated length", "sectors of kinds"),
    *("cobs", "cobs of kinds", "slip of kinds", "text", "text kinds", "text, received", "wav", "edf"),
)
"""The cases whose time and memory are looked at: one for each way through the readers."""

ROUNDS_OF_A_TASK = len(CASES)
MOST_FAULTS = 20
MEMORY_BYTES = (4 << 20, 16 << 20)
MOST_BYTES_A_BYTE = 16
"""Memory for each further byte of a file of the shortest frames, none of which follows the one before."""


def play_many(seed: int, first: int) -> Tally:
    """Some rounds in one go."""
    tally = Tally()
    for number in range(first, first + ROUNDS_OF_A_TASK):
        tally.add(play(seed, number))
    return tally


def play_until(
    pool: ProcessPoolExecutor, jobs: int, seed: int, first: int, damaged: int
) -> tuple[Tally, int]:
    """Rounds until enough frames were damaged; what they came to, and the next round."""
    tally, starts = Tally(), count(first, ROUNDS_OF_A_TASK)
    while _sum(tally, "damaged frames") < damaged and len(tally.faults) < MOST_FAULTS:
        batch = list(islice(starts, jobs))
        for part in pool.map(partial(play_many, seed), batch):
            tally.add(part)
        first = batch[-1] + ROUNDS_OF_A_TASK
        print(f"  {_sum(tally, 'damaged frames'):>9,} damaged frames, next round {first}", flush=True)
    return tally, first


def _sum(tally: Tally, what: str) -> int:
    return sum(n for (_, key), n in tally.counts.items() if key == what)


def show_rounds(tally: Tally) -> None:
    """A row for each framing."""
    columns = (
        "rounds",
        "damaged frames",
        "hostile files",
        "bytes",
        "escapes of 16 bits",
        "escapes of 32 bits",
    )
    print("| framing | " + " | ".join(columns) + " |\n|" + "---|" * (len(columns) + 1))
    for framing in sorted({framing for framing, _ in tally.counts}):
        print(f"| {framing} | " + " | ".join(f"{tally.counts[framing, what]:,}" for what in columns) + " |")


def show_escapes(found: list[Escapes]) -> None:
    print("\n| check | bits | frames of random content | let through | expected | spread |")
    print("|---|---|---|---|---|---|")
    for row in found:
        chance = f"{row.expected:.3g} | {row.spread:.2g}"
        print(f"| {row.name} | {row.width} | {row.tried:,} | {row.found:,} | {chance} |")


def show_costs(costs: list[Cost]) -> None:
    """The slowest of each case, and how many were looked at."""
    print(f"\n{len(costs)} hostile files of {len(COSTLY)} layouts; the slowest of each framing:")
    print("\n| layout | file | MB/s | times at twice the size |\n|---|---|---|---|")
    slowest: dict[str, Cost] = {}
    for row in sorted(costs, key=lambda row: row.once_s / row.n_bytes):
        slowest[CASES[row.case].layout.framing] = row
    for row in slowest.values():
        speed = 2 * row.n_bytes / row.twice_s / 1e6
        print(f"| {row.case} | {row.maker} | {speed:.1f} | {row.twice_s / row.once_s:.2f} |")


def _cost(n_bytes: int, which: tuple[str, str]) -> Cost:
    return cost(*which, n_bytes)


def _memory(pool: ProcessPoolExecutor, costs: list[Cost]) -> bool:
    """Peak memory of the slowest file of each framing, at two sizes; whether it stays within bounds."""
    slowest = {CASES[row.case].layout.framing: row for row in sorted(costs, key=lambda row: row.once_s)}
    print(
        "\n| layout | file | MB, 16 kB | MB, " + " | MB, ".join(f"{n >> 20} MiB" for n in MEMORY_BYTES) + " |"
    )
    print("|---|---|---|---|---|")
    right = True
    for row in slowest.values():
        sizes = (1 << 14, *MEMORY_BYTES)
        peaks = [peak_bytes(row.case, row.maker, n) / 1e6 for n in sizes]
        right &= peaks[2] - peaks[1] <= MOST_BYTES_A_BYTE * (MEMORY_BYTES[1] - MEMORY_BYTES[0]) / 1e6
        print(
            f"| {row.case} | {row.maker} | " + " | ".join(f"{peak:.0f}" for peak in peaks) + " |", flush=True
        )
    return right


def main() -> int:
    parser = argparse.ArgumentParser(description="Damaged and hostile dumps")
    parser.add_argument("--damaged", type=int, default=1_000_000, help="frames to damage")
    parser.add_argument("--seed", type=int, default=20260302)
    parser.add_argument("--first-round", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rounds-only", action="store_true")
    parser.add_argument("--scale", type=float, default=1.0, help="of the frames of random content")
    parser.add_argument("--looks", type=int, default=200, help="dumps that peek looks into")
    parser.add_argument("--hostile-bytes", type=int, default=300_000)
    given = parser.parse_args()
    began = time.monotonic()
    print(f"seed {given.seed}, from round {given.first_round}, {len(CASES)} layouts", flush=True)
    wrong = False
    with ProcessPoolExecutor(given.jobs) as pool:
        tally, _ = play_until(pool, given.jobs, given.seed, given.first_round, given.damaged)
        show_rounds(tally)
        if not given.rounds_only:
            looks = [said for said in pool.map(partial(look, given.seed), range(given.looks)) if said]
            print(f"\npeek looked into {given.looks} dumps, {len(looks)} times in vain", flush=True)
            tally.faults += looks
            found = list(pool.map(partial(measure, scale=given.scale, seed=given.seed), checks()))
            show_escapes(found)
            pairs = [(name, maker) for name in COSTLY for maker in makers_for(CASES[name].layout)]
            costs = list(pool.map(partial(_cost, given.hostile_bytes), pairs, chunksize=4))
            show_costs(costs)
            bent = [row for row in costs if not row.is_linear]
            for row in bent:
                print(f"NOT linear: {row}")
            wrong |= bool(bent) or not all(row.is_plausible for row in found)
            wrong |= not _memory(pool, costs)
    for fault in tally.faults[:MOST_FAULTS]:
        print(f"\nFAULT in {fault}")
    wrong |= bool(tally.faults)
    print(f"\n{time.monotonic() - began:.0f} s; {'faults were found' if wrong else 'nothing wrong'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
