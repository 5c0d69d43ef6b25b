"""The recording in windows: what all detectors look at, measured in one pass with bounded memory.

Two window lengths: 10 cycles of 50 Hz or 12 of 60 Hz (0.2 s, the basic window of IEC 61000-4-30) for
mains, and one second for movement. Windows are whole numbers of samples and do not overlap.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

from pipeline.detectors.lines import Line, Spectrum, find_mains, fold_hz, spectrum
from pipeline.layouts import Channel
from pipeline.recording import Block, Recording

Floats = npt.NDArray[np.float64]

Settings = Mapping[str, float]
"""Thresholds of the policy that detectors use: 'section.name' -> value."""

FAST_S = 0.2
"""IEC 61000-4-30: 10 cycles at 50 Hz, 12 cycles at 60 Hz."""

SLOW_S = 1.0
MOVEMENT_HZ = (0.5, 10.0)
"""Band of human movement: steps at 1.2 to 3.5 Hz with their harmonics (Tudor-Locke and Rowe 2012)."""

SLOW_LINE_HZ = 12.0
"""Lines that fold below this lie beside movement and need longer windows to be told from it."""


@dataclass(frozen=True)
class FieldTrack:
    """One field channel in windows, in the channel's unit; NaN where a window holds a lost sample.

    Attributes
    ----------
    lines, other_lines : tuple of Line
        The mains of the site, and of the other nominal frequency, in the whole recording.
    spectrum : Spectrum
        Mean spectrum of the whole recording.
    mains_peak : float64, shape (n_fast,)
        Peak amplitude of line and harmonics together.
    residue_rms : float64, shape (n_fast,)
        What is left after level, slope, curvature and lines are taken out: noise.
    movement_rms : float64, shape (n_slow,)
        Size of the movement band.
    level : float64, shape (n_slow,)
        Mean.
    at_rail : float64, shape (n_slow,)
        Share of samples within the margin of a rail.
    """

    channel: Channel
    lines: tuple[Line, ...]
    other_lines: tuple[Line, ...]
    spectrum: Spectrum
    mains_peak: Floats
    residue_rms: Floats
    movement_rms: Floats
    level: Floats
    at_rail: Floats


@dataclass(frozen=True)
class SensorTrack:
    """One accelerometer in seconds, in m/s2: length of the mean vector, and the spread of its worst axis."""

    length: Floats
    axis_spread: Floats


@dataclass(frozen=True)
class Tracks:
    """All channels in windows.

    ``n_fast`` and ``n_slow`` are samples in a window; ``acceleration_rms`` (m/s2, shape (n_slow_windows,))
    is the spread of the acceleration vector within each second, of the sensor that moves most, None
    without an accelerometer; ``sensors`` has each accelerometer by name.
    """

    sample_hz: float
    n_fast: int
    n_slow: int
    field: dict[str, FieldTrack]
    acceleration_rms: Floats | None
    sensors: dict[str, SensorTrack]

    def slow_samples(self, windows: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """Windows as given, for every sample of the windows."""
        return np.repeat(windows, self.n_slow)


@dataclass(frozen=True)
class Rails:
    """Where a channel counts as saturated: at or below ``low``, at or above ``high`` (channel's unit)."""

    low: float
    high: float


def rails(channel: Channel, margin_fraction: float, margin_counts: float) -> Rails:
    """The inner one of converter and amplifier rail at each end, moved inwards by the margin."""
    margin = max(margin_fraction * (channel.adc_high - channel.adc_low), margin_counts * abs(channel.scale))
    # Half a count of slack: values are stored rounded, and a code on the bound is meant to count.
    slack = margin + 0.5 * abs(channel.scale)
    lows = [channel.adc_low, *([] if channel.amplifier_low is None else [channel.amplifier_low])]
    highs = [channel.adc_high, *([] if channel.amplifier_high is None else [channel.amplifier_high])]
    return Rails(max(lows) + slack, min(highs) - slack)


def measure_tracks(recording: Recording, mains_hz: float, settings: Settings) -> Tracks:
    """Measure everything in windows.

    Parameters
    ----------
    recording : Recording
        What was recorded.
    mains_hz : float
        Nominal frequency of the mains at the site.
    settings : mapping
        Thresholds of the policy; used: ``mains.*`` and the rails' margins of ``saturation.*``.
    """
    n_fast = max(8, round(FAST_S * recording.sample_hz))
    n_slow = max(1, round(SLOW_S * recording.sample_hz))
    field = {
        channel.name: _measure_field(recording, channel, mains_hz, settings, n_fast, n_slow)
        for channel in recording.of_kind("field")
    }
    acceleration_rms, by_sensor = _measure_acceleration(recording, n_slow)
    return Tracks(recording.sample_hz, n_fast, n_slow, field, acceleration_rms, by_sensor)


def _measure_field(
    recording: Recording, channel: Channel, mains_hz: float, settings: Settings, n_fast: int, n_slow: int
) -> FieldTrack:
    whole = spectrum(recording, channel.name)
    ratio, margin_hz = settings["mains.line_ratio"], settings["mains.fold_margin_hz"]
    lines, other_lines = (
        find_mains(whole, channel.name, channel.unit, hz, recording.sample_hz, ratio, margin_hz)
        for hz in (mains_hz, 110.0 - mains_hz)
    )
    fit = _LineFit.of(max(lines, other_lines, key=_fundamental_rms), recording.sample_hz, n_fast)
    rail = rails(
        channel, settings["saturation.rail_margin_fraction"], settings["saturation.rail_margin_counts"]
    )
    movement = _MovementBand(recording.sample_hz)
    peaks, residues, bands, levels, at_rails = [], [], [], [], []
    n_lcm = int(np.lcm(n_fast, n_slow))
    for samples in _whole_windows(recording, [channel.name], n_lcm):
        value = samples[0]
        peak, residue = fit.apply(value)
        peaks.append(peak)
        residues.append(residue)
        bands.append(_rms(movement.apply(value), value, n_slow))
        windows = _windows(value, n_slow)
        levels.append(windows.mean(axis=1))
        at_rails.append(((windows <= rail.low) | (windows >= rail.high)).mean(axis=1))
    return FieldTrack(
        channel,
        lines,
        other_lines,
        whole,
        *(_joined(track) for track in (peaks, residues, bands, levels, at_rails)),
    )


def _measure_acceleration(recording: Recording, n_slow: int) -> tuple[Floats | None, dict[str, SensorTrack]]:
    spreads, by_sensor = [], {}
    for sensor, names in sensors(recording.of_kind("acceleration")).items():
        variances, means = [], []
        for axes in _whole_windows(recording, names, n_slow):
            windows = np.stack([_windows(axis, n_slow) for axis in axes])
            variances.append(windows.var(axis=2))
            means.append(windows.mean(axis=2))
        variance, mean = (np.concatenate(p or [np.empty((1, 0))], axis=1) for p in (variances, means))
        spreads.append(np.sqrt(variance.sum(axis=0)))
        by_sensor[sensor] = SensorTrack(np.sqrt((mean**2).sum(axis=0)), np.sqrt(variance.max(axis=0)))
    return (np.max(spreads, axis=0) if spreads else None), by_sensor


def sensors(axes: Sequence[Channel]) -> dict[str, list[str]]:
    """Accelerometers and the names of their axes: more than three axes are told apart by name, 'ankle_x'."""
    names = [channel.name for channel in axes]
    if not names:
        return {}
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(name.rpartition("_")[0], []).append(name)
    told_apart = len(names) > 3 and all(1 < len(group) <= 3 for group in groups.values())
    return groups if told_apart else {"accelerometer": names}


def _whole_windows(recording: Recording, names: Sequence[str], n_window: int) -> Iterator[list[Floats]]:
    """Blocks cut to whole windows of `n_window` samples; the last piece is what remains."""
    tail = [np.empty(0) for _ in names]
    for block in recording.blocks(names):
        joined = [
            np.concatenate((rest, _as_float64(block, name))) for rest, name in zip(tail, names, strict=True)
        ]
        n_whole = len(joined[0]) // n_window * n_window
        tail = [samples[n_whole:] for samples in joined]
        if n_whole:
            yield [samples[:n_whole] for samples in joined]
    if len(tail) and len(tail[0]):
        yield tail


def _as_float64(block: Block, name: str) -> Floats:
    return np.asarray(block.columns[name], dtype=np.float64)


def _windows(samples: Floats, n: int) -> Floats:
    """Whole windows only, shape (windows, n)."""
    return samples[: len(samples) // n * n].reshape(-1, n)


def _joined(pieces: list[Floats]) -> Floats:
    return np.concatenate(pieces) if pieces else np.empty(0)


def _rms(filtered: Floats, original: Floats, n: int) -> Floats:
    """RMS in windows; NaN where the original has a lost sample (the filter saw a stand-in there)."""
    rms = np.sqrt((_windows(filtered, n) ** 2).mean(axis=1))
    return np.where(np.isnan(_windows(original, n)).any(axis=1), np.nan, rms)


class _MovementBand:
    """Causal band-pass that carries its state from block to block (Butterworth, second order)."""

    def __init__(self, sample_hz: float) -> None:
        high_hz = min(MOVEMENT_HZ[1], 0.4 * sample_hz)
        self._sos = signal.butter(2, (MOVEMENT_HZ[0], high_hz), "bandpass", fs=sample_hz, output="sos")
        self._state: Floats | None = None
        self._last = 0.0

    def apply(self, samples: Floats) -> Floats:
        """Filter the next samples; a lost one is stood in for by the last that arrived."""
        lost = np.isnan(samples)
        if lost.any():
            index = np.where(lost, -1, np.arange(len(samples)))
            index = np.maximum.accumulate(index)
            samples = np.where(index >= 0, samples[np.maximum(index, 0)], self._last)
        if self._state is None:
            first = samples[np.argmin(lost)] if not lost.all() else 0.0
            self._state = signal.sosfilt_zi(self._sos) * first
        filtered, self._state = signal.sosfilt(self._sos, samples, zi=self._state)
        self._last = float(samples[-1])
        return np.asarray(filtered, dtype=np.float64)


@dataclass(frozen=True)
class _LineFit:
    """Least squares of level, slope, curvature and lines in every window at once.

    ``projection`` (parameters, samples) gives the coefficients, ``model`` (samples, parameters) the fit;
    the last ``2 * n_lines`` coefficients are cosine and sine of each line.
    """

    n_window: int
    projection: Floats
    model: Floats
    n_lines: int
    narrow: "_NarrowLine | None"

    @staticmethod
    def of(lines: Sequence[Line], sample_hz: float, n_window: int) -> "_LineFit":
        # A harmonic that the whole recording does not show would only add noise to every window.
        usable = [line for line in lines if line.assessable and (line.harmonic == 1 or line.rms is not None)]
        found_hz = _mains_hz(usable)
        t = (np.arange(n_window) - (n_window - 1) / 2) / n_window
        columns = [np.ones(n_window), t, t**2]
        taken: list[float] = []
        narrow = None
        resolution_hz = 0.8 * sample_hz / n_window
        for line in usable:
            at_hz = fold_hz(
                found_hz * line.harmonic if found_hz else line.nominal_hz * line.harmonic, sample_hz
            )
            if at_hz < SLOW_LINE_HZ:
                if line.harmonic == 1 and line.rms:
                    narrow = _NarrowLine(sample_hz, at_hz)
                continue
            if (
                any(abs(at_hz - other) < resolution_hz for other in taken)
                or len(columns) + 2 > 0.6 * n_window
            ):
                continue
            taken.append(at_hz)
            phase = 2 * np.pi * at_hz * np.arange(n_window) / sample_hz
            columns += [np.cos(phase), np.sin(phase)]
        model = np.stack(columns, axis=1)
        return _LineFit(n_window, np.linalg.pinv(model), model, len(taken), narrow)

    def apply(self, samples: Floats) -> tuple[Floats, Floats]:
        """(Peak amplitude of all lines, rms of the residue), one for each window."""
        windows = _windows(samples, self.n_window)
        coefficients = windows @ self.projection.T
        residue = windows - coefficients @ self.model.T
        freedom = max(self.n_window - self.model.shape[1], 1)
        power = (coefficients[:, 3:] ** 2).sum(axis=1)
        if self.narrow is not None:
            power = power + self.narrow.power(samples, self.n_window)
        if not self.n_lines and self.narrow is None:
            power = np.full(len(windows), np.nan)
        return np.sqrt(power), np.sqrt((residue**2).sum(axis=1) / freedom)


def _fundamental_rms(lines: Sequence[Line]) -> float:
    """Which grid is there is told by its line: at low rates a wide search for harmonics meets movement."""
    return lines[0].rms or 0.0


def _mains_hz(lines: Sequence[Line]) -> float | None:
    """The mains frequency by the strongest line found, or None."""
    found = [line for line in lines if line.found_hz is not None and line.rms]
    best = max(found, key=lambda line: line.rms or 0.0, default=None)
    return best.found_hz / best.harmonic if best is not None and best.found_hz is not None else None


@dataclass(frozen=True)
class _NarrowLine:
    """A line that folds into the movement band: told from movement by its narrowness.

    In windows of 3 s (150 or 180 cycles, IEC 61000-4-30 aggregation) the power at the line counts only
    as far as it stands above the mean of four places 0.7 and 1.4 Hz beside it.
    """

    sample_hz: float
    at_hz: float

    def power(self, samples: Floats, n_fast: int) -> Floats:
        """Squared peak amplitude for each fast window, from the long window it lies in."""
        n_long = n_fast * max(1, round(3.0 * self.sample_hz / n_fast))
        n_out = len(samples) // n_fast
        if len(samples) < n_long:
            return np.zeros(n_out)
        windows = _windows(samples, n_long)
        taper = signal.get_window("hann", n_long)
        places = np.array([0.0, -1.4, -0.7, 0.7, 1.4]) + self.at_hz
        phase = 2 * np.pi * np.outer(np.arange(n_long), places) / self.sample_hz
        level = windows - windows.mean(axis=1, keepdims=True)
        power = np.abs((level * taper) @ np.exp(-1j * phase) * 2 / taper.sum()) ** 2
        above = np.maximum(power[:, 0] - power[:, 1:].mean(axis=1), 0.0)
        spread = np.repeat(above, n_long // n_fast)
        return np.concatenate((spread, np.full(max(n_out - len(spread), 0), above[-1])))[:n_out]
