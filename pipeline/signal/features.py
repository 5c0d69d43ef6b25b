"""Six simple features of the field in windows of 2 s, block by block."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from pipeline.recording import Block, Recording, open_recording
from pipeline.signal.windows import CLASSES, Bools, Floats, Ints, Windows, no_windows
from schemas.conditions import FAULT_MASK

WINDOW_S = 2.0
"""Two to four steps of walking: the shortest that resolves 0.5 Hz, the lower edge of movement."""

VALUES_HZ = 50.0
"""Fast recordings are averaged to about so many values a second: rates compare, and a line of 50 Hz goes."""

BAND_HZ = (0.5, 10.0)
"""Movement; below it AC coupling decides, above it there is little but noise (common practice, no source)."""

STEP_BAND_HZ = (1.0, 3.0)
"""Steps and strokes (walking: 1.95 Hz, Murray 1964)."""

MOST_BRIDGED = 0.25
"""Share of a window's values that may be lost; straight lines bridge them."""


class Logged(Protocol):
    """One row of the activity log."""

    @property
    def start_s(self) -> float:
        """Start in seconds from the session's first sample."""

    @property
    def stop_s(self) -> float:
        """End in seconds from the session's first sample."""

    @property
    def intensity(self) -> str:
        """How much of the body moved: rest, hand, arm or body."""


def windows_of(samples: Path, activities: Sequence[Logged], analysed: Sequence[Sequence[float]]) -> Windows:
    """Look at a session's first field channel in windows of 2 s.

    Parameters
    ----------
    samples : Path
        The session's ``samples.parquet``; where it has no field channel, one of the slower files beside it.
    activities : sequence
        The session's part of the activity log. Without one nothing is read.
    analysed : sequence of (start_s, stop_s)
        What is analysed: what the verdict lets through, or what a person decided; ascending, disjoint.
    """
    windowing = Windowing(_recordings(samples), activities)
    if windowing.recording is not None:
        for block in windowing.recording.blocks((windowing.channel, "quality")):
            windowing.add(block)
    return of_analysed(windowing.finished(), samples, analysed)


def of_analysed(windows: Windows, samples: Path, analysed: Sequence[Sequence[float]]) -> Windows:
    """The same windows, of which those are usable that are analysed; `samples` are what they were made of."""
    recording = _of_field(_recordings(samples)) if len(windows) else None
    if recording is None:
        return windows
    start_s, stop_s = _edges(recording, len(windows))
    usable = _inside(start_s, stop_s, np.array(analysed, np.float64).reshape(-1, 2)) >= 0
    return replace(windows, usable=usable)


def _recordings(samples: Path) -> list[Recording]:
    """The recordings of a session as their files stand, the main one first."""
    files = (samples, *sorted(samples.parent.glob("samples_*hz.parquet"))) if samples.exists() else ()
    return [open_recording(path) for path in files]


def _of_field(recordings: Sequence[Recording]) -> Recording | None:
    return next((one for one in recordings if one.of_kind("field")), None)


class Windowing:
    """A session's first field channel on its way past, block by block, in windows of 2 s.

    Parameters
    ----------
    recordings : sequence of Recording
        The session's, the main one first, the others by the names of their files.
    activities : sequence
        The session's part of the activity log.

    Attributes
    ----------
    recording : Recording or None
        Whose blocks :meth:`add` takes; None where there is nothing to take.
    channel : str
        The column of it that is looked at.
    """

    def __init__(self, recordings: Sequence[Recording], activities: Sequence[Logged]) -> None:
        self.recording, self.channel, self._absent = None, "", ""
        self._activities = activities
        self._features, self._clean = list[Floats](), list[Floats]()
        self._values, self._quality = np.empty(0, np.float32), np.empty(0, np.uint32)
        found = _of_field(recordings)
        if not activities:
            self._absent = "the activity log says nothing of this session"
        elif not recordings:
            self._absent = "the session has no recording"
        elif found is None:
            self._absent = "the layout names no field channel"
        else:
            self.channel = found.of_kind("field")[0].name
            self._absent = _unfit(found)
            self.recording = None if self._absent else found

    def add(self, block: Block) -> None:
        """Take the next block of the recording: its field and its quality."""
        if self.recording is None:
            return
        values = np.concatenate((self._values, block.columns[self.channel]))
        quality = np.concatenate((self._quality, block.columns["quality"]))
        n_rows, n_mean = _rows_of_window(self.recording.sample_hz), _rows_of_value(self.recording.sample_hz)
        n = len(values) // n_rows * n_rows
        if n:
            means = averaged(values[:n].reshape(-1, n_rows), n_mean)
            self._features.append(features_of(means, self.recording.sample_hz / n_mean))
            self._clean.append(_clean_share(values[:n], quality[:n], n_rows))
        # What is left at the end of a recording is dropped.
        self._values, self._quality = values[n:], quality[n:]

    def finished(self) -> Windows:
        """What was seen; no window is usable yet."""
        if self.recording is None:
            return no_windows(self._absent, self.channel)
        if not self._features:
            return no_windows("a step before did not finish", self.channel)
        found, clean = np.concatenate(self._features), np.concatenate(self._clean)
        start_s, stop_s = _edges(self.recording, len(clean))
        # A window across a pause or a restart is none.
        found[np.abs(stop_s - start_s - WINDOW_S) > 0.05 * WINDOW_S] = np.nan
        spans = np.array([(row.start_s, row.stop_s) for row in self._activities]).reshape(-1, 2)
        stretch = _inside(start_s, stop_s, spans)
        intensity = np.array([*(CLASSES.index(row.intensity) for row in self._activities), -1], np.int64)
        unknown = np.zeros(len(clean), np.bool_)
        return Windows(start_s, intensity[stretch], stretch, found, clean, unknown, self.channel)


