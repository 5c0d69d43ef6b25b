"""What making and checking the checksums of a bundle costs beside SHA-512 alone.

``python tests/benchmarks/checksums.py [--mb 1000] [--files 20]``. The files hold invented bytes and lie in
the page cache. The floor is ``hashlib.file_digest`` over the same files; the three take turns; the fastest
of the runs counts. The bar is for files of the default size: with thousands of small ones, opening them costs
more than their checksums.
"""

import argparse
import hashlib
import json
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipeline.bundle.bag import write_manifests
from pipeline.verify.verify import check

TURNS = 5
BAR = 1.1
MEMORY_BAR_MB = 8.0


def make_payload(folder: Path, n_bytes: int, n_files: int) -> None:
    """Files of equal size, with the two descriptions that a bundle has."""
    data, rng = folder / "data", np.random.default_rng(0)
    data.mkdir()
    names = [f"{i:03d}.bin" for i in range(n_files)]
    for name in names:
        (data / name).write_bytes(rng.bytes(n_bytes // n_files))
    package = {"resources": [{"path": name} for name in names]}
    crate = {"@graph": [{"@id": name, "@type": "File"} for name in [*names, "datapackage.json"]]}
    (data / "datapackage.json").write_text(json.dumps(package))
    (data / "ro-crate-metadata.json").write_text(json.dumps(crate))


def hash_alone(folder: Path) -> None:
    """The floor: the library's own loop."""
    for path in sorted((folder / "data").iterdir()):
        with path.open("rb", buffering=0) as file:
            hashlib.file_digest(file, "sha512")


def check_whole(folder: Path) -> None:
    """What ``sessiongate verify`` does; a bundle that is not whole would make the figure void."""
    if faults := check(folder).faults:
        raise SystemExit(str(faults[0].problem))


def main() -> int:
    """Print the figures; 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mb", type=int, default=1000)
    parser.add_argument("--files", type=int, default=20)
    options = parser.parse_args()
    ways: dict[str, Callable[[Path], None]] = {
        "hashlib alone": hash_alone,
        "write manifests": lambda folder: write_manifests(folder, {}),
        "verify": check_whole,
    }
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        make_payload(folder, options.mb * 10**6, options.files)
        write_manifests(folder, {})
        best = dict.fromkeys(ways, float("inf"))
        for _ in range(TURNS):
            for name, way in ways.items():
                start = time.process_time()
                way(folder)
                best[name] = min(best[name], time.process_time() - start)
        tracemalloc.start()
        check_whole(folder)
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    floor = best["hashlib alone"]
    for name, seconds in best.items():
        print(f"{name:<16} {seconds:6.2f} s of CPU {options.mb / seconds:7.0f} MB/s {seconds / floor:5.2f}")
    print(f"verify holds at most {peak_mb:.1f} MB")
    return int(max(best.values()) / floor > BAR or peak_mb > MEMORY_BAR_MB)


if __name__ == "__main__":
    sys.exit(main())
