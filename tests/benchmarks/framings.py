"""How fast each framing is read, clean and damaged, beside libraries that do a part of it.

``python tests/benchmarks/framings.py [--hours 1] [--repeats 5] [--no-memory]``. The invented recording of
`invented`, 4 channels at 250 Hz, written in each framing. Ours is `read_frames`: every byte in the ledger,
SHA-256 of the file, checks, counters and counts. Beside it, in the same run and on the same bytes:

- floor: the decoding part of the floor of `hour.py`, checks by a compiled library and one structured dtype.
  Its speed on frames of 90 bytes is the bar for sectors of 512 as well, where it has fewer calls for each MB;
- COBS: the package `cobs` (its C extension), packet by packet, nothing but the stuffing undone; and the same
  with what else is needed to have the counts;
- text: the fastest of pyarrow.csv, pandas, NumPy and, where it is installed, polars; one thread each, numbers
  to columns and nothing else.

Damaged means that each byte has one chance in a hundred to be replaced by a random one, so that more than
half of the frames of 90 bytes are hit. CPU time is that of the process, all threads together; medians, the
programs take turns. Peak memory is that of a process that reads one file, and one four times as long.
"""

import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", POLARS_MAX_THREADS="1")  # read at import

import argparse
import importlib.util
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fastcrc
import invented
import numpy as np
import pandas as pd
from cobs import cobs
from pyarrow import csv

from pipeline.frames import read_frames
from pipeline.layouts import Layout, load_layout

DAMAGED_SHARE = 0.01
FLOOR_BAR, DAMAGED_BAR, LIBRARY_BAR = 1 / 3, 0.5, 1.0
TIMES_AS_LONG = 4


ONE_READING = """
import re, sys
from pathlib import Path
from pipeline.frames import read_frames
from pipeline.layouts import load_layout
dump = Path(sys.argv[1])
reading = read_frames([(dump.name, dump)], load_layout(Path(sys.argv[2]), "layout", []), dump.parent)
assert len(reading.main.table)
print(int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) * 1024)
"""
"""What the kernel says of this process alone; ``ru_maxrss`` begins with what its parent had."""


@dataclass(frozen=True)
class Program:
    """Something that is timed: its name, what it reads, and how."""

    name: str
    n_bytes: int
    run: Callable[[], Any]


def layout_of(framing: str, folder: Path) -> Layout:
    """The layout of one framing, by the loader."""
    path = folder / f"{framing}.toml"
    path.write_text(invented.layout_text(framing))
    problems: list[Any] = []
    layout = load_layout(path, path.name, problems)
    if layout is None:
        raise SystemExit(f"{framing}: {problems}")
    return layout


def read(dump: Path, layout: Layout) -> int:
    """What is measured of ours; how many frames it found."""
    return len(read_frames([(dump.name, dump)], layout, dump.parent).main.table)


def floor(dump: Path, dtype: np.dtype) -> int:
    """As the floor of the first benchmark decodes: raises at the first wrong frame."""
    data, n_bytes = dump.read_bytes(), dtype.itemsize
    frames = np.frombuffer(data, dtype)
    stored, check = frames["checksum"].tolist(), fastcrc.crc16.xmodem
    stop = dtype.fields["checksum"][1]
    for i, value in enumerate(stored):
        if check(data[i * n_bytes + 2 : i * n_bytes + stop]) != value:
            raise ValueError(f"frame {i}")
    return len(frames["samples"].reshape(-1, len(invented.CHANNELS)))


def by_cobs(dump: Path) -> int:
    """Packet by packet, as the package offers it."""
    decode = cobs.decode
    return sum(len(decode(packet)) for packet in dump.read_bytes().split(b"\0") if packet)


def by_cobs_and_checks(dump: Path) -> int:
    """What is needed beside it to have the counts: checks by a compiled library, and one structured dtype."""
    decode, check, good = cobs.decode, fastcrc.crc16.xmodem, list[bytes]()
    for packet in dump.read_bytes().split(b"\0"):
        body = decode(packet) if packet else b""
        if body and check(body[:-2]) == int.from_bytes(body[-2:], "little"):
            good.append(body)
    fields = [(name, *form) for name, *form in invented.FRAME.descr if name != "sync"]
    return len(np.frombuffer(b"".join(good), np.dtype(fields))["samples"].reshape(-1, len(invented.CHANNELS)))


def by_numpy(dump: Path) -> Any:
    return np.loadtxt(dump, dtype=np.int64, delimiter=",", ndmin=2)


def by_pandas(dump: Path) -> Any:
    return pd.read_csv(dump, header=None, dtype=np.int64)


def by_polars(dump: Path) -> Any:
    import polars

    return polars.read_csv(dump, has_header=False)


def by_pyarrow(dump: Path) -> Any:
    return csv.read_csv(dump, csv.ReadOptions(autogenerate_column_names=True, use_threads=False))


TABLE_READERS = {"pyarrow.csv": by_pyarrow, "pandas": by_pandas, "numpy": by_numpy}
if importlib.util.find_spec("polars"):
    TABLE_READERS["polars"] = by_polars


