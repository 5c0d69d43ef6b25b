"""Where mains lines fold to, and whether one stands in a spectrum.

Folding is that of sampling at ``sample_hz`` without a filter: ``|f - fs round(f / fs)|``.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from pipeline.recording import Recording

HARMONICS = (1, 2, 3, 5, 7)
"""Multiples of the mains frequency that are looked for: odd ones dominate (EN 50160 allows 5, 6 and 5 %
of 3rd, 5th, 7th), the 2nd tells one-sided rectifiers."""

SEARCH_HZ = 0.5
"""Half width of the search around the nominal frequency: EN 50160, 50 Hz +-1 % for 99.5 % of a year."""

SEGMENT_S = 16.0
"""Length of a segment of the averaged spectrum: bins of 1/16 Hz resolve a line within 0.01 Hz."""


@dataclass(frozen=True)
class Line:
    """One mains line as it appears in a channel.

    ``folded_hz`` is where the nominal line folds to, ``found_hz`` where it was found (before folding),
    ``rms`` its size in ``unit``, both None where it was not found or cannot be told. ``ratio`` is its
    height over the spectrum beside it.
    """

    channel: str
    nominal_hz: float
    harmonic: int
    folded_hz: float
    assessable: bool
    why: str = ""
    found_hz: float | None = None
    rms: float | None = None
    unit: str = "V"
    ratio: float | None = None


@dataclass(frozen=True)
class Spectrum:
    """One-sided power spectral density of a channel, averaged over segments.

    ``frequency_hz`` and ``density`` (unit^2/Hz) have equal length; ``n_segments`` went into the mean.
    """

    frequency_hz: npt.NDArray[np.float64]
    density: npt.NDArray[np.float64]
    n_segments: int


def fold_hz(frequency_hz: float, sample_hz: float) -> float:
    """Where a line appears after sampling, in [0, sample_hz / 2].

    >>> fold_hz(60.0, 64.0)
    4.0
    """
    return abs(frequency_hz - sample_hz * round(frequency_hz / sample_hz))


def why_not_assessable(
    nominal_hz: float, harmonic: int, sample_hz: float, lowpass_margin_hz: float = 1.0
) -> str:
    """The reason why a line's size cannot be told at this sampling rate; empty where it can.

    Parameters
    ----------
    nominal_hz : float
        50 or 60.
    harmonic : int
        1 for the line itself.
    sample_hz : float
        Sampling rate.
    lowpass_margin_hz : float
        Distance at which two lines, or a line and 0 Hz or half the rate, merge.
    """
    folded = fold_hz(nominal_hz * harmonic, sample_hz)
    name = f"{nominal_hz * harmonic:g} Hz"
    if folded < lowpass_margin_hz:
        return (
            f"at {sample_hz:g} Hz sampling, {name} folds onto {folded:.2g} Hz, where the signal itself lies"
        )
    if sample_hz / 2 - folded < lowpass_margin_hz:
        return f"at {sample_hz:g} Hz sampling, {name} falls on half the rate, where its size depends on phase"
    if harmonic > 1:
        for lower in [h for h in HARMONICS if h < harmonic]:
            if abs(folded - fold_hz(nominal_hz * lower, sample_hz)) < lowpass_margin_hz:
                return f"at {sample_hz:g} Hz sampling, {name} falls on {nominal_hz * lower:g} Hz"
        return ""
    other = 110.0 - nominal_hz
    if abs(folded - fold_hz(other, sample_hz)) < lowpass_margin_hz:
        return f"at {sample_hz:g} Hz sampling, 50 Hz and 60 Hz both fold to {folded:.3g} Hz"
    return ""


def spectrum(recording: Recording, channel: str) -> Spectrum:
    """Mean spectrum over half-overlapping Hann segments (Welch 1967); segments with losses are left out.

    Where no segment is free of losses, the channel's mean stands in for lost samples. Memory is that of
    one block, whatever the length.
    """
    n = _segment_samples(recording)
    window = signal.get_window("hann", n)
    total = np.zeros(n // 2 + 1)
    patched, n_whole, n_patched = np.zeros(n // 2 + 1), 0, 0
    tail = np.empty(0)
    hop = max(n // 2, 1)
    for block in recording.blocks([channel]):
        samples = np.concatenate((tail, block.columns[channel].astype(np.float64)))
        n_here = max(0, (len(samples) - n) // hop + 1)
        tail = samples[n_here * hop :]
        if not n_here:
            continue
        segments = np.lib.stride_tricks.sliding_window_view(samples, n)[::hop][:n_here]
        whole = ~np.isnan(segments).any(axis=1)
        total += _power(segments[whole], window)
        n_whole += int(whole.sum())
        if not n_whole:
            broken = segments[~np.isnan(segments).all(axis=1)]
            mean = np.nanmean(broken, axis=1, keepdims=True) if len(broken) else 0.0
            patched += _power(np.where(np.isnan(broken), mean, broken), window)
            n_patched += len(broken)
    if not n_whole:
        total, n_whole = patched, n_patched
    density = total * 2 / (recording.sample_hz * np.sum(window**2)) / max(n_whole, 1)
    return Spectrum(fft.rfftfreq(n, 1 / recording.sample_hz), density, n_whole)


def _segment_samples(recording: Recording) -> int:
    wanted = fft.next_fast_len(int(SEGMENT_S * recording.sample_hz), real=True)
    return max(16, min(wanted, recording.n_rows))


def _power(segments: npt.NDArray[np.float64], window: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    if not len(segments):
        return np.zeros(len(window) // 2 + 1)
    level = segments - segments.mean(axis=1, keepdims=True)
    return np.asarray((np.abs(fft.rfft(level * window, axis=1)) ** 2).sum(axis=0), dtype=np.float64)


def find_line(spectrum: Spectrum, expected_hz: float, half_width_hz: float) -> tuple[float, float, float]:
    """The highest point near a frequency, refined between bins.

    Returns
    -------
    frequency_hz, rms, ratio : float
        Where it stands, its size (main lobe of the window minus the level beside it), and its height
        over the median beside it; NaN, 0, 0 where there is nothing to look at. Refinement: parabola
        through the logarithm of three bins (common practice, no source).
    """
    frequency, density = spectrum.frequency_hz, spectrum.density
    step = frequency[1] - frequency[0]
    distance = np.abs(frequency - expected_hz)
    near = np.flatnonzero(distance <= half_width_hz + step / 2)
    beside = (distance > half_width_hz + 3 * step) & (distance < half_width_hz + max(3.0, 12 * step))
    beside &= frequency > 0.25
    if not len(near) or not spectrum.n_segments or not np.any(beside):
        return float("nan"), 0.0, 0.0
    level = float(np.median(density[beside])) or np.finfo(float).tiny
    peak = int(near[np.argmax(density[near])])
    ratio = float(density[peak] / level)
    shift = 0.0
    if 0 < peak < len(density) - 1 and density[peak] > 0:
        low, top, high = np.log(np.maximum(density[peak - 1 : peak + 2], np.finfo(float).tiny))
        curvature = low - 2 * top + high
        shift = 0.5 * (low - high) / curvature if curvature < 0 else 0.0
    lobe = slice(max(peak - 2, 0), peak + 3)
    power = float(np.sum(density[lobe] - level) * step)
    return float(frequency[peak] + shift * step), float(np.sqrt(max(power, 0.0))), ratio


def find_mains(
    spectrum: Spectrum,
    channel: str,
    unit: str,
    nominal_hz: float,
    sample_hz: float,
    ratio: float,
    margin_hz: float,
) -> tuple[Line, ...]:
    """The line of one nominal frequency and its harmonics in a channel's spectrum.

    The frequency is taken from the line itself, or else from the strongest harmonic that stands `ratio`
    above its surroundings; the others are looked for at its multiples.
    """
    lines = []
    for harmonic in HARMONICS:
        folded = fold_hz(nominal_hz * harmonic, sample_hz)
        why = why_not_assessable(nominal_hz, harmonic, sample_hz, margin_hz)
        line = Line(channel, nominal_hz, harmonic, folded, not why, why, unit=unit)
        if not why:
            at_hz, rms, height = find_line(spectrum, folded, SEARCH_HZ * harmonic)
            if height >= ratio:
                found = _unfold_hz(at_hz, nominal_hz * harmonic, sample_hz)
                line = Line(channel, nominal_hz, harmonic, folded, True, "", found, rms, unit, height)
        lines.append(line)
    return tuple(lines)


def _unfold_hz(at_hz: float, near_hz: float, sample_hz: float) -> float:
    """The frequency near `near_hz` that appears at `at_hz` after sampling."""
    zone = sample_hz * round(near_hz / sample_hz)
    return zone + at_hz if near_hz >= zone else zone - at_hz
