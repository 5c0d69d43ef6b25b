"""An invented study of as many one-hour sessions as asked for: simulated hours, and copies that differ.

A few wearers are simulated for somewhat more than an hour, each with what goes wrong in practice. Every
session is an hour cut from one of them, at another second and with other counters: no two dumps are alike.
"""

import csv
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import fastcrc
import invented
import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.simulate.draw import draw
from pipeline.simulate.movement import Activity

KINDS = ("clean", "mixed", "clean", "lost", "clean", "mains", "contact_intermittent", "clean")
"""What is simulated: half of it as it should be."""
HOUR_S, MOST_LATER_S = 3600, 300
SHIFT_S = 2
SEED = 9000
PER_PARTICIPANT, N_STRAPS = 5, 40
FIRST = datetime(2026, 1, 5, 8, tzinfo=UTC)
_FRAMES = HOUR_S * invented.SAMPLE_HZ // invented.PER_FRAME


@dataclass(frozen=True)
class Hour:
    """A simulated wearer: codes of all samples, which of them arrived, and what was done when."""

    counts: npt.NDArray[np.int16]
    present: npt.NDArray[np.bool_]
    activities: tuple[Activity, ...]


def write_batch(folder: Path, n_sessions: int) -> None:
    """Write a study of `n_sessions`; dumps that are there already stay.

    The first sessions of a study are the same whatever their number.
    """
    for name in ("layouts", "dumps"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    names = [f"hour-{i:04d}" for i in range(n_sessions)]
    lacking = [i for i in range(n_sessions) if not _dump(folder, i).exists()]
    logs: dict[int, list[Activity]] = {}
    for k, kind in enumerate(KINDS):
        own = [i for i in lacking if i % len(KINDS) == k]
        log = folder / f"activities-{k}.csv"
        if own or not log.exists():
            hour = _simulated(folder, k, kind)
            _write_log(log, hour.activities)
            for i in own:
                _write_dump(_dump(folder, i), hour, i)
        logs[k] = list(_read_log(log))
    _write_tables(folder, names, logs)


def link_batch(whole: Path, part: Path, n_sessions: int) -> None:
    """Make a study of the first sessions of another one; its dumps are linked, not copied."""
    (part / "dumps").mkdir(parents=True)
    for i in range(n_sessions):
        os.link(_dump(whole, i), _dump(part, i))
    for path in [*whole.glob("layouts/*.toml"), whole / "study.toml"]:
        (part / path.relative_to(whole)).parent.mkdir(exist_ok=True)
        (part / path.relative_to(whole)).write_bytes(path.read_bytes())
    kept = {f"hour-{i:04d}" for i in range(n_sessions)}
    for name in ("sessions.csv", "activities.csv"):
        head, *rows = (whole / name).read_text(encoding="utf-8").splitlines()
        rows = [row for row in rows if row.partition(",")[0] in kept]
        (part / name).write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")


def dumps_of(folder: Path) -> list[Path]:
    """The dumps of a study, in the order of its sessions."""
    return sorted((folder / "dumps").glob("*.bin"))


def _dump(folder: Path, i: int) -> Path:
    return folder / "dumps" / f"hour-{i:04d}.bin"


def _simulated(folder: Path, k: int, kind: str) -> Hour:
    drawn = draw(
        kind,
        SEED + k,
        sample_hz=float(invented.SAMPLE_HZ),
        mains_hz=50.0,
        bits=16,
        duration_s=float(HOUR_S + MOST_LATER_S),
    )
    # Converters that count from 0 are written with a sign, like the others.
    channels = drawn.scenario.channels
    lower = np.array([1 << 15 if channel.adc_max > 0x7FFF else 0 for channel in channels])
    layout = _layout(tuple(map(_lowered, channels, lower.tolist())))
    (folder / "layouts" / f"strap-{k}.toml").write_text(layout, encoding="utf-8")
    counts = np.where(drawn.present[:, None], drawn.counts - lower, 0).astype(np.int16)
    return Hour(counts, drawn.present, drawn.log)


def _lowered(channel: Channel, by: int) -> Channel:
    """The same channel with all its codes lower."""
    least, most = channel.adc_min - by, channel.adc_max - by
    return replace(channel, adc_min=least, adc_max=most, offset=channel.offset + by * channel.scale)


def _layout(channels: tuple[Channel, ...]) -> str:
    parts = invented.SYNC_PART + invented.BINARY_PARTS.replace("{count}", str(invented.PER_FRAME))
    text = (
        'title = "Invented strap of the throwing room"\nframing = "sync"\nbyte_order = "little"\n'
        f"sample_hz = {invented.SAMPLE_HZ}.0\ntick_hz = {invented.TICK_HZ}.0\n[[frame]]\n{parts}"
    )
    for channel in channels:
        named = {"name": channel.name, "kind": channel.kind, "unit": channel.unit}
        numbers = {"scale": channel.scale, "offset": channel.offset}
        numbers |= {"adc_min": channel.adc_min, "adc_max": channel.adc_max}
        numbers |= {"ac_corner_hz": channel.ac_corner_hz, "lowpass_hz": channel.lowpass_hz}
        text += "[[channel]]\n" + "".join(f'{key} = "{value}"\n' for key, value in named.items())
        text += "".join(f"{key} = {value!r}\n" for key, value in numbers.items() if value is not None)
    return text


def _write_dump(path: Path, hour: Hour, i: int) -> None:
    """An hour from another second on than that of any other session of the same wearer."""
    first = i // len(KINDS) * SHIFT_S % MOST_LATER_S * invented.SAMPLE_HZ
    rows = slice(first, first + _FRAMES * invented.PER_FRAME)
    shape = (_FRAMES, invented.PER_FRAME)
    number = np.arange(_FRAMES) + 1000 * i
    data = np.empty((_FRAMES, invented.FRAME.itemsize), np.uint8)
    frames = data.view(invented.FRAME)[:, 0]
    frames["sync"] = invented.SYNC
    frames["sequence"] = number % (1 << 16)
    frames["ticks"] = number * invented.PER_FRAME * invented.TICK_HZ // invented.SAMPLE_HZ % (1 << 32)
    frames["samples"] = hour.counts[rows].reshape(*shape, -1)
    raw, n_bytes, covered = data.tobytes(), data.shape[1], len(invented.SYNC)
    checked = fastcrc.crc16.xmodem
    frames["checksum"] = [checked(raw[at + covered : at + n_bytes - 2]) for at in range(0, len(raw), n_bytes)]
    arrived = hour.present[rows].reshape(shape).all(axis=1)
    arrived &= np.random.default_rng(SEED + i).random(_FRAMES) >= invented.LOST_SHARE
    arrived[[0, -1]] = True
    aside = path.with_suffix(".part")
    aside.write_bytes(frames[arrived].tobytes())
    aside.replace(path)


def _write_log(path: Path, activities: tuple[Activity, ...]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows((a.start_s, a.stop_s, a.name, a.intensity) for a in activities)


def _read_log(path: Path) -> Iterator[Activity]:
    with path.open(newline="", encoding="utf-8") as file:
        for start_s, stop_s, name, intensity in csv.reader(file):
            yield Activity(float(start_s), float(stop_s), name, intensity)


def _write_tables(folder: Path, names: list[str], logs: dict[int, list[Activity]]) -> None:
    (folder / "study.toml").write_text('title = "Pottery workshop (invented)"\nmains_hz = 50\n')
    sessions, activities = [], []
    for i, name in enumerate(names):
        k, later = i % len(KINDS), i // len(KINDS) * SHIFT_S % MOST_LATER_S
        started = FIRST + timedelta(days=i // N_STRAPS, minutes=5 * (i % N_STRAPS))
        worn = f"P{i // PER_PARTICIPANT + 1:03d}", "throwing-room", f"strap-{i % N_STRAPS}"
        sessions.append((name, *worn, f"strap-{k}", f"dumps/{name}.bin", started.isoformat()))
        for one in logs[k]:
            start_s, stop_s = max(one.start_s - later, 0.0), min(one.stop_s - later, float(HOUR_S))
            if stop_s - start_s > 1:
                activities.append((name, f"{start_s:.2f}", f"{stop_s:.2f}", one.name, one.intensity))
    head = ["session", "participant", "site", "device", "layout", "dumps", "started_at"]
    _write_csv(folder / "sessions.csv", [head, *sessions])
    head = ["session", "start_s", "stop_s", "activity", "intensity"]
    _write_csv(folder / "activities.csv", [head, *activities])


def _write_csv(path: Path, rows: list[object]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)  # type: ignore[arg-type]