def damaged(data: bytes, seed: int = 1) -> bytes:
    """Each byte with one chance in a hundred another one."""
    rng = np.random.default_rng(seed)
    harmed = np.frombuffer(data, dtype=np.uint8).copy()
    where = np.flatnonzero(rng.random(len(harmed)) < DAMAGED_SHARE)
    harmed[where] = rng.integers(0, 256, len(where), dtype=np.uint8)
    return harmed.tobytes()


def medians(programs: Sequence[Program], repeats: int) -> dict[str, float]:
    """MB of CPU seconds of each; the programs take turns."""
    times: dict[str, list[float]] = {program.name: [] for program in programs}
    for program in programs:
        program.run()
    for _ in range(repeats):
        for program in programs:
            began = time.process_time()
            program.run()
            times[program.name].append(time.process_time() - began)
    return {
        program.name: program.n_bytes / statistics.median(times[program.name]) / 1e6 for program in programs
    }


def programs_for(framing: str, folder: Path) -> list[Program]:
    """Everything that reads one framing."""
    clean, harmed, layout = folder / framing, folder / f"{framing} damaged", layout_of(framing, folder)
    n_bytes = clean.stat().st_size
    made = [
        Program("clean", n_bytes, lambda: read(clean, layout)),
        Program("damaged", n_bytes, lambda: read(harmed, layout)),
    ]
    if framing in ("sync", "sectors"):
        dtype = invented.SECTOR if framing == "sectors" else invented.FRAME
        made.append(Program("floor", n_bytes, lambda: floor(clean, dtype)))
    if framing == "cobs":
        made.append(Program("package cobs", n_bytes, lambda: by_cobs(clean)))
        made.append(Program("cobs, fastcrc, dtype", n_bytes, lambda: by_cobs_and_checks(clean)))
    if framing == "text":
        made += [
            Program(name, n_bytes, lambda run=run: run(clean))  # type: ignore[misc]
            for name, run in TABLE_READERS.items()
        ]
    return made


def verdict(value: float, bar: float) -> str:
    return f"{value:.2f} (at least {bar:.2g}: {'met' if value >= bar else 'NOT met'})"


def row_of(framing: str, speed: dict[str, float], floor_speed: float) -> str:
    """A line of the table: MB/s and ratios with their bars."""
    beside = {name: mb_s for name, mb_s in speed.items() if name not in ("clean", "damaged")}
    best = max(beside, key=lambda name: beside[name], default="")
    if framing in ("sync", "sectors"):
        ratio = verdict(speed["clean"] / floor_speed, FLOOR_BAR)
    else:
        ratio = verdict(speed["clean"] / beside[best], LIBRARY_BAR) if best else "none"
    others = ", ".join(f"{name} {mb_s:.0f}" for name, mb_s in sorted(beside.items(), key=lambda p: -p[1]))
    slower = verdict(speed["damaged"] / speed["clean"], DAMAGED_BAR)
    ours = f"{speed['clean']:.0f} | {speed['damaged']:.0f} | {slower}"
    return f"| {framing} | {ours} | {others or 'none'} | {ratio} |"


def peak_mb(framing: str, dump: Path) -> float:
    """Peak memory of a process that reads one dump."""
    command = [sys.executable, "-c", ONE_READING, str(dump), str(dump.parent / f"{framing}.toml")]
    return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout) / 1e6


def memory_row(framing: str, folder: Path, hours: float) -> str:
    """Peak memory for a dump and for a longer one."""
    longer = folder / f"{framing} longer"
    invented.write_dump(longer, framing, TIMES_AS_LONG * hours)
    sizes = [path.stat().st_size / 1e6 for path in (folder / framing, longer)]
    once, more = (peak_mb(framing, path) for path in (folder / framing, longer))
    longer.unlink()
    return f"| {framing} | {sizes[0]:.0f} | {once:.0f} | {sizes[1]:.0f} | {more:.0f} |"


def main() -> None:
    parser = argparse.ArgumentParser(description="Speed of each framing")
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--framings", nargs="*", default=invented.FRAMINGS)
    parser.add_argument("--no-memory", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for framing in {"sync", *given.framings}:
            invented.write_dump(folder / framing, framing, given.hours)
            (folder / f"{framing} damaged").write_bytes(damaged((folder / framing).read_bytes()))
        print(f"{given.hours:g} h; MB of each second of CPU, medians of {given.repeats}\n")
        print("| framing | clean | damaged | damaged / clean | beside it | clean / the best of these |")
        print("|---|---|---|---|---|---|")
        floor_speed = 0.0
        for framing in given.framings:
            speed = medians(programs_for(framing, folder), given.repeats)
            floor_speed = floor_speed or speed.get("floor", 0.0)
            print(row_of(framing, speed, floor_speed), flush=True)
        if not given.no_memory:
            print(
                "\n| framing | MB | peak memory, MB | MB, longer | peak memory, MB |\n|---|---|---|---|---|"
            )
            for framing in given.framings:
                print(memory_row(framing, folder, given.hours), flush=True)


if __name__ == "__main__":
    main()
