"""Kill runs at random moments, many times, and hold what they leave against an undisturbed run.

``python tests/faults/kills.py [--kills 50] [--seed N] [--jobs 2]``.

A seed draws the moments, but machines differ in what is at work then: the table says what was hit. Ends with
1 where anything is wrong.
"""

import argparse
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # where what it shares with the tests is

from killing import Reference, Tally, chains, table, undisturbed
from tiny import tiny_study


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--jobs", type=int, default=2, help="chains of runs at once")
    return parser.parse_args()


def _play(reference: Reference, folder: Path, options: argparse.Namespace) -> list[Tally]:
    """As many kills as are asked for, shared out."""
    shares = [options.kills // options.jobs] * options.jobs
    shares[0] += options.kills % options.jobs
    with ThreadPoolExecutor(options.jobs) as pool:
        played = [
            pool.submit(chains, reference, _made(folder / str(i)), f"{options.seed} {i}", share)
            for i, share in enumerate(shares)
        ]
        return [one.result() for one in played]


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def main() -> int:
    options = _options()
    began = time.monotonic()
    print(f"seed {options.seed}", flush=True)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        study = tiny_study(folder / "study")
        reference = undisturbed(study, folder / "undisturbed")
        whole = Tally()
        for tally in _play(reference, folder, options):
            whole.hits += tally.hits
            whole.chains += tally.chains
            whole.faults += tally.faults
    print(table(whole))
    print(f"{whole.n_kills} kills in {whole.chains} chains, {time.monotonic() - began:.0f} s")
    for fault in whole.faults:
        print(f"  {fault}")
    print(f"{len(whole.faults)} faults" if whole.faults else "nothing wrong")
    return 1 if whole.faults else 0


if __name__ == "__main__":
    sys.exit(main())
