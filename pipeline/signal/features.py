"""Six simple features of the field in windows of 2 s, block by block."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from pipeline.recording import Recording, open_recording
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
    if not activities:
        return no_windows("the activity log says nothing of this session")
    if not samples.exists():
        return no_windows("the session has no recording")
    files = (samples, *sorted(samples.parent.glob("samples_*hz.parquet")))
    recording = next((one for one in map(open_recording, files) if one.of_kind("field")), None)
    if recording is None:
        return no_windows("the layout names no field channel")
    channel = recording.of_kind("field")[0].name
    if recording.sample_hz < 2 * BAND_HZ[1]:
        return no_windows(f"sampled too slowly: frequencies up to {BAND_HZ[1]:g} Hz are looked at", channel)
    if recording.n_rows < _rows_of_window(recording.sample_hz):
        return no_windows(f"shorter than one window of {WINDOW_S:g} s", channel)
    return _looked_at(recording, channel, activities, analysed)


def _looked_at(
    recording: Recording, channel: str, activities: Sequence[Logged], analysed: Sequence[Sequence[float]]
) -> Windows:
    n_rows, n_mean = _rows_of_window(recording.sample_hz), _rows_of_value(recording.sample_hz)
    features, clean = list[Floats](), list[Floats]()
    for values, quality in _whole_windows(recording, channel, n_rows):
        means = averaged(values.reshape(-1, n_rows), n_mean)
        features.append(features_of(means, recording.sample_hz / n_mean))
        clean.append(_clean_share(values, quality, n_rows))
    first = np.arange(sum(map(len, clean)), dtype=np.int64) * n_rows
    start_s = recording.clock.time_s(first)
    stop_s = recording.clock.time_s(first + n_rows - 1) + 1 / recording.sample_hz
    found = np.concatenate(features)
    # A window across a pause or a restart is none.
    found[np.abs(stop_s - start_s - WINDOW_S) > 0.05 * WINDOW_S] = np.nan
    spans = np.array([(row.start_s, row.stop_s) for row in activities]).reshape(-1, 2)
    stretch = _inside(start_s, stop_s, spans)
    intensity = np.array([*(CLASSES.index(row.intensity) for row in activities), -1], np.int64)
    is_analysed = _inside(start_s, stop_s, np.array(analysed, np.float64).reshape(-1, 2)) >= 0
    return Windows(start_s, intensity[stretch], stretch, found, np.concatenate(clean), is_analysed, channel)


def _rows_of_value(sample_hz: float) -> int:
    return max(1, round(sample_hz / VALUES_HZ))


def _rows_of_window(sample_hz: float) -> int:
    n_mean = _rows_of_value(sample_hz)
    return n_mean * round(WINDOW_S * sample_hz / n_mean)


def _whole_windows(
    recording: Recording, channel: str, n_rows: int
) -> Iterator[tuple[npt.NDArray[Any], npt.NDArray[np.uint32]]]:
    """Field and quality block by block, cut at the ends of windows; what is left at the end is dropped."""
    values, quality = np.empty(0, np.float32), np.empty(0, np.uint32)
    for block in recording.blocks((channel, "quality")):
        values = np.concatenate((values, block.columns[channel]))
        quality = np.concatenate((quality, block.columns["quality"]))
        n = len(values) // n_rows * n_rows
        if n:
            yield values[:n], quality[:n]
            values, quality = values[n:], quality[n:]


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
