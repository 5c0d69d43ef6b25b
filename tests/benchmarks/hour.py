"""What one hour costs in CPU time, beside a floor and beside what one would write without this project.

``python tests/benchmarks/hour.py [--hours 1]``. 4 channels at 250 Hz in 16 bits, invented. All three programs
read the same bytes in the same run:

- ours: every step from the dump to the final data files, and the report for itself;
- floor: checksums by a compiled library, one structured dtype over the dump, one Parquet file with our
  columns, encodings and compression, one FFT over each channel; no losses, clock, detectors or verdict;
  our detectors have a bar beside that FFT;
- loop: bytes taken apart frame by frame with ``struct``, a table-driven CRC, pandas, ``scipy.signal.welch``.

CPU time is that of the whole process, all threads together; linear algebra has one thread, as in the workers
of ``sessiongate run``.
"""

import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")  # before NumPy reads them

import argparse
import contextlib
import statistics
import struct
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import fastcrc
import invented
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from scipy import fft, signal

from pipeline.frames import read_frames
from pipeline.steps.by_name import SESSION_STEPS
from pipeline.steps.convert import write_placing
from pipeline.steps.job import Job, read_json
from pipeline.timebase import place_session
from pipeline.workflow import Plan

REPEATS = 3
WARM_UP_HOURS = 0.02
FLOOR_BAR, LOOP_BAR, DETECTORS_BAR = 6.0, 5.0, 3.0
REPORT_BAR_S, PAGE_BAR_MB = 0.5, 1.5
"""For an hour: CPU time of the report step, its check of the signal included, and size of the page."""

Times = dict[str, float]


class Stopwatch:
    """CPU seconds by name."""

    def __init__(self) -> None:
        self.times: Times = {}

    @contextlib.contextmanager
    def of(self, name: str) -> Iterator[None]:
        began = time.process_time()
        yield
        self.times[name] = time.process_time() - began


def ours(job: Job) -> Times:
    """Each step by the code that the workflow runs; conversion is taken apart into its three."""
    watch = Stopwatch()
    job.places.recording.parent.mkdir(parents=True, exist_ok=True)
    dumps = [(name, job.study_folder / name) for name in job.session.dumps]
    with watch.of("read_frames"):
        reading = read_frames(dumps, job.layout, job.places.recording.parent)
    with watch.of("place_session"):
        placing = place_session([reading])
    with watch.of("write_recording"):
        write_placing(job, placing)
    to_recording = sum(watch.times.values())
    for step in ("validate", "detect"):
        with watch.of(step):
            SESSION_STEPS[step](job)
    # With an activity log, which the other programs do not read: its page holds the check of the signal, too.
    hours = read_json(job.places.validation)["n_rows"][0] / invented.SAMPLE_HZ / 3600
    logged = replace(job, session=replace(job.session, activities=invented.activities(hours)))
    with watch.of("draw, samples"):
        SESSION_STEPS["draw"](logged)
    with watch.of("judge, final files"):
        SESSION_STEPS["judge"](logged)
    watch.times["ours without report"] = sum(watch.times.values())
    watch.times["ours to the recording"] = to_recording
    with watch.of("report"):
        SESSION_STEPS["report"](logged)
    return watch.times


def floor(dump: Path, out: Path) -> Times:
    """The least that any program does that gives the same samples."""
    watch = Stopwatch()
    with watch.of("floor"):
        data = dump.read_bytes()
        n_bytes = invented.FRAME.itemsize
        frames = np.frombuffer(data, invented.FRAME)
        stored = frames["checksum"].tolist()
        check = fastcrc.crc16.xmodem
        for i, value in enumerate(stored):
            if check(data[i * n_bytes + 2 : (i + 1) * n_bytes - 2]) != value:
                raise ValueError(f"frame {i}")
        counts = frames["samples"].reshape(-1, len(invented.CHANNELS))
        row = np.arange(len(counts), dtype=np.int64)
        columns: dict[str, Any] = {"sample": row, "time_s": row / invented.SAMPLE_HZ}
        for k, name in enumerate(invented.CHANNELS):
            columns[name] = counts[:, k].astype(np.float32) * np.float32(invented.SCALES[k])
        columns["quality"] = np.zeros(len(row), np.uint32)
        pq.write_table(
            pa.table(columns),
            out,
            compression="zstd",
            compression_level=1,
            use_dictionary=[*invented.CHANNELS, "quality"],
            column_encoding={"sample": "DELTA_BINARY_PACKED", "time_s": "BYTE_STREAM_SPLIT"},
        )
        with watch.of("FFT of the floor"):
            for name in invented.CHANNELS:
                np.abs(fft.rfft(columns[name])) ** 2
    return watch.times


