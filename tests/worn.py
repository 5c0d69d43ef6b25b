"""Accelerometers as the model wears them, without the field: cheap enough for many wearers in a test."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from make import acceleration_axes, counts_of, recording_of

from pipeline.detectors.activity_mismatch import Entry
from pipeline.layouts import Channel
from pipeline.recording import Recording
from pipeline.simulate import Activity, Body
from pipeline.simulate.accelerometer import Accelerometer, sense
from pipeline.simulate.movement import move
from pipeline.simulate.wearers import activities_of

WORN_HZ = 50.0


def activities_by(seed: int, duration_s: float = 240.0) -> tuple[Activity, ...]:
    """What an invented wearer does, by the seed."""
    return activities_of(np.random.default_rng([seed, 7]), duration_s)


def axes_by(
    activities: Sequence[Activity], seed: int, duration_s: float = 240.0, part: Accelerometer | None = None
) -> np.ndarray:
    """Acceleration in m/s2, shape (3, n), at `WORN_HZ`."""
    rng = np.random.default_rng([seed, 8])
    time_s = np.arange(round(duration_s * WORN_HZ)) / WORN_HZ
    moves = move(Body(), tuple(activities), time_s, rng)
    return sense(part or Accelerometer(), moves.wrist, moves.tilt, rng).T


def record_axes(
    path: Path, values: np.ndarray, sample_hz: float = WORN_HZ, channels: Sequence[Channel] | None = None
) -> Recording:
    """A recording of an accelerometer alone."""
    axes = channels or acceleration_axes(sample_hz)
    counts = [counts_of(value, axis) for value, axis in zip(values, axes, strict=True)]
    return recording_of(path, axes, counts, sample_hz)


def log_of(activities: Sequence[Activity], duration_s: float = 240.0, rests: bool = True) -> list[Entry]:
    """The activity log of what was done, perhaps with the rests between."""
    entries, until_s = [], 0.0
    for one in activities:
        if rests and one.start_s - until_s > 3:
            entries.append(Entry(until_s, one.start_s, "sitting at the wheel", "rest"))
        entries.append(Entry(one.start_s, one.stop_s, one.name, one.intensity))
        until_s = one.stop_s
    if rests and duration_s - until_s > 3:
        entries.append(Entry(until_s, duration_s, "sitting at the wheel", "rest"))
    return entries


def shifted(entries: Sequence[Entry], shift_s: float) -> list[Entry]:
    """The log as a clock writes it that is `shift_s` late: a log has no times below zero."""
    return [
        replace(e, start_s=max(e.start_s + shift_s, 0.0), stop_s=e.stop_s + shift_s)
        for e in entries
        if e.stop_s + shift_s > 1
    ]


def relabelled(entries: Sequence[Entry], i: int, j: int) -> list[Entry]:
    """The log with the labels of two entries exchanged."""
    changed = list(entries)
    for one, other in ((i, j), (j, i)):
        changed[one] = replace(
            entries[one], activity=entries[other].activity, intensity=entries[other].intensity
        )
    return changed
