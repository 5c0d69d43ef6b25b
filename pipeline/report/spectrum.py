"""Power spectral density of a recording of any length, averaged block by block (Welch 1967)."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SEGMENT_S = 8.0
"""Length of a segment: resolves 0.125 Hz, enough below the movement band's lower edge of 0.5 Hz."""
LONGEST_SEGMENT = 1 << 16
SHORTEST_SEGMENT = 32


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
    """

    frequency_hz: Floats
    density: Floats
    n_segments: int
    clean_only: bool


class SpectrumSum:
    """Sums periodograms of half-overlapping Hann segments while a recording streams past.

    Segments with lost samples are left out. Of the others, those without faults are kept apart, because
    one overload raises every frequency; they make the spectrum if there are any.
    """

    def __init__(self, sample_hz: float, n_rows: int) -> None:
        self.sample_hz = sample_hz
        wanted = min(round(SEGMENT_S * sample_hz), LONGEST_SEGMENT, n_rows // 2)
        self.n_segment = wanted - wanted % 2
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

    def finished(self) -> Spectrum | None:
        """The average; None where no segment was whole."""
        if not self._n_all:
            return None
        clean_only = self._n_clean > 0
        n = self._n_clean if clean_only else self._n_all
        density = (self._clean if clean_only else self._all) / n
        frequency_hz: Floats = np.arange(len(density), dtype=np.float64)
        frequency_hz *= self.sample_hz / self.n_segment
        return Spectrum(frequency_hz, density, n, clean_only)

    def _add_segments(self, first: int, last: int, hop: int) -> None:
        from scipy import signal  # costs 0.6 s, and pages without a recording need none

        reach = slice(first * hop, (last - 1) * hop + self.n_segment)
        window = np.lib.stride_tricks.sliding_window_view
        segments = window(self._values[reach], self.n_segment)[::hop]
        whole = ~np.isnan(segments).any(axis=1)
        if not whole.any():
            return
        clean = whole & ~window(self._unfit[reach], self.n_segment)[::hop].any(axis=1)
        _, densities = signal.periodogram(segments[whole], self.sample_hz, "hann", detrend="constant")
        self._all += densities.sum(axis=0)
        self._clean += densities[clean[whole]].sum(axis=0)
        self._n_all += int(whole.sum())
        self._n_clean += int(clean.sum())
