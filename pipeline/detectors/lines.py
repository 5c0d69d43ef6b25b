"""Where mains lines fold to, and whether one stands in a spectrum.

Folding is that of sampling at ``sample_hz`` without a filter: ``|f - fs round(f / fs)|``.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy import fft, signal, stats

from pipeline.layouts import Channel
from pipeline.recording import Recording

HARMONICS = (1, 2, 3, 5, 7)
"""Multiples of the mains frequency that are looked for: odd ones dominate (EN 50160 allows 5, 6 and 5 %
of 3rd, 5th, 7th), the 2nd tells one-sided rectifiers."""

SEARCH_HZ = 0.5
"""Half width of the search around the nominal frequency: EN 50160, 50 Hz +-1 % for 99.5 % of a year."""

SEGMENT_S = (16.0, 64.0)
"""Shortest and longest segment of the averaged spectrum. Bins of 1/16 Hz resolve a line within 0.01 Hz; a
segment four times as long raises a steady line four times as far above the noise beside it, and beyond
that the wander of the mains itself spreads the line."""

SEGMENTS = 8
"""Half-overlapping segments that are kept for the mean before segments become longer."""

TRACKED_HZ = 0.03
"""How far a harmonic may stand from the multiple of its line, for each order: resolution and wander."""

LOBE_HZ = 0.125
"""Half width over which a line's power is summed: main lobe of the shortest segment's window, and wander."""

SLOW_LINE_HZ = 12.0
"""Lines that fold below this lie among human movement, whose steady steps look like a line themselves."""

STILL_SEGMENT_S = 4.0
LEAST_STILL_SEGMENTS = 3
"""Segments of stillness that are needed to tell a line among movement from movement."""

CHANCE = 1e-4
"""Probability that noise alone is taken for a line: ten lines of two grids make one in a thousand."""


class Still(Protocol):
    """Tells for samples [start, stop) whether the wearer was still."""

    def mask(self, start: int, stop: int) -> npt.NDArray[np.bool_]: ...  # noqa: D102


@dataclass(frozen=True)
class Line:
    """One mains line as it appears in a channel.

    ``folded_hz`` is where the nominal line folds to, ``found_hz`` where it was found (before folding),
    ``rms`` its size at the electrode in ``unit``, both None where it was not found or cannot be told, each
    with its standard uncertainty where that is known. ``wander_hz`` is how far its means of 10 s spread,
    ``ratio`` its height over the spectrum beside it.
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
    found_uncertainty_hz: float | None = None
    rms_uncertainty: float | None = None
    wander_hz: float | None = None


