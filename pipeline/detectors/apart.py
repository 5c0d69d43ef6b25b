"""Level and line of every window apart, one by one, even where the line folds among movement.

Coarser than what :mod:`.linefit` and :mod:`.narrow` make of it, but known in every window: a line of 4 or
10 Hz cannot be told from steps in a single window, while its change at rest can.
"""

import numpy as np

from pipeline.detectors.lines import Line, fold_hz
from pipeline.detectors.phase import Complexes
from pipeline.detectors.windows import Floats, windows

LEAST_TURNS = 0.78
"""A line that turns less within a window is its slope and curvature; so is one so near to half the rate."""

FROM_HALF_HZ = 1.0


class Apart:
    """Least squares of level, slope, curvature and the fundamental in every window."""

    def __init__(self, line: Line, sample_hz: float, n_window: int) -> None:
        self._n = n_window
        t = (np.arange(n_window) - (n_window - 1) / 2) / n_window
        columns = [np.ones(n_window), t, t**2]
        at_hz = fold_hz(line.found_hz or line.nominal_hz, sample_hz)
        self.has_line = LEAST_TURNS * sample_hz / n_window < at_hz < sample_hz / 2 - FROM_HALF_HZ
        if self.has_line:
            turn = 2 * np.pi * at_hz * np.arange(n_window) / sample_hz
            columns += [np.cos(turn), np.sin(turn)]
            self._turn_rad = float(turn[1]) * n_window
        model = np.stack(columns, axis=1)
        self._line = np.linalg.pinv(model)[3:]
        self._of_line = model[:, 3:].mean(axis=0)
        self._taken = 0

    def take(self, samples: Floats) -> tuple[Floats, Complexes]:
        """Mean of each further whole window without the line, and the line's phasor as recorded.

        The phase that a steady line gains from window to window is taken out. NaN where a sample was lost;
        the phasor is NaN throughout where no window can tell it.
        """
        cut = windows(samples, self._n)
        if not self.has_line:
            return cut.mean(axis=1), np.full(len(cut), np.nan, np.complex128)
        waves = cut @ self._line.T
        at = np.arange(self._taken, self._taken + len(cut))
        self._taken += len(cut)
        phasor = (waves[:, 0] - 1j * waves[:, 1]) * np.exp(-1j * self._turn_rad * at)
        return cut.mean(axis=1) - waves @ self._of_line, phasor