def _unfit(recording: Recording) -> str:
    """Why a recording has no windows, or ''."""
    if recording.sample_hz < 2 * BAND_HZ[1]:
        return f"sampled too slowly: frequencies up to {BAND_HZ[1]:g} Hz are looked at"
    if recording.n_rows < _rows_of_window(recording.sample_hz):
        return f"shorter than one window of {WINDOW_S:g} s"
    return ""


def _edges(recording: Recording, n_windows: int) -> tuple[Floats, Floats]:
    """When each window begins and ends, in seconds."""
    n_rows = _rows_of_window(recording.sample_hz)
    first = np.arange(n_windows, dtype=np.int64) * n_rows
    start_s = recording.clock.time_s(first)
    return start_s, recording.clock.time_s(first + n_rows - 1) + 1 / recording.sample_hz


def _rows_of_value(sample_hz: float) -> int:
    return max(1, round(sample_hz / VALUES_HZ))


def _rows_of_window(sample_hz: float) -> int:
    n_mean = _rows_of_value(sample_hz)
    return n_mean * round(WINDOW_S * sample_hz / n_mean)


def averaged(values: npt.NDArray[Any], n_mean: int) -> Floats:
    """Means of `n_mean` values each: of shape (n, m * n_mean), to (n, m); NaN where none of them arrived."""
    lost = np.isnan(values)
    if not lost.any():
        total = values[:, ::n_mean].astype(np.float64)
        for i in range(1, n_mean):
            total += values[:, i::n_mean]
        return total / n_mean
    total, n = np.zeros((len(values), values.shape[1] // n_mean)), 0
    for i in range(n_mean):
        total += np.where(lost[:, i::n_mean], 0.0, values[:, i::n_mean])
        n = n + ~lost[:, i::n_mean]
    with np.errstate(invalid="ignore"):
        return total / n


def features_of(values: Floats, values_hz: float) -> Floats:
    """The six features of windows; float64 of shape (n, m), in V, to (n, 6) by `FEATURES`.

    Lost values (NaN) are bridged by straight lines; windows that lack more than `MOST_BRIDGED` are NaN.
    """
    values = _bridged(values)
    centred = values - values.mean(axis=1, keepdims=True)
    slope = np.abs(np.diff(values, axis=1)).mean(axis=1) * values_hz
    mean_hz, step_share = _of_spectrum(centred, values_hz)
    return np.stack(
        (
            np.abs(centred).mean(axis=1),
            np.sqrt(np.square(centred).mean(axis=1)),
            slope,
            np.ptp(values, axis=1),
            mean_hz,
            step_share,
        ),
        axis=1,
    )


def _bridged(values: Floats) -> Floats:
    lost = np.isnan(values)
    share = lost.mean(axis=1)
    if not share.any():
        return values
    values, at = values.copy(), np.arange(values.shape[1])
    values[share > MOST_BRIDGED] = np.nan
    for i in np.flatnonzero((share > 0) & (share <= MOST_BRIDGED)):
        values[i] = np.interp(at, at[~lost[i]], values[i, ~lost[i]])
    return values


def _of_spectrum(centred: Floats, values_hz: float) -> tuple[Floats, Floats]:
    """Mean frequency within `BAND_HZ` and the share of the power in `STEP_BAND_HZ`, each of shape (n,)."""
    n = centred.shape[1]
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    frequency = np.fft.rfftfreq(n, 1 / values_hz)
    # Windows are not quite 2 s long at every rate, so that bins lie a little beside the edges.
    half_bin = values_hz / n / 2
    inside = (frequency > BAND_HZ[0] - half_bin) & (frequency < BAND_HZ[1] + half_bin)
    steps = (frequency > STEP_BAND_HZ[0] - half_bin) & (frequency < STEP_BAND_HZ[1] + half_bin)
    spectrum = np.fft.rfft(centred * hann, axis=1)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    total = power[:, inside].sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_hz = power[:, inside] @ frequency[inside] / total
        share = power[:, steps].sum(axis=1) / total
    silent = ~(total > 0)
    mean_hz[silent], share[silent] = np.nan, np.nan
    return mean_hz, np.minimum(share, 1.0)


def _clean_share(values: npt.NDArray[Any], quality: npt.NDArray[np.uint32], n_rows: int) -> Floats:
    clean = ((quality & np.uint32(FAULT_MASK)) == 0) & ~np.isnan(values)
    share: Floats = clean.reshape(-1, n_rows).mean(axis=1)
    return share


def _inside(start_s: Floats, stop_s: Floats, spans: Floats) -> Ints:
    """Which of the ascending disjoint `spans` (n, 2) each window lies in as a whole; -1 for none."""
    at = np.searchsorted(spans[:, 0], start_s + 1e-6, side="right") - 1
    held: Bools = at >= 0
    held[held] = stop_s[held] <= spans[at[held], 1] + 1e-6
    return np.where(held, at, -1)
