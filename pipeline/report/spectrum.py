"""Power spectral density of a recording of any length, averaged block by block (Welch 1967)."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SEGMENT_S = 8.0
"""Length of a segment: resolves 0.125 Hz, enough below the movement band's lower edge of 0.5 Hz."""
SHORT_SEGMENT_S = 2.0
"""Length where losses leave no longer one whole: resolves 0.5 Hz, the lower edge itself."""
LONGEST_SEGMENT = 1 << 16
SHORTEST_SEGMENT = 32
MOST_PATCHED = 0.25
"""Share of a segment that may be bridged by straight lines, which only lower what is fast."""
LONGEST_PATCH_S = 0.25
"""Gap that may be bridged: short beside the movement band, whose slowest wave lasts 2 s."""


@dataclass(frozen=True)
class Spectrum:
    """One-sided density.

    Attributes
    ----------
    frequency_hz, density : float64 arrays, shape (n,)
        Density in the channel's unit squared per hertz.
    n_segments : int
        Segments that were averaged.
    clean_only : bool
        Whether only segments free of faults other than mains were.
    segment_s : float
        Length of a segment.
    patched : float or None
        Share of the samples that stand on straight lines across losses; None where segments are unbroken.
    """

    frequency_hz: Floats
    density: Floats
    n_segments: int
    clean_only: bool
    segment_s: float
    patched: float | None = None


class BestSpectrum:
    """The best spectrum a recording allows: long unbroken segments, short ones, or bridged losses.

    What comes later is tried only until something better has given a segment.
    """

    def __init__(self, sample_hz: float, n_rows: int) -> None:
        long = SpectrumSum(sample_hz, n_rows)
        short = SpectrumSum(sample_hz, n_rows, SHORT_SEGMENT_S)
        bridged = SpectrumSum(sample_hz, n_rows, patch=True)
        self._tries = [long, short, bridged] if short.n_segment < long.n_segment else [long, bridged]
        self._arrived = False

    def add(self, values: npt.NDArray[Any], unfit: npt.NDArray[np.bool_]) -> None:
        """Take the next samples; `unfit` marks those in a fault. Both of shape (n,)."""
        self._arrived = self._arrived or not np.isnan(values).all()
        for i, one in enumerate(self._tries):
            one.add(values, unfit)
            if one.has_any:
                del self._tries[i + 1 :]
                return

    def finished(self) -> Spectrum | None:
        """The best of the averages; None where none could be had."""
        return next((one.finished() for one in self._tries if one.has_any), None)

    def why_none(self) -> str:
        """Why there is no spectrum, as a clause."""
        if not self._arrived:
            return "no sample of it arrived"
        one = self._tries[0]
        if one.n_segment < SHORTEST_SEGMENT:
            return f"the recording is too short: {2 * SHORTEST_SEGMENT} samples are needed"
        length_s = min(SHORT_SEGMENT_S, one.n_segment / one.sample_hz)
        return f"losses leave no stretch of {length_s:.2g} s unbroken, and are too long or too many to bridge"


