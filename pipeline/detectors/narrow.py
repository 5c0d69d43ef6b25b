"""How large a line is, moment by moment, that folds among movement.

In windows of 10 or 12 cycles such a line cannot be told from steps. In windows of some seconds it is narrow,
and over several of them it keeps its phase, which steps do not; and the parts of steps go with one another.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

from pipeline.detectors.findings import Spans
from pipeline.detectors.phase import Baseband, Complexes
from pipeline.detectors.windows import Floats

LONG_S = 3.0
"""IEC 61000-4-30: 150 or 180 cycles, the aggregation of the basic windows."""

SHORT_S = 1.5
FAST_LINE_HZ = 8.0
"""Steps have little from here on (4th multiple of 2.0 a second), so that shorter windows tell."""

AROUND = 6.0
"""Over how many windows the phase must stay."""

STEADY, TOGETHER = 0.75, 0.6
"""Mean cosine from which the phase stays, and from which two parts go with one another. Of six independent
phases the mean is that high by chance one time in 30 and in 9 (exp(-6 r^2), Rayleigh)."""

OFFSETS_HZ = (-0.04, -0.02, 0.0, 0.02, 0.04)
"""How far mains may stand from its mean frequency for so long (common practice, no source)."""

LEAST_STEP = 0.4
"""Size of another part of steps over the line's, from which it counts, times how far below the line it
stands: parts of steps become smaller the higher they are."""

Known = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Pace:
    """The baseband at part/of of a line's frequency: steps have another part there if the line is of them."""

    part: int
    of: int
    band: Baseband


@dataclass(frozen=True)
class NarrowLine:
    """A line among movement, and what tells it from steps.

    ``gain`` is what the low-pass left of it, ``offset_hz`` how far it stands from the baseband's 0 Hz.
    """

    band: Baseband
    offset_hz: float
    gain: float
    paces: Sequence[Pace] = ()

    def power(self, n_fast: int, n_out: int, still: Spans | None) -> Floats:
        """Squared peak amplitude as recorded in each fast window; NaN where it may be that of steps."""
        band = self.band.turned(self.offset_hz * self.band.time_s())
        window_s = LONG_S if self.band.at_hz < FAST_LINE_HZ else SHORT_S
        n = max(4, round(window_s * band.rate_hz))
        line = _smooth(band, 0.0, n)
        sides = [k / window_s for k in (-4, -2, 2, 4) if abs(k / window_s) < 1.4]
        beside = np.mean([np.abs(_smooth(band, side_hz, n)) ** 2 for side_hz in sides], axis=0)
        power = np.maximum(np.abs(line) ** 2 - beside, 0.0)
        known = self._is_line(line, n)
        middle = (np.arange(n_out) + 0.5) * n_fast / band.n_hop + 1
        at = np.minimum(np.rint(middle).astype(np.int64), len(line) - 1)
        is_known = known[at]
        if still is not None and len(still):
            starts = np.arange(n_out) * n_fast
            k = np.searchsorted(still.start, starts, side="right") - 1
            is_known |= (k >= 0) & (still.stop[np.maximum(k, 0)] >= starts + n_fast)
        return np.where(is_known, power[at], np.nan)

    def _is_line(self, line: Complexes, n: int) -> Known:
        """Whether the phase stays, and does not go with that of another part of steps."""
        around = round(AROUND * n)
        t = self.band.time_s()
        steady = [_mean_cosine(line * np.exp(-2j * np.pi * hz * t), around) for hz in OFFSETS_HZ]
        known = np.max(steady, axis=0) > STEADY
        for pace in self.paces:
            ratio = pace.part / pace.of
            step = _smooth(pace.band.turned(self.offset_hz * ratio * t), 0.0, n)
            angle = pace.part * np.angle(line) - pace.of * np.angle(step)
            together = np.abs(line) * np.abs(step) * np.exp(1j * angle)
            is_small = np.abs(step) * ratio < LEAST_STEP * np.abs(line)
            known &= (_mean_cosine(together, around) < TOGETHER) | is_small
        return np.asarray(known)


def _smooth(band: Baseband, offset_hz: float, n: int) -> Complexes:
    """Complex amplitude under Hann windows of `n` points around each point."""
    kernel = signal.get_window("hann", n + 1, fftbins=False)
    z = band.z * np.exp(-2j * np.pi * offset_hz * band.time_s())
    weight = np.convolve(band.weight, kernel, "same")[: len(z)]
    total = np.convolve(z, kernel, "same")[: len(z)]
    least = 0.1 * float(weight.max(initial=0.0))
    return np.asarray(np.divide(2 * total, weight, out=np.zeros(len(z), complex), where=weight > least))


def _mean_cosine(values: Complexes, n: int) -> Floats:
    """How much the `n` values around each have one phase, weighed by their size: 0 to 1."""
    kernel = np.ones(min(n, len(values)))
    total = np.abs(np.convolve(values, kernel, "same"))
    size = np.convolve(np.abs(values), kernel, "same")
    return np.asarray(total / np.maximum(size, np.finfo(float).tiny))
