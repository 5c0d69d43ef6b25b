"""By how much the steps in the acceleration come after those in the field: whether both have one clock.

A generalised cross-correlation (Knapp and Carter, IEEE Trans ASSP 24:320, 1976, from memory), half whitened
so that the next step does not look like this one, of stretches in which both move. Its magnitude is taken
over the analytic signal and all axes: polarity, posture and the phase of the AC coupling do not count.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage, signal

from pipeline.detectors.coupling import Coupling
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure
from pipeline.detectors.tracks import MOVEMENT_HZ, Settings
from pipeline.detectors.windows import Floats
from pipeline.recording import Recording

GRID_HZ = 100.0
"""Both signals are brought to this rate; between its steps the peak is a parabola."""

STRETCH_S = 20
LEAST_CONNECTED = 0.5
MOST_HIDDEN = 0.2
"""Shares of a stretch's seconds that must answer movement, and that may be hidden by losses or a rail."""

MOST_STRETCHES = 16
"""So many are looked at, spread over the recording: memory and time do not grow with its length."""

LONGEST_S = 5.0
LEAST_HZ = 8.0
"""Longest lag that is looked for, and the slowest rate at which steps can be told from each other."""

SMOOTHED_HZ = 0.3
NEXT_S = 0.2
"""Over what the spectrum is smoothed, and from how far off on another peak is not the same one."""