class SpectrumSum:
    """Sums periodograms of half-overlapping Hann segments while a recording streams past.

    Segments with lost samples are left out or, with `patch`, bridged by straight lines if little is lost.
    Of the others, those without faults are kept apart, because one overload raises every frequency; they
    make the spectrum if there are any.
    """

    def __init__(
        self, sample_hz: float, n_rows: int, segment_s: float = SEGMENT_S, patch: bool = False
    ) -> None:
        self.sample_hz, self.patch = sample_hz, patch
        wanted = min(round(segment_s * sample_hz), LONGEST_SEGMENT, n_rows // 2)
        self.n_segment = wanted - wanted % 2
        self._n_lost_all = self._n_lost_clean = 0
        self._values: npt.NDArray[Any] = np.empty(0, np.float64)
        self._unfit = np.empty(0, np.bool_)
        n_bins = self.n_segment // 2 + 1
        self._clean, self._all = np.zeros(n_bins), np.zeros(n_bins)
        self._n_clean = self._n_all = 0

    def add(self, values: npt.NDArray[Any], unfit: npt.NDArray[np.bool_]) -> None:
        """Take the next samples; `unfit` marks those in a fault. Both of shape (n,)."""
        if self.n_segment < SHORTEST_SEGMENT:
            return
        self._values = np.concatenate([self._values, values])
        self._unfit = np.concatenate([self._unfit, unfit])
        hop = self.n_segment // 2
        n = (len(self._values) - self.n_segment) // hop + 1
        if n < 1:
            return
        # A few segments at a time: copies for the transform stay small whatever the block's length.
        at_once = max(1, (1 << 17) // self.n_segment)
        for first in range(0, n, at_once):
            self._add_segments(first, min(first + at_once, n), hop)
        self._values, self._unfit = self._values[n * hop :], self._unfit[n * hop :]

    @property
    def has_any(self) -> bool:
        """Whether any segment was taken."""
        return self._n_all > 0

    def finished(self) -> Spectrum | None:
        """The average; None where no segment was whole."""
        if not self._n_all:
            return None
        clean_only = self._n_clean > 0
        n = self._n_clean if clean_only else self._n_all
        density = (self._clean if clean_only else self._all) / n
        frequency_hz: Floats = np.arange(len(density), dtype=np.float64)
        frequency_hz *= self.sample_hz / self.n_segment
        n_lost = self._n_lost_clean if clean_only else self._n_lost_all
        patched = n_lost / (n * self.n_segment) if self.patch else None
        return Spectrum(frequency_hz, density, n, clean_only, float(self.n_segment / self.sample_hz), patched)

    def _add_segments(self, first: int, last: int, hop: int) -> None:
        reach = slice(first * hop, (last - 1) * hop + self.n_segment)
        window = np.lib.stride_tricks.sliding_window_view
        segments = window(self._values[reach], self.n_segment)[::hop]
        lost = np.isnan(segments)
        unfit = window(self._unfit[reach], self.n_segment)[::hop]
        taken = self._bridgeable(lost) if self.patch else ~lost.any(axis=1)
        if not taken.any():
            return
        segments, lost = segments[taken], lost[taken]
        clean = ~(unfit[taken] & ~lost).any(axis=1)
        if self.patch:
            segments = np.stack([_bridged(*both) for both in zip(segments, lost, strict=True)])
        densities = _periodograms(segments, self.sample_hz)
        self._all += densities.sum(axis=0)
        self._clean += densities[clean].sum(axis=0)
        self._n_all += len(segments)
        self._n_clean += int(clean.sum())
        self._n_lost_all += int(lost.sum())
        self._n_lost_clean += int(lost[clean].sum())

    def _bridgeable(self, lost: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """Which segments have few losses, none of them long."""
        few: npt.NDArray[np.bool_] = lost.mean(axis=1) <= MOST_PATCHED
        n_gap = max(int(LONGEST_PATCH_S * self.sample_hz), 1)
        for i in np.flatnonzero(few):
            edges = np.flatnonzero(np.diff(lost[i].astype(np.int8), prepend=0, append=0))
            few[i] = not len(edges) or int((edges[1::2] - edges[::2]).max()) <= n_gap
        return few


def _periodograms(segments: Floats, sample_hz: float) -> Floats:
    """One-sided densities of segments of even length, shape (n, samples), without means, under a Hann."""
    n = segments.shape[1]
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    lines = np.fft.rfft((segments - segments.mean(axis=1, keepdims=True)) * window, axis=1)
    densities: Floats = (np.square(lines.real) + np.square(lines.imag)) / (
        sample_hz * np.square(window).sum()
    )
    densities[:, 1:-1] *= 2
    return densities


def _bridged(values: npt.NDArray[Any], lost: npt.NDArray[np.bool_]) -> Floats:
    at = np.arange(len(values))
    bridged: Floats = np.interp(at, at[~lost], values[~lost])
    return bridged
