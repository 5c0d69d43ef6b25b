"""An invented wearing of the strap in which tests plant events."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from make import FIELD, acceleration_axes, counts_of, n_marked, recording_of

from pipeline.detectors import Detected
from pipeline.layouts import Channel
from pipeline.recording import Recording
from schemas.conditions import CONDITIONS

HZ = 250
FAULTS = tuple(condition.name for condition in CONDITIONS if condition.fault)


@dataclass(frozen=True)
class Wearing:
    """Sizes second by second, and what is done to the codes of the field at the end."""

    seconds: int = 120
    walks: tuple[tuple[int, int], ...] = ((20, 120),)
    steps_v: float = 0.05
    mains_v: float = 0.003
    mains_at: tuple[tuple[int, int, float], ...] = ()
    silent: tuple[tuple[int, int], ...] = ()
    passers: tuple[tuple[int, int], ...] = ()
    spikes_s: tuple[float, ...] = ()

    def time_s(self, hz: float = HZ) -> np.ndarray:
        return np.arange(round(self.seconds * hz)) / hz

    def field_v(self, hz: float = HZ) -> np.ndarray:
        t, rng = self.time_s(hz), np.random.default_rng(5)
        steps = self.steps_v * (np.sin(4 * np.pi * t) + 0.4 * np.sin(8 * np.pi * t + 1))
        body = steps * (within(t, self.walks) & ~within(t, self.silent))
        body += 0.03 * np.sin(2 * np.pi * 1.3 * t) * within(t, self.passers)
        size = np.full(len(t), self.mains_v)
        for start, stop, volts in self.mains_at:
            size[within(t, ((start, stop),))] = volts
        values = body + size * np.sin(2 * np.pi * 50 * t) + 0.001 * rng.standard_normal(len(t))
        for at in self.spikes_s:
            after = np.maximum(t - at, 0)
            values += np.where(t >= at, 0.5 * np.exp(-after / 0.3), 0)
        return values

    def acceleration(self, hz: float = HZ) -> list[np.ndarray]:
        t, rng = self.time_s(hz), np.random.default_rng(6)
        moving = within(t, self.walks)
        axes = [2 * np.sin(4 * np.pi * t + i) * moving + 0.02 * rng.standard_normal(len(t)) for i in range(3)]
        axes[2] += 9.80665
        return axes


def within(t: np.ndarray, stretches: tuple[tuple[int, int], ...]) -> np.ndarray:
    """Whether each time lies in one of the stretches."""
    inside = np.zeros(len(t), bool)
    for start, stop in stretches:
        inside |= (t >= start) & (t < stop)
    return inside


def put(start_s: float, stop_s: float, code: int) -> Callable[[np.ndarray], None]:
    """One code over a stretch."""

    def spoil(codes: np.ndarray) -> None:
        codes[round(start_s * HZ) : round(stop_s * HZ)] = code

    return spoil


def marked_s(detected: Detected, condition: str) -> list[tuple[float, float]]:
    spans = detected.marks[condition]
    return [(a / HZ, b / HZ) for a, b in zip(spans.start.tolist(), spans.stop.tolist(), strict=True)]


def faults_in(detected: Detected) -> set[str]:
    return {name for name in FAULTS if n_marked(detected, name)}


def conditions_in(detected: Detected) -> set[str]:
    return {condition.name for condition in CONDITIONS if n_marked(detected, condition.name)}


def record_wearing(
    path: Path,
    wearing: Wearing,
    spoil: Callable[[np.ndarray], None] = lambda codes: None,
    lost: tuple[tuple[float, float], ...] = (),
    accelerometer: bool = True,
    field: Channel = FIELD,
) -> Recording:
    """A recording of a wearing, the field's codes changed by `spoil`, rows of `lost` missing."""
    codes = counts_of(wearing.field_v(), field)
    spoil(codes)
    present = np.ones(len(codes), bool)
    for start, stop in lost:
        present[round(start * HZ) : round(stop * HZ)] = False
    axes = acceleration_axes() if accelerometer else ()
    more = [counts_of(a, axis) for a, axis in zip(wearing.acceleration(), axes, strict=bool(axes))]
    return recording_of(path, [field, *axes], [codes, *more], HZ, present)


def record_apart(
    folder: Path,
    wearing: Wearing,
    field_hz: float,
    axes_hz: float,
    spoil: Callable[[np.ndarray], None] = lambda codes: None,
    axes_lost: tuple[tuple[float, float], ...] = (),
    axes_s: tuple[float, float] | None = None,
    field_lost: tuple[tuple[int, int], ...] = (),
) -> list[Recording]:
    """The field and the accelerometer of a wearing in files of their own, the faster one first.

    Rows of ``axes_lost`` and ``field_lost`` are missing; where ``axes_s`` is given, the accelerometer was on
    only in between.
    """
    field = replace(FIELD, sample_hz=field_hz)
    codes = counts_of(wearing.field_v(field_hz), field)
    spoil(codes)
    axes, t = acceleration_axes(axes_hz), wearing.time_s(axes_hz)
    start_s, stop_s = axes_s or (0.0, float(wearing.seconds))
    on = (t >= start_s) & (t < stop_s)
    counts = [counts_of(a, axis)[on] for a, axis in zip(wearing.acceleration(axes_hz), axes, strict=True)]
    present = ~within(t, axes_lost)[on]  # type: ignore[arg-type]
    made = [
        recording_of(
            folder / "field.parquet",
            [field],
            [codes],
            field_hz,
            ~within(wearing.time_s(field_hz), field_lost),
        ),
        recording_of(folder / "axes.parquet", axes, counts, axes_hz, present, start_s),
    ]
    return sorted(made, key=lambda recording: -recording.sample_hz)