@dataclass(frozen=True)
class Lag:
    """``lag_s`` and its standard uncertainty (None for a single stretch); by how much it stands out."""

    lag_s: float
    uncertainty_s: float | None
    ratio: float


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Measure the lag of each field channel; warn where it is beyond what a body can make.

    A step moves field and wrist within a part of a step of each other. Steps come about half a second apart
    (2.0 a second, MacDougall and Moore 2005), so that a lag of that size means clocks or labels.
    """
    fields = [
        (evidence, evidence.coupling(track, settings))
        for evidence in recordings
        for track in evidence.tracks.field.values()
    ]
    several = len(fields) > 1
    return Detected.united(
        _detect_channel(recordings, evidence, coupling, settings, several) for evidence, coupling in fields
    )


def _detect_channel(
    recordings: Sequence[Evidence],
    evidence: Evidence,
    coupling: Coupling,
    settings: Settings,
    several: bool,
) -> Detected:
    channel = coupling.track.channel.name
    name = channel if several else None
    found = _measure(recordings, evidence, coupling, settings)
    if isinstance(found, str):
        absent = (Measure(m, None, "s", name, found) for m in ("step_lag_s", "step_lag_uncertainty_s"))
        return Detected((), tuple(absent))
    alone = "" if found.uncertainty_s is not None else "a single stretch of movement has no spread"
    measures = (
        Measure("step_lag_s", found.lag_s, "s", name),
        Measure("step_lag_uncertainty_s", found.uncertainty_s, "s", name, alone),
    )
    limit_s = settings["step_lag.limit_s"]
    if abs(found.lag_s) <= limit_s:
        return Detected((), measures)
    way = "after" if found.lag_s > 0 else "before"
    text = (
        f"The steps of the acceleration come {abs(found.lag_s):.2f} s {way} those of "
        f"{channel}: their clocks do not agree, or one of them was labelled wrongly."
    )
    ends_s = evidence.recording.ends_s
    warning = Finding("clock", channel, *ends_s, "warning", "step_lag_s", found.lag_s, limit_s, "s", text)
    return Detected((warning,), measures)


def _measure(
    recordings: Sequence[Evidence], evidence: Evidence, coupling: Coupling, settings: Settings
) -> Lag | str:
    """The lag, or why there is none."""
    sensors = [(e.recording, track) for e in recordings for track in e.tracks.sensors.values()]
    if not sensors:
        return "no accelerometer in the dump"
    sensor, track = max(sensors, key=lambda one: float(np.nanmean(np.append(one[1].rms, 0.0))))
    high_hz = min(MOVEMENT_HZ[1], 0.4 * min(sensor.sample_hz, evidence.recording.sample_hz))
    if high_hz < 0.4 * LEAST_HZ:
        return f"below {LEAST_HZ:g} samples a second one step cannot be told from the next"
    begins = _stretches(evidence, coupling)
    if not len(begins):
        return "field and accelerometer did not move together for long enough"
    curves = []
    for begin_s in begins:
        field = _on_grid(evidence.recording, [coupling.track.channel.name], begin_s, 0.0)
        axes = _on_grid(sensor, track.axes, begin_s, LONGEST_S)
        if field is not None and axes is not None:
            curves.append(_correlation(field, axes, high_hz))
    if not curves:
        return "field and accelerometer were not recorded without a pause while both moved"
    lag = _peak(np.stack(curves))
    if lag is None or lag.ratio < settings["step_lag.least_ratio"]:
        return "no lag stands out: steps as even as these look alike, or they are not those of one wearer"
    return lag


def _stretches(evidence: Evidence, coupling: Coupling) -> Floats:
    """When stretches begin in which the field answers movement, in seconds."""
    n, per = len(coupling.field), STRETCH_S
    if n < per:
        return np.empty(0)
    starts = np.unique(np.append(np.arange(0, n - per + 1, per), n - per))
    seconds = starts[:, np.newaxis] + np.arange(per)
    fit = coupling.connected[seconds].mean(axis=1) >= LEAST_CONNECTED
    fit &= np.isnan(coupling.field[seconds]).mean(axis=1) <= MOST_HIDDEN
    starts = starts[fit]
    if len(starts) > MOST_STRETCHES:
        starts = starts[np.linspace(0, len(starts) - 1, MOST_STRETCHES).astype(np.int64)]
    return evidence.recording.clock.time_s(starts * evidence.tracks.n_slow)


def _on_grid(recording: Recording, names: Sequence[str], begin_s: float, around_s: float) -> Floats | None:
    """Channels on the common grid, (channels, n), with so much more than a stretch at either end.

    None where a pause of the device or too many losses lie there.
    """
    ends_s = np.array([begin_s - around_s, begin_s + STRETCH_S + around_s])
    start, stop = recording.rows_at(ends_s).tolist()
    rows = np.arange(max(start - 1, 0), stop)
    time_s = recording.clock.time_s(rows)
    if len(rows) < 2 or np.diff(time_s).max() > 1.5 / recording.sample_hz:
        return None
    grid_s = ends_s[0] + np.arange(round((STRETCH_S + 2 * around_s) * GRID_HZ)) / GRID_HZ
    found = []
    for name, values in recording.read(names, int(rows[0]), stop).items():
        there = ~np.isnan(values)
        if there.mean() < 1 - MOST_HIDDEN:
            return None
        known, at_s = values[there], time_s[there] + recording.delays_s.get(name, 0.0)
        found.append(np.interp(grid_s, at_s, known - known.mean(), left=0.0, right=0.0))
    return np.stack(found)


def _correlation(field: Floats, axes: Floats, high_hz: float) -> Floats:
    """Squared magnitude of the correlation at each lag from -LONGEST_S to LONGEST_S, over all axes.

    Only the band of movement goes into it; what is faster folds on the grid outside of that.
    """
    n = fft.next_fast_len(axes.shape[1] + field.shape[1])
    frequency_hz = fft.rfftfreq(n, 1 / GRID_HZ)
    low, high = np.searchsorted(frequency_hz, [MOVEMENT_HZ[0], high_hz]).tolist()
    band = slice(low, high)
    cross = fft.rfft(axes, n)[:, band] * np.conj(fft.rfft(field, n)[:, band])
    width = round(SMOOTHED_HZ * n / GRID_HZ)
    smooth = ndimage.uniform_filter1d(np.abs(cross), width, axis=1, mode="constant")
    half_white = cross / np.sqrt(np.maximum(smooth, 1e-12 * max(float(smooth.max()), 1e-288)))
    analytic = np.zeros((len(axes), n), np.complex128)
    analytic[:, band] = half_white
    # The axes begin LONGEST_S before the field: index 0 is the lag -LONGEST_S.
    lags = fft.ifft(analytic, axis=1)[:, : 2 * round(LONGEST_S * GRID_HZ) + 1]
    whole = (np.abs(half_white).sum(axis=1) ** 2).sum()
    return np.asarray((np.abs(lags) ** 2).sum(axis=0) / max(whole, 1e-300), dtype=np.float64)


def _peak(curves: Floats) -> Lag | None:
    """The highest point of the mean curve, between grid points, and how far single stretches are from it."""
    mean = np.sqrt(curves.mean(axis=0))
    peaks = signal.find_peaks(mean)[0]
    if not len(peaks):
        return None
    best = int(peaks[np.argmax(mean[peaks])])
    near = round(NEXT_S * GRID_HZ)
    others = peaks[np.abs(peaks - best) > near]
    ratio = float(mean[best] / mean[others].max()) if len(others) else np.inf
    single = []
    for curve in np.sqrt(curves):
        low = max(best - near, 0)
        single.append(_refined(curve, low + int(np.argmax(curve[low : best + near + 1]))))
    uncertainty_s = float(np.std(single, ddof=1) / np.sqrt(len(single))) if len(single) > 2 else None
    return Lag(_refined(mean, best), uncertainty_s, ratio)


def _refined(curve: Floats, at: int) -> float:
    """Where a parabola through three points has its top, in seconds of lag."""
    if not 0 < at < len(curve) - 1:
        return at / GRID_HZ - LONGEST_S
    before, here, after = curve[at - 1 : at + 2].tolist()
    bend = before - 2 * here + after
    return (at + (0.5 * (before - after) / bend if bend else 0.0)) / GRID_HZ - LONGEST_S