@dataclass(frozen=True)
class Spectrum:
    """One-sided power spectral density of a channel, averaged over segments.

    ``frequency_hz`` and ``density`` (unit^2/Hz) have equal length; ``n_segments`` went into the mean,
    none of them with a lost sample where ``intact``.
    """

    frequency_hz: npt.NDArray[np.float64]
    density: npt.NDArray[np.float64]
    n_segments: int
    intact: bool = True

    @property
    def freedom(self) -> float:
        """Degrees of freedom of each bin: two for each independent segment.

        Half-overlapping Hann segments correlate by 1/36 in power (Welch, IEEE Trans AU-15:70, 1967).
        """
        return 2 * self.n_segments / (1 + (2 / 36) * (1 - 1 / max(self.n_segments, 1)))


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

    Notes
    -----
    A harmonic that falls where the other grid's own line falls is not told from it: the line is the
    likelier of the two.
    """
    folded = fold_hz(nominal_hz * harmonic, sample_hz)
    name = f"{nominal_hz * harmonic:g} Hz"
    if folded < lowpass_margin_hz:
        place = f"{folded:.2g}" if folded >= 0.0005 else "0"  # nobody reads a rate to parts in a million
        return f"at {sample_hz:.4g} Hz sampling, {name} folds onto {place} Hz, where the signal itself lies"
    if sample_hz / 2 - folded < lowpass_margin_hz:
        return (
            f"at {sample_hz:.4g} Hz sampling, {name} falls on half the rate, where its size depends on phase"
        )
    other = 110.0 - nominal_hz
    if harmonic > 1:
        for lower in [*(nominal_hz * h for h in HARMONICS if h < harmonic), other]:
            if abs(folded - fold_hz(lower, sample_hz)) < lowpass_margin_hz:
                both = "" if lower < sample_hz / 2 else f", both at {folded:.4g} Hz"
                return f"at {sample_hz:.4g} Hz sampling, {name} falls on {lower:g} Hz{both}"
        return ""
    if abs(folded - fold_hz(other, sample_hz)) < lowpass_margin_hz:
        return f"at {sample_hz:.4g} Hz sampling, 50 Hz and 60 Hz both fold to {folded:.3g} Hz"
    return ""


def spectrum(recording: Recording, channel: str) -> Spectrum:
    """Mean spectrum over half-overlapping Hann segments (Welch 1967); segments with losses are left out.

    Segments are as long as the recording allows while ``SEGMENTS`` of them go into the mean. Where losses
    leave fewer, they are short; where they leave none, the mean stands in for lost samples. Memory is
    that of one block, whatever the length.
    """
    wanted_s = float(np.clip(2 * recording.duration_s / (SEGMENTS + 1), *SEGMENT_S))
    whole = _spectrum(recording, channel, _segment_samples(recording, wanted_s))
    if wanted_s > SEGMENT_S[0] and not (whole.intact and whole.n_segments >= SEGMENTS // 2):
        return _spectrum(recording, channel, _segment_samples(recording, SEGMENT_S[0]))
    return whole


def still_spectrum(recording: Recording, channel: str, still: Still) -> Spectrum | None:
    """Mean spectrum of what was recorded while the wearer was still; None where that was too short."""
    n = _segment_samples(recording, STILL_SEGMENT_S)
    quiet = _spectrum(recording, channel, n, still)
    return quiet if quiet.intact and quiet.n_segments >= LEAST_STILL_SEGMENTS else None


def lowpass_gain(channel: Channel, frequency_hz: float) -> float:
    """What a first-order low-pass before the converter leaves of a line; 1 where the layout states none."""
    if channel.lowpass_hz is None:
        return 1.0
    return 1 / math.hypot(1.0, frequency_hz / channel.lowpass_hz)


def _spectrum(recording: Recording, channel: str, n: int, still: Still | None = None) -> Spectrum:
    window = signal.get_window("hann", n)
    total = np.zeros(n // 2 + 1)
    patched, n_whole, n_patched = np.zeros(n // 2 + 1), 0, 0
    tail = np.empty(0)
    hop = max(n // 2, 1)
    for block in recording.blocks([channel]):
        here = block.columns[channel].astype(np.float64)
        if still is not None:
            here[~still.mask(block.start, block.start + len(here))] = np.nan
        samples = np.concatenate((tail, here))
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
    intact = n_whole > 0
    if not intact:
        total, n_whole = patched, n_patched
    density = total * 2 / (recording.sample_hz * np.sum(window**2)) / max(n_whole, 1)
    return Spectrum(fft.rfftfreq(n, 1 / recording.sample_hz), density, n_whole, intact)


def _segment_samples(recording: Recording, segment_s: float) -> int:
    wanted = fft.next_fast_len(int(segment_s * recording.sample_hz), real=True)
    return max(16, min(wanted, recording.n_rows))


def _power(segments: npt.NDArray[np.float64], window: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    if not len(segments):
        return np.zeros(len(window) // 2 + 1)
    level = segments - segments.mean(axis=1, keepdims=True)
    return np.asarray((np.abs(fft.rfft(level * window, axis=1)) ** 2).sum(axis=0), dtype=np.float64)


def find_line(
    spectrum: Spectrum, expected_hz: float, half_width_hz: float
) -> tuple[float, float, float, float]:
    """The highest point near a frequency, refined between bins.

    Returns
    -------
    frequency_hz, rms, ratio, chance_ratio : float
        Where it stands, its size (what stands above the level beside it), its height over the median
        beside it, and the height that noise reaches with probability ``CHANCE``; NaN, 0, 0, infinity where
        there is nothing to look at. Refinement: parabola through the logarithm of three bins (common
        practice, no source).
    """
    frequency, density = spectrum.frequency_hz, spectrum.density
    step = frequency[1] - frequency[0]
    near = np.flatnonzero(np.abs(frequency - expected_hz) <= half_width_hz + step / 2)
    level, n_beside = level_beside(spectrum, expected_hz, half_width_hz)
    if not len(near) or not n_beside:
        return float("nan"), 0.0, 0.0, float("inf")
    peak = int(near[np.argmax(density[near])])
    ratio = float(density[peak] / level)
    if half_width_hz >= SEARCH_HZ and density[peak] < density[max(peak - 1, 0) : peak + 2].max():
        # The flank of something beyond the reach of mains.
        return float("nan"), 0.0, 0.0, float("inf")
    shift = 0.0
    if 0 < peak < len(density) - 1 and density[peak] > 0:
        low, top, high = np.log(np.maximum(density[peak - 1 : peak + 2], np.finfo(float).tiny))
        curvature = low - 2 * top + high
        shift = float(np.clip(0.5 * (low - high) / curvature, -1, 1)) if curvature < 0 else 0.0
    reach = max(2, round(LOBE_HZ / step))
    lobe = slice(max(peak - reach, 0), peak + reach + 1)
    power = float(np.sum(density[lobe] - level) * step)
    chance = _chance_ratio(spectrum.freedom, len(near), n_beside)
    return float(frequency[peak] + shift * step), float(np.sqrt(max(power, 0.0))), ratio, chance


def level_beside(spectrum: Spectrum, expected_hz: float, half_width_hz: float) -> tuple[float, int]:
    """Density of the noise beside a line, and of how many bins it is the median: none where there is none."""
    frequency = spectrum.frequency_hz
    if not spectrum.n_segments:
        return np.finfo(float).tiny, 0
    step = frequency[1] - frequency[0]
    inner_hz = max(half_width_hz, SEARCH_HZ)
    distance = np.abs(frequency - expected_hz)
    beside = (distance > inner_hz + 3 * step) & (distance < inner_hz + max(3.0, 12 * step))
    beside &= frequency > 0.25
    if not np.any(beside):
        return np.finfo(float).tiny, 0
    # The median of a chi-square spectrum lies below its mean: by 31 % for one segment.
    median_to_mean = float(stats.chi2.median(spectrum.freedom)) / spectrum.freedom
    level = float(np.median(spectrum.density[beside])) / median_to_mean
    return level or np.finfo(float).tiny, int(beside.sum())


def _chance_ratio(freedom: float, n_near: int, n_beside: int) -> float:
    """Height over the level that the highest of `n_near` bins of noise reaches with probability ``CHANCE``.

    A ratio of two means of squares follows Fisher's F. The level is known from `n_beside` bins; a median
    of neighbouring Hann bins tells about a third of what as many independent ones would.
    """
    return float(stats.f.isf(CHANCE / n_near, freedom, max(n_beside * freedom / 3, 1.0)))


@dataclass(frozen=True)
class Spectra:
    """A channel's spectra: of the whole recording, and of the time in which the wearer was still.

    ``still`` is None where there was too little of it, or nothing tells.
    """

    channel: Channel
    sample_hz: float
    whole: Spectrum
    still: Spectrum | None

    def at(self, folded_hz: float) -> Spectrum:
        """The one in which a line is looked for."""
        return self.still if self.still is not None and folded_hz < SLOW_LINE_HZ else self.whole


def find_mains(spectra: Spectra, nominal_hz: float, ratio: float, margin_hz: float) -> tuple[Line, ...]:
    """The line of one nominal frequency and its harmonics in a channel's spectra.

    Each is found where it stands `ratio` above its surroundings, and higher than noise does by chance.
    Harmonics are looked for at multiples of the line that was found. Where it was not (behind a notch
    filter, say), they count only if two of them agree on its frequency: one alone may be anything. A line
    that folds among movement is looked for in stillness where there is some, since steady steps make lines
    as well; without, what is found is only a candidate.
    """
    channel, sample_hz = spectra.channel, spectra.sample_hz

    def look_for(harmonic: int, true_hz: float, half_width_hz: float) -> Line:
        folded = fold_hz(nominal_hz * harmonic, sample_hz)
        why = why_not_assessable(nominal_hz, harmonic, sample_hz, margin_hz)
        line = Line(channel.name, nominal_hz, harmonic, folded, not why, why, unit=channel.unit)
        if why:
            return line
        at_hz, rms, height, chance = find_line(
            spectra.at(folded), fold_hz(true_hz * harmonic, sample_hz), half_width_hz * harmonic
        )
        if height < max(ratio, chance):
            return line
        found_hz = unfold_hz(at_hz, nominal_hz * harmonic, sample_hz)
        return replace(line, found_hz=found_hz, rms=rms / lowpass_gain(channel, found_hz), ratio=height)

    first = look_for(1, nominal_hz, SEARCH_HZ)
    if first.found_hz is not None:
        found_hz = first.found_hz
        return (first, *(look_for(harmonic, found_hz, TRACKED_HZ) for harmonic in HARMONICS[1:]))
    return (first, *_agreeing([look_for(harmonic, nominal_hz, SEARCH_HZ) for harmonic in HARMONICS[1:]]))


def _agreeing(harmonics: Sequence[Line]) -> list[Line]:
    """The harmonics as they are where another one has the same line below it, as not found where none has."""
    below = [line.found_hz / line.harmonic if line.found_hz else math.nan for line in harmonics]
    return [
        line
        if sum(abs(own - other) < TRACKED_HZ for other in below) > 1
        else replace(line, found_hz=None, rms=None, ratio=None)
        for line, own in zip(harmonics, below, strict=True)
    ]


def unfold_hz(at_hz: float, near_hz: float, sample_hz: float) -> float:
    """The frequency near `near_hz` that appears at `at_hz` after sampling."""
    zone = sample_hz * round(near_hz / sample_hz)
    return zone + at_hz if near_hz >= zone else zone - at_hz


def strongest(lines: Sequence[Line]) -> Line | None:
    """The strongest line found, or None."""
    found = [line for line in lines if line.found_hz is not None and line.rms]
    return max(found, key=lambda line: line.rms or 0.0, default=None)


def strongest_hz(lines: Sequence[Line]) -> float | None:
    """The mains frequency by the strongest line found, or None."""
    best = strongest(lines)
    return best.found_hz / best.harmonic if best is not None and best.found_hz is not None else None