def loop(dump: Path, out: Path) -> Times:
    """What a researcher would otherwise write."""
    watch = Stopwatch()
    with watch.of("loop"):
        data, at, rows = dump.read_bytes(), 0, []
        layout = struct.Struct(f"<2sHI{invented.PER_FRAME * len(invented.CHANNELS)}hH")
        while (at := data.find(invented.SYNC, at)) >= 0 and at + layout.size <= len(data):
            _, sequence, ticks, *values, stored = layout.unpack_from(data, at)
            if _crc(data[at + 2 : at + layout.size - 2]) != stored:
                at += 1
                continue
            for k in range(invented.PER_FRAME):
                time_s = (ticks + k * invented.TICK_HZ / invented.SAMPLE_HZ) / invented.TICK_HZ
                rows.append((sequence, time_s, *values[4 * k : 4 * k + 4]))
            at += layout.size
        frame = pd.DataFrame(rows, columns=["sequence", "time_s", *invented.CHANNELS])
        for name, scale in zip(invented.CHANNELS, invented.SCALES, strict=True):
            frame[name] *= scale
        frame.to_parquet(out)
        for name in invented.CHANNELS:
            signal.welch(frame[name].to_numpy(), invented.SAMPLE_HZ, nperseg=4096)
    return watch.times


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        register = byte << 8
        for _ in range(8):
            register = ((register << 1) ^ 0x1021 if register & 0x8000 else register << 1) & 0xFFFF
        table.append(register)
    return table


_TABLE = _crc_table()


def _crc(data: bytes) -> int:
    register = 0
    for byte in data:
        register = ((register << 8) & 0xFFFF) ^ _TABLE[(register >> 8) ^ byte]
    return register


def _study(folder: Path, hours: float) -> tuple[Job, Path]:
    dump = invented.write_study(folder / "study", hours)
    plan = Plan.of(str(folder / "study"), str(folder / "results"), "2026-03-02T12:00:00Z")
    return next(iter(plan.jobs.values())), dump


def _medians(programs: Sequence[Callable[[], Times]]) -> Times:
    """The programs take turns, so that whatever else the machine does meets all of them alike."""
    runs = [{name: s for program in programs for name, s in program().items()} for _ in range(REPEATS)]
    return {name: statistics.median(times[name] for times in runs) for name in runs[0]}


def _line(name: str, seconds: float, hour_s: float) -> None:
    print(f"{name:<22} {seconds:>8.3f} s {seconds / hour_s:>9.2f} x floor")


def main() -> None:
    parser = argparse.ArgumentParser(description="CPU time of one hour")
    parser.add_argument("--hours", type=float, default=1.0)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job, dump = _study(folder / "warm-up", WARM_UP_HOURS)
        for run in (lambda: ours(job), lambda: floor(dump, folder / "f"), lambda: loop(dump, folder / "l")):
            run()
        job, dump = _study(folder / "full", hours)
        print(f"{hours:g} h, {len(invented.CHANNELS)} channels at {invented.SAMPLE_HZ} Hz, 16 bits: ", end="")
        print(f"{dump.stat().st_size / 1e6:.1f} MB; CPU time, median of {REPEATS}\n")
        times = _medians(
            (lambda: ours(job), lambda: floor(dump, folder / "f"), lambda: loop(dump, folder / "l"))
        )
        page_mb = job.places.report.stat().st_size / 1e6
    for label, seconds in times.items():
        _line(label, seconds, times["floor"])
    own = times["ours without report"]
    above, ahead = own / times["floor"], times["loop"] / own
    print()
    print(f"ours / floor {above:5.1f}, at most {FLOOR_BAR:g}: {'met' if above <= FLOOR_BAR else 'NOT met'}")
    print(f"loop / ours  {ahead:5.1f}, at least {LOOP_BAR:g}: {'met' if ahead >= LOOP_BAR else 'NOT met'}")
    # The step reads the recording, makes the tracks, runs all detectors and writes what they found.
    detectors = times["detect"] / times["FFT of the floor"]
    held = "met" if detectors <= DETECTORS_BAR else "NOT met"
    name = "all detectors / floor's FFT over the same samples"
    print(f"{name} {detectors:5.2f}, at most {DETECTORS_BAR:g}: {held}")
    held = "met" if times["report"] <= REPORT_BAR_S and page_mb <= PAGE_BAR_MB else "NOT met"
    bar = f"at most {REPORT_BAR_S:g} s and {PAGE_BAR_MB:g} MB for an hour"
    print(f"report {times['report']:.2f} s, page {page_mb:.2f} MB, {bar}: {held}")
    # The loop ends where our recording stands: no losses, clock, checks, detectors, verdict, final files.
    print(f"loop / ours to the recording {times['loop'] / times['ours to the recording']:5.1f}")


if __name__ == "__main__":
    main()
