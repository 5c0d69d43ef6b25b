"""Recordings in windows: what all detectors look at, measured with bounded memory.

Two window lengths: 10 cycles of 50 Hz or 12 of 60 Hz (0.2 s, the basic window of IEC 61000-4-30) for
mains, and one second for movement. Windows are whole numbers of samples and do not overlap. Each recording
of a session has windows of its own; the acceleration is brought to all of them by time.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import signal

from pipeline.detectors.acceleration import (
    SLOW_S,
    SensorTrack,
    change_on,
    measure_sensors,
    rms_on,
    window_edges_s,
)
from pipeline.detectors.apart import Apart
from pipeline.detectors.clipping import HarmonicsAtRails
from pipeline.detectors.findings import Spans
from pipeline.detectors.held_rows import Held, look_for_held
from pipeline.detectors.line_coherence import Grid, LookedFor, measure_lines
from pipeline.detectors.linefit import LineFit, fit_for
from pipeline.detectors.lines import (
    HARMONICS,
    SLOW_LINE_HZ,
    Line,
    Spectra,
    fold_hz,
    spectrum,
    still_spectrum,
    why_not_assessable,
)
from pipeline.detectors.narrow import NarrowLine
from pipeline.detectors.notch import Notch, notch_for
from pipeline.detectors.overloads import Overloads, measure_overloads
from pipeline.detectors.phase import Complexes
from pipeline.detectors.quick import Quick
from pipeline.detectors.rails import Rails
from pipeline.detectors.repeats import Repeats, measure_repeats
from pipeline.detectors.windows import Floats, mean_and_variance, share_of, whole_windows, windows
from pipeline.layouts import Channel
from pipeline.machine import give_back_memory
from pipeline.recording import Recording

Settings = Mapping[str, float]
"""Thresholds of the policy that detectors use: 'section.name' -> value."""

FAST_S = 0.2
"""IEC 61000-4-30: 10 cycles at 50 Hz, 12 cycles at 60 Hz."""

MOVEMENT_HZ = (0.5, 10.0)
"""Band of human movement: steps at 1.2 to 3.5 Hz with their harmonics (Tudor-Locke and Rowe 2012)."""

MOST_LOST = 0.2
"""Share of lost samples in a second up to which its movement is measured, losses bridged by lines."""


@dataclass(frozen=True)
class FieldWindows:
    """One field channel in windows, in the channel's unit; NaN where a window could not be measured.

    Attributes
    ----------
    mains_peak : float64, shape (n_fast,)
        Peak amplitude of line and harmonics together, at the electrode.
    mains_leads : bool, shape (n_fast,)
        Whether the lines carry more power than all that they do not explain.
    line_phasor : complex128, shape (n_fast,)
        Amplitude and phase of the line at the electrode, the phase that a steady one gains taken out.
    residue_rms : float64, shape (n_fast,)
        What is left after level, slope, curvature and lines are taken out: noise.
    level_fast : float64, shape (n_fast,)
        Level in the middle of the window, by the fit.
    movement_fast : float64, shape (n_fast,)
        Size of the movement band.
    step_fast : float64, shape (n_fast,)
        Largest step of the level within two cycles of mains.
    middle_peak : float64, shape (n_fast,)
        Peak amplitude of the line over two cycles, the middle one in the window: a step does not show in it.
    bare_level, bare_line : float64 and complex128, shape (n_fast,)
        Mean without the line, and the line's phasor as recorded, of each window by itself (:mod:`.apart`).
    railed_fast : bool, shape (n_fast,)
        Whether any sample stood at a rail.
    movement_rms : float64, shape (n_slow,)
        Size of the movement band.
    level : float64, shape (n_slow,)
        Mean.
    at_rail, lost : float64, shape (n_slow,)
        Share of samples within the margin of a rail, and of lost samples.
    """

    mains_peak: Floats
    mains_leads: npt.NDArray[np.bool_]
    line_phasor: Complexes
    residue_rms: Floats
    level_fast: Floats
    movement_fast: Floats
    step_fast: Floats
    middle_peak: Floats
    bare_level: Floats
    bare_line: Complexes
    railed_fast: npt.NDArray[np.bool_]
    movement_rms: Floats
    level: Floats
    at_rail: Floats
    lost: Floats


@dataclass(frozen=True)
class FieldTrack(FieldWindows):
    """All windows of a field channel, and what is known of the whole recording.

    Attributes
    ----------
    channel : Channel
        With the corner of the AC coupling that recoveries show, where its layout states none.
    lines, other_lines : tuple of Line
        The mains of the site, and of the other nominal frequency.
    n_beyond : int
        Samples outside the converter's range as the layout states it: then the layout is wrong.
    notch : Notch
        What of the mains lies in the movement band, and whether a notch could take it out.
    overloads : Overloads
        The channel's rails, stated or found, and the samples at them.
    step_leak : float
        How much of the line's amplitude is left in `step_fast`.
    line_gain : float
        What the low-pass left of the line of `line_phasor`.
    """

    channel: Channel
    lines: tuple[Line, ...]
    other_lines: tuple[Line, ...]
    n_beyond: int
    notch: Notch
    overloads: Overloads
    step_leak: float
    line_gain: float


@dataclass(frozen=True)
class Tracks:
    """All channels of one recording in windows.

    ``acceleration_change`` is by how much the acceleration vector changes within 0.1 s, rms of each second.

    ``n_fast`` and ``n_slow`` are samples in a window; ``acceleration_rms`` (m/s2, shape (n_slow_windows,))
    is the spread of the acceleration vector within each second, of whichever of the session's sensors moves
    most, None where it has none; ``sensors`` has the accelerometers of this recording by name. Rows that
    ``repeats`` takes for filled are measured as lost; ``held`` are further ones that were not measured.
    """

    sample_hz: float
    n_fast: int
    n_slow: int
    field: dict[str, FieldTrack]
    acceleration_rms: Floats | None
    acceleration_change: Floats | None
    sensors: dict[str, SensorTrack]
    repeats: Repeats
    held: Held


def measure_tracks(
    recordings: Sequence[Recording], mains_hz: float, settings: Settings
) -> tuple[Tracks, ...]:
    """Measure everything in windows.

    Parameters
    ----------
    recordings : sequence of Recording
        All of a session: one for each rate.
    mains_hz : float
        Nominal frequency of the mains at the site.
    settings : mapping
        Thresholds of the policy; used: ``mains.*``, ``movement.still_m_s2`` and the rails' margins of
        ``saturation.*``.

    Returns
    -------
    tuple of Tracks
        One for each recording.
    """
    repeats = [measure_repeats(recording, settings["stuck.shortest_s"]) for recording in recordings]
    held = [look_for_held(*both, settings) for both in zip(recordings, repeats, strict=True)]
    repeated = list(zip(repeats, held, strict=True))
    recordings = [one.hiding(recording) for one, recording in zip(repeats, recordings, strict=True)]
    measured = measure_sensors(recordings)
    everywhere = [track for own in measured for track in own.values()]
    return tuple(
        _measure_one(recording, own, everywhere, mains_hz, settings, of_it)
        for recording, own, of_it in zip(recordings, measured, repeated, strict=True)
    )


def _measure_one(
    recording: Recording,
    own: dict[str, SensorTrack],
    everywhere: Sequence[SensorTrack],
    mains_hz: float,
    settings: Settings,
    repeated: tuple[Repeats, Held],
) -> Tracks:
    n_fast = max(8, round(FAST_S * recording.sample_hz))
    n_slow = max(1, round(SLOW_S * recording.sample_hz))
    edges_s = window_edges_s(recording, n_slow)
    acceleration_rms, acceleration_change = rms_on(*edges_s, everywhere), change_on(*edges_s, everywhere)
    still = None
    if acceleration_rms is not None:
        quiet = np.nan_to_num(acceleration_rms, nan=np.inf) < settings["movement.still_m_s2"]
        still = Spans.of_mask(quiet).stretched(n_slow)
    repeats, held = repeated
    fresh = held.hiding(recording, repeats)
    field = {
        channel.name: _measure_field(recording, fresh, channel, mains_hz, settings, (n_fast, n_slow), still)
        for channel in recording.of_kind("field")
    }
    accelerated = acceleration_rms, acceleration_change
    return Tracks(recording.sample_hz, n_fast, n_slow, field, *accelerated, own, repeats, held)


def _measure_field(
    recording: Recording,
    fresh: Recording,
    channel: Channel,
    mains_hz: float,
    settings: Settings,
    lengths: tuple[int, int],
    still: Spans | None,
) -> FieldTrack:
    spectra = _spectra(recording, channel, mains_hz, still)
    ratio, margin_hz = settings["mains.line_ratio"], settings["mains.fold_margin_hz"]
    wanted = LookedFor((mains_hz, 110.0 - mains_hz), ratio, margin_hz)
    own, other = measure_lines(recording, spectra, wanted, still)
    stronger = max(own, other, key=_fundamental_rms)
    fit = fit_for(stronger.lines, channel, recording.sample_hz, lengths[0])
    overloads = measure_overloads(recording, fresh, channel, settings)
    cutting = _Cutting(channel, overloads.rails, fit, stronger.lines[0], recording.sample_hz, lengths)
    pieces = [
        cutting.take(value) for (value,) in whole_windows(recording, [channel.name], int(np.lcm(*lengths)))
    ] or [cutting.take(np.empty(0))]
    whole = {name: np.concatenate([vars(piece)[name] for piece in pieces]) for name in vars(pieces[0])}
    pieces.clear()
    give_back_memory(recording.n_rows)
    if not cutting.n_beyond and stronger is own:
        own = replace(own, lines=cutting.clipped.attributed(own.lines))
    track = FieldTrack(
        **whole,
        channel=overloads.channel,
        lines=own.lines,
        other_lines=other.lines,
        n_beyond=cutting.n_beyond,
        notch=notch_for(stronger.lines, spectra.whole, channel, recording.sample_hz, MOVEMENT_HZ),
        overloads=overloads,
        step_leak=cutting.step_leak,
        line_gain=float(fit.gain[0]) if fit.fundamental else 1.0,
    )
    if not _is_slow(stronger.lines[0]):
        return track
    peak, leads = _with_narrow(track.mains_peak, stronger.narrow, lengths[0], still)
    return replace(track, mains_peak=peak, mains_leads=leads)


class _Cutting:
    """Measures one channel in windows, part by part: filter and harmonics carry their state."""

    def __init__(
        self,
        channel: Channel,
        rail: Rails,
        fit: LineFit,
        line: Line,
        sample_hz: float,
        lengths: tuple[int, int],
    ) -> None:
        self.clipped, self.n_beyond = HarmonicsAtRails(fit.harmonics), 0
        self._channel, self._rail, self._fit, self._lengths = channel, rail, fit, lengths
        self._movement, self._quick = _MovementBand(sample_hz), Quick(fit, line, sample_hz)
        self._apart = Apart(line, sample_hz, lengths[0])
        self.step_leak = self._quick.leak
        self._turn = 1.0 + 0.0j

    def take(self, value: Floats) -> FieldWindows:
        """Measure the next samples, from the start of a window on."""
        (n_fast, n_slow), rail = self._lengths, self._rail
        cut, fast = windows(value, n_slow), windows(value, n_fast)
        railed = np.any((fast <= rail.low) | (fast >= rail.high), axis=1)
        fitted = self._fit.apply(value, railed)
        self.clipped.add(fitted.powers, railed)
        self.n_beyond += _count_beyond(value, self._channel)
        # Without its lines: a strong one would leak through the band's edge.
        bare = value - np.concatenate((fitted.waves, np.zeros(len(value) - len(fitted.waves))))
        moved = self._movement.apply(bare)
        step, middle_peak = self._quick.take(value)
        phasor = fitted.phasor * self._turn
        self._turn *= np.exp(-1j * self._fit.turn_rad * len(phasor))
        bare_level, bare_line = self._apart.take(value)
        return FieldWindows(
            mains_peak=fitted.peak,
            mains_leads=fitted.lead,
            line_phasor=phasor,
            residue_rms=fitted.residue_rms,
            level_fast=fitted.level,
            movement_fast=_rms(moved, value, n_fast),
            step_fast=step,
            middle_peak=middle_peak,
            bare_level=bare_level,
            bare_line=bare_line,
            railed_fast=railed,
            movement_rms=_rms(moved, value, n_slow),
            level=mean_and_variance(cut)[0],
            at_rail=share_of((cut <= rail.low) | (cut >= rail.high), cut),
            lost=np.isnan(cut).mean(axis=1),
        )


def _spectra(recording: Recording, channel: Channel, mains_hz: float, still: Spans | None) -> Spectra:
    whole, sample_hz = spectrum(recording, channel.name), recording.sample_hz
    among_movement = any(
        fold_hz(nominal_hz * harmonic, sample_hz) < SLOW_LINE_HZ
        and not why_not_assessable(nominal_hz, harmonic, sample_hz)
        for nominal_hz in (mains_hz, 110.0 - mains_hz)
        for harmonic in HARMONICS
    )
    quiet = still_spectrum(recording, channel.name, still) if among_movement and still is not None else None
    return Spectra(channel, sample_hz, whole, quiet)


def _count_beyond(value: Floats, channel: Channel) -> int:
    slack = 0.5 * abs(channel.scale)
    return int(((value < channel.adc_low - slack) | (value > channel.adc_high + slack)).sum())


def _rms(filtered: Floats, original: Floats, n: int) -> Floats:
    """RMS in windows; NaN where too many samples were lost (the filter saw stand-ins there)."""
    rms = np.sqrt((windows(filtered, n) ** 2).mean(axis=1))
    return np.where(np.isnan(windows(original, n)).mean(axis=1) > MOST_LOST, np.nan, rms)


def has_movement_band(sample_hz: float) -> bool:
    """Whether enough of the band of movement lies below half the rate to be measured."""
    return 0.4 * sample_hz > 2 * MOVEMENT_HZ[0]


class _MovementBand:
    """Causal band-pass that carries its state from block to block (Butterworth, second order)."""

    def __init__(self, sample_hz: float) -> None:
        self._sos: Floats | None = None
        if has_movement_band(sample_hz):
            high_hz = min(MOVEMENT_HZ[1], 0.4 * sample_hz)
            self._sos = signal.butter(2, (MOVEMENT_HZ[0], high_hz), "bandpass", fs=sample_hz, output="sos")
        self._state: Floats | None = None
        self._last = 0.0

    def apply(self, samples: Floats) -> Floats:
        """Filter the next samples; lost ones are stood in for by a line between their neighbours.

        NaN where the rate is too low for the band, and before the first sample that arrived.
        """
        lost = np.isnan(samples)
        if self._sos is None or (lost.all() and self._state is None):
            return np.full(len(samples), np.nan)
        if lost.all():
            samples = np.full(len(samples), self._last)
        elif lost.any():
            here = np.flatnonzero(~lost)
            before = samples[here[0]] if self._state is None else self._last
            known = np.concatenate(([before], samples[here]))
            at = np.flatnonzero(lost)
            samples = samples.copy()
            samples[at] = np.interp(at, np.concatenate(([-1], here)), known)
        if self._state is None:
            self._state = signal.sosfilt_zi(self._sos) * samples[0]
        filtered, self._state = signal.sosfilt(self._sos, samples, zi=self._state)
        self._last = float(samples[-1])
        return np.asarray(filtered, dtype=np.float64)


def _fundamental_rms(grid: Grid) -> float:
    """Which grid is there is told by its line: at low rates a wide search for harmonics meets movement."""
    return grid.lines[0].rms or 0.0


def _is_slow(line: Line) -> bool:
    return line.assessable and line.folded_hz < SLOW_LINE_HZ


def _with_narrow(
    peak: Floats, narrow: NarrowLine | None, n_fast: int, still: Spans | None
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Harmonics and a line among movement together; NaN while the line is not known.

    Such a line is part of what a short window calls movement: nothing there to weigh it against.
    """
    if narrow is None:
        return np.full(len(peak), np.nan), np.zeros(len(peak), bool)
    power = narrow.power(n_fast, len(peak), still) / narrow.gain**2
    return np.sqrt(np.nan_to_num(peak) ** 2 + power), np.ones(len(peak), bool)
