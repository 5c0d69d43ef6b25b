"""How large a line is, moment by moment, that folds among movement.

In windows of 10 or 12 cycles such a line cannot be told from steps. In windows of some seconds it is narrow,
and over several of them it keeps its phase, which steps do not; and the parts of steps go with one another.
Where it is far larger than steps of that size leave there, it is known at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

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

STEADY, TOGETHER = 0.75, 0.65
"""Mean cosine from which the phase stays, and from which two parts go with one another. Of six independent
phases the mean is that high by chance one time in 30 and in 13 (exp(-6 r^2), Rayleigh)."""

ITS_PHASE, ITS_SIZE = 0.7, 0.25
"""Cosine between a moment's phase and that which stays around it, which a moment must have that is so much
smaller than those around: what is strong later has no say yet."""

OFFSETS_HZ = (-0.04, -0.02, 0.0, 0.02, 0.04)
"""How far mains may stand from its mean frequency for so long (common practice, no source)."""

LEAST_STEP = 0.4
"""Size of another part of steps over the line's, from which it counts, times how far below the line it
stands: parts of steps become smaller the higher they are."""

ALONE = 3.0
"""Size of the line over all lower parts of steps together, from which it is none of theirs."""

RISES, USUAL_S = 2.5, 20.0
"""How far the line exceeds what steps of the same size have there in the 20 s around it, and is a line: less
than half of that time is its own. Steps are of the same size within a factor of 2 (`ALIKE`)."""

ALIKE = 2.0

NARROW = 0.8
"""Part of the power that what stands beside must leave of a line that rises: a jolt is as large there."""

_TINY = np.finfo(float).tiny

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
        t = band.time_s()
        steps = [_smooth(p.band.turned(self.offset_hz * p.part / p.of * t), 0.0, n) for p in self.paces]
        is_narrow = power > NARROW * np.abs(line) ** 2
        known = self._keeps_phase(line, steps, n) | (is_narrow & self._stands_out(line, steps))
        middle = (np.arange(n_out) + 0.5) * n_fast / band.n_hop + 1
        at = np.minimum(np.rint(middle).astype(np.int64), len(line) - 1)
        is_known = known[at]
        if still is not None and len(still):
            starts = np.arange(n_out) * n_fast
            k = np.searchsorted(still.start, starts, side="right") - 1
            is_known |= (k >= 0) & (still.stop[np.maximum(k, 0)] >= starts + n_fast)
        return np.where(is_known, power[at], np.nan)

    def _keeps_phase(self, line: Complexes, steps: Sequence[Complexes], n: int) -> Known:
        """Whether the phase stays, and does not go with that of another part of steps."""
        around = round(AROUND * n)
        known = _stays(line, self.band.time_s(), around)
        for pace, step in zip(self.paces, steps, strict=True):
            angle = pace.part * np.angle(line) - pace.of * np.angle(step)
            together = np.abs(line) * np.abs(step) * np.exp(1j * angle)
            is_small = np.abs(step) * pace.part / pace.of < LEAST_STEP * np.abs(line)
            known &= (np.abs(_mean_phase(together, around)) < TOGETHER) | is_small
        return known

    def _stands_out(self, line: Complexes, steps: Sequence[Complexes]) -> Known:
        """Whether the line is far larger than steps of the size of those at hand leave there."""
        lower = [np.abs(step) for pace, step in zip(self.paces, steps, strict=True) if pace.part < pace.of]
        if not lower:
            return np.zeros(len(line), bool)
        size, step = np.abs(line), np.sqrt(np.sum(np.square(lower), axis=0))
        n_usual = 2 * round(USUAL_S / 2 * self.band.rate_hz) + 1
        share = size / np.maximum(step, _TINY)
        usual = ndimage.median_filter(share, n_usual, mode="nearest")
        usual_step = ndimage.median_filter(step, n_usual, mode="nearest")
        is_alike = (step > usual_step / ALIKE) & (step < usual_step * ALIKE)
        return np.asarray((share > ALONE) | ((share > RISES * usual) & is_alike))


def _smooth(band: Baseband, offset_hz: float, n: int) -> Complexes:
    """Complex amplitude under Hann windows of `n` points around each point."""
    kernel = signal.get_window("hann", n + 1, fftbins=False)
    z = band.z * np.exp(-2j * np.pi * offset_hz * band.time_s())
    weight = np.convolve(band.weight, kernel, "same")[: len(z)]
    total = np.convolve(z, kernel, "same")[: len(z)]
    least = 0.1 * float(weight.max(initial=0.0))
    return np.asarray(np.divide(2 * total, weight, out=np.zeros(len(z), complex), where=weight > least))


def _stays(line: Complexes, time_s: Floats, n: int) -> Known:
    """Whether the `n` values around each keep a phase at some frequency of `OFFSETS_HZ`, and it has that."""
    turned = line * np.exp(-2j * np.pi * np.outer(OFFSETS_HZ, time_s))
    means = np.array([_mean_phase(one, n) for one in turned])
    best = np.argmax(np.abs(means), axis=0)[None]
    mean, own = np.take_along_axis(means, best, 0)[0], np.take_along_axis(turned, best, 0)[0]
    size, kernel = np.abs(line), np.ones(min(n, len(line)))
    around = np.convolve(size**2, kernel, "same") / np.maximum(np.convolve(size, kernel, "same"), _TINY)
    has_say = (size > ITS_SIZE * around) | (np.cos(np.angle(own) - np.angle(mean)) > ITS_PHASE)
    return np.asarray((np.abs(mean) > STEADY) & has_say)


def _mean_phase(values: Complexes, n: int) -> Complexes:
    """The phase that the `n` values around each have, weighed by their size; how much they do, 0 to 1."""
    kernel = np.ones(min(n, len(values)))
    total = np.convolve(values, kernel, "same")
    size = np.convolve(np.abs(values), kernel, "same")
    return np.asarray(total / np.maximum(size, _TINY))
