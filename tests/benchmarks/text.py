"""What lines of text cost, beside general-purpose readers of the same lines.

``python tests/benchmarks/text.py [--lines 1000000] [--channels 4]``. Lines of sequence, ticks and channels as
whole numbers, invented. Each reader runs in a process of its own that has read a small file before, and the
readers take turns; the fastest of the runs counts. The others turn the lines into columns of 64-bit integers
and nothing else; ours also computes SHA-256, holds each code against its end codes, and says of each line
where it stood. Polars takes part where it is installed. ``1 % damaged``: that share of the bytes is random.
"""

import argparse
import hashlib
import importlib.util
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

TURNS = 5
SMALL_LINES = 20_000
DAMAGED_SHARE = 0.01
READERS = ("ours", "polars, 1 thread", "polars", "pyarrow, 1 thread", "pyarrow", "pandas", "numpy.loadtxt")
DAMAGED_BAR = 2.0


def write_lines(path: Path, n_lines: int, n_channels: int) -> None:
    """Sequence of 16 bits, ticks of 32 bits in microseconds, channels of 12 bits."""
    rng, line = np.random.default_rng(0), np.arange(n_lines)
    columns = [line % 2**16, line * 8000 % 2**32]
    columns.append(np.clip(512 + 200 * np.sin(line / 300) + rng.normal(0, 30, n_lines), 0, 1023).astype(int))
    columns += [np.clip(rng.normal(0, 500, n_lines), -2048, 2047).astype(int) for _ in range(n_channels - 1)]
    rows = np.stack(columns, axis=1).tolist()
    path.write_text("".join(",".join(map(str, row)) + "\n" for row in rows))


def damage(path: Path, into: Path) -> None:
    """The same with random bytes in random places."""
    data, rng = np.frombuffer(path.read_bytes(), dtype=np.uint8).copy(), np.random.default_rng(1)
    at = rng.choice(len(data), int(len(data) * DAMAGED_SHARE), replace=False)
    data[at] = rng.integers(0, 256, len(at))
    into.write_bytes(data.tobytes())


def reader(name: str, n_channels: int) -> Callable[[Path], object]:
    """Imported here, so that no process holds more than it needs."""
    n_columns = n_channels + 2
    if name == "ours":
        from shapes import text_layout

        from pipeline.frames import read_frames

        channels = [f"c{i}" for i in range(n_channels)]
        layout = text_layout(ticks_bits=32, channels=channels, low=-2048, high=2047, tick_hz=1e6)
        folder = tempfile.gettempdir()
        return lambda path: read_frames([(path.name, path)], layout, Path(folder))
    if name.startswith("polars"):
        import polars

        return lambda path: polars.read_csv(
            path, has_header=False, schema={f"c{i}": polars.Int64 for i in range(n_columns)}
        )
    if name.startswith("pyarrow"):
        import pyarrow as pa
        from pyarrow import csv

        options = csv.ReadOptions(autogenerate_column_names=True, use_threads=name == "pyarrow")
        types = csv.ConvertOptions(column_types={f"f{i}": pa.int64() for i in range(n_columns)})
        return lambda path: csv.read_csv(path, read_options=options, convert_options=types)
    if name == "pandas":
        import pandas as pd

        return lambda path: pd.read_csv(path, header=None, dtype=np.int64, engine="c", low_memory=False)
    return lambda path: np.loadtxt(path, delimiter=",", dtype=np.int64)


def run_one(name: str, n_channels: int, small: Path, path: Path) -> None:
    """In a process of its own: print wall and CPU seconds."""
    read = reader(name, n_channels)
    read(small)
    read(small)
    wall, cpu = time.perf_counter(), time.process_time()
    kept = read(path)
    print(time.perf_counter() - wall, time.process_time() - cpu)
    del kept


def _times(name: str, n_channels: int, small: Path, path: Path) -> tuple[float, float]:
    environment = {**os.environ, "POLARS_MAX_THREADS": "1"} if name.endswith("1 thread") else dict(os.environ)
    command = [sys.executable, __file__, "--one", name, "--channels", str(n_channels), str(small), str(path)]
    printed = subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout
    wall, cpu = map(float, printed.split())
    return wall, cpu


def _digest_s(path: Path) -> float:
    data, began = path.read_bytes(), time.process_time()
    hashlib.sha256(data).hexdigest()
    return time.process_time() - began


def compare(n_lines: int, n_channels: int) -> None:
    names = [
        name
        for name in READERS
        if importlib.util.find_spec(name.split(",")[0].split(".")[0]) or name == "ours"
    ]
    with tempfile.TemporaryDirectory() as folder:
        small, clean, broken = (Path(folder) / name for name in ("small.log", "clean.log", "damaged.log"))
        write_lines(small, SMALL_LINES, n_channels)
        write_lines(clean, n_lines, n_channels)
        damage(clean, broken)
        runs: dict[str, list[tuple[float, float]]] = {}
        for _ in range(TURNS):
            for name in names:
                runs.setdefault(name, []).append(_times(name, n_channels, small, clean))
            runs.setdefault("ours, 1 % damaged", []).append(_times("ours", n_channels, small, broken))
        n_bytes = clean.stat().st_size
        digest_s = min(_digest_s(clean) for _ in range(TURNS))
    print(f"{n_lines:,} lines of {n_channels} channels, {n_bytes / 1e6:.1f} MB; best of {TURNS}\n")
    print("| reader | CPU, s | MB/s of CPU | wall, s |\n|---|---|---|---|")
    for name, times in runs.items():
        wall, cpu = (min(column) for column in zip(*times, strict=True))
        print(f"| {name} | {cpu:.3f} | {n_bytes / cpu / 1e6:.0f} | {wall:.3f} |")
    best = {name: min(cpu for _, cpu in times) for name, times in runs.items()}
    others = {name: cpu for name, cpu in best.items() if not name.startswith("ours")}
    fastest = min(others, key=others.__getitem__)
    print(f"\nSHA-256 of the file alone: {digest_s:.3f} s of CPU")
    print(f"ours / {fastest}: {best['ours'] / others[fastest]:.2f}, without SHA-256 ", end="")
    print(f"{(best['ours'] - digest_s) / others[fastest]:.2f}")
    ratio = best["ours, 1 % damaged"] / best["ours"]
    verdict = "met" if ratio <= DAMAGED_BAR else "NOT met"
    print(f"1 % damaged / clean: {ratio:.2f}, at most {DAMAGED_BAR:g}: {verdict}")


def main() -> None:
    parser = argparse.ArgumentParser(description="cost of lines of text beside other readers")
    parser.add_argument("--lines", type=int, default=1_000_000)
    parser.add_argument("--channels", type=int, default=4)
    parser.add_argument("--one", default="", help=argparse.SUPPRESS)
    parser.add_argument("paths", nargs="*", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one:
        run_one(arguments.one, arguments.channels, *arguments.paths)
    else:
        compare(arguments.lines, arguments.channels)


if __name__ == "__main__":
    main()
