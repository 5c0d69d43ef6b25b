"""What is over within a cycle or two of mains, by windows: steps of the level, and the line beside them.

A fit over a whole window of 0.2 s takes a step for a larger line, and half of the step for none. Means over
one cycle cancel the line; lines fitted over two cycles at a time leave most of a window untouched by a step.
"""

import numpy as np

from pipeline.detectors.linefit import LineFit
from pipeline.detectors.lines import Line
from pipeline.detectors.windows import Floats, windows

CYCLES, LEAST_SAMPLES = 2.0, 5
"""A short fit takes so many cycles, and at least so many samples for its four coefficients."""

LEAST_PARTS = 3
"""Of fewer parts a window has no middle one."""

MOST_UNSURE = 2.0
"""A line near half the rate, where a short fit is so many times as unsure as a usual one, is left out."""


class Quick:
    """Measures one channel part by part; ``leak`` is how much of the line is left in ``step`` (a ratio)."""

    def __init__(self, fit: LineFit, line: Line, sample_hz: float) -> None:
        self._n_window, self._n_cycle = fit.n_window, max(2, round(sample_hz / line.nominal_hz))
        self._past: Floats | None = None
        self._n_part, self._projection, self._gain = 0, np.empty((0, 0)), 1.0
        self.leak = leak_of(2 * np.pi * line.folded_hz / sample_hz, self._n_cycle)
        if not fit.fundamental:
            return
        turn = fit.turn_rad / fit.n_window
        n = max(LEAST_SAMPLES, round(CYCLES * 2 * np.pi / turn))
        t = np.arange(n) - (n - 1) / 2
        projection = np.linalg.pinv(np.stack([np.ones(n), t, np.cos(turn * t), np.sin(turn * t)], axis=1))[2:]
        unsure = float(np.sqrt((projection**2).sum() / 2) * np.sqrt(n / 2))
        if n * LEAST_PARTS <= fit.n_window and unsure < MOST_UNSURE:
            self._n_part, self._projection, self._gain = n, projection, float(fit.gain[0])

    def take(self, samples: Floats) -> tuple[Floats, Floats]:
        """For each whole window: the largest step of the mean over a cycle, and the middle peak of the line.

        The peak is that at the electrode; NaN where no short fit is possible, or where samples were lost.
        """
        return self._steps(samples), self._peaks(samples)

    def _steps(self, samples: Floats) -> Floats:
        k = self._n_cycle
        is_first = self._past is None
        past = self._past if self._past is not None else np.full(2 * k, _first(samples))
        joined = np.concatenate((past, samples))
        lost = np.isnan(joined)
        if lost.any():
            last = np.maximum.accumulate(np.where(lost, 0, np.arange(len(joined))))
            joined = joined[last]
        self._past = joined[-2 * k :]
        sums = np.cumsum(joined)
        mean = (sums[k:] - sums[:-k]) / k
        step = np.abs(mean[k:] - mean[:-k])
        if is_first:
            step[: 2 * k] = 0.0  # they reach back before the recording
        return np.asarray(windows(step, self._n_window).max(axis=1))

    def _peaks(self, samples: Floats) -> Floats:
        cut = windows(samples, self._n_window)
        if not self._n_part:
            return np.full(len(cut), np.nan)
        n_parts = self._n_window // self._n_part
        parts = cut[:, : n_parts * self._n_part].reshape(-1, self._n_part)
        power = ((parts @ self._projection.T) ** 2).sum(axis=1).reshape(-1, n_parts)
        return np.asarray(np.sqrt(np.median(power, axis=1)) / self._gain)


def leak_of(turn_rad: float, n: int) -> float:
    """What a step of means over `n` samples leaves of a line that turns by `turn_rad` a sample.

    >>> round(leak_of(2 * np.pi / 5, 5), 9)
    0.0
    """
    half = abs(np.sin(n * turn_rad / 2))
    return float(half / max(n * abs(np.sin(turn_rad / 2)), 1e-9) * 2 * half)


def _first(samples: Floats) -> float:
    """The first value that arrived, 0 where none did."""
    here = samples[~np.isnan(samples)]
    return float(here[0]) if len(here) else 0.0
