"""Lines fitted in every window of 10 or 12 cycles at once."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.lines import SLOW_LINE_HZ, Line, fold_hz, lowpass_gain, strongest_hz
from pipeline.detectors.phase import Complexes
from pipeline.detectors.windows import Floats, windows
from pipeline.layouts import Channel

LIKE, AGREES_RAD = 0.5, 0.5
"""How alike in size and phase a line is from one window to the next: jolts, whose phases are anything, agree
twice in a row one time in forty."""


@dataclass(frozen=True)
class Fitted:
    """What lines make of each window; NaN where a window holds a lost sample.

    ``level`` is the fit's level in the middle of the window, ``peak`` the amplitude of all lines together at
    the electrode, ``residue_rms`` what they do not explain, ``lead`` whether the lines as recorded carry more
    power than that, or go on from window to window. ``waves`` has, for every sample of the windows, the lines
    as recorded (0 where unknown), ``powers`` (windows, lines) the squared amplitude of each as recorded.
    ``phasor`` is the complex amplitude of the fundamental at the electrode, turned back to the first window;
    NaN where it is not fitted.
    """

    level: Floats
    peak: Floats
    residue_rms: Floats
    lead: npt.NDArray[np.bool_]
    waves: Floats
    powers: Floats
    phasor: Complexes


@dataclass(frozen=True)
class LineFit:
    """Least squares of level, slope, curvature and lines in every window at once.

    ``projection`` (parameters, samples) gives the coefficients, ``model`` (samples, parameters) the fit;
    the coefficients behind the first three are cosine and sine of each line, of which the low-pass left
    ``gain`` (lines,); ``harmonics`` are their orders, ``turn_rad`` how far the first turns in a window.
    """

    n_window: int
    projection: Floats
    model: Floats
    gain: Floats
    harmonics: tuple[int, ...]
    turn_rad: float

    @property
    def fundamental(self) -> bool:
        """Whether the first of the lines is the fundamental."""
        return self.harmonics[:1] == (1,)

    def apply(self, samples: Floats, at_rail: npt.NDArray[np.bool_]) -> Fitted:
        """Fit every whole window of `samples`; `at_rail` says which windows have samples at a rail.

        Harmonics are not counted there: clipping makes its own.
        """
        cut = windows(samples, self.n_window)
        coefficients = cut @ self.projection.T
        level = coefficients[:, 0]
        residue = cut - coefficients @ self.model.T
        freedom = max(self.n_window - self.model.shape[1], 1)
        left = (residue**2).sum(axis=1) / freedom
        power = (coefficients[:, 3::2] ** 2) + (coefficients[:, 4::2] ** 2)
        powers = power.copy()
        waves = np.nan_to_num(coefficients[:, 3:] @ self.model[:, 3:].T).reshape(-1)
        if self.fundamental:
            power[at_rail, 1:] = 0.0
        recorded, true = power.sum(axis=1), (power / self.gain**2).sum(axis=1)
        if not len(self.gain):
            true = np.full(len(cut), np.nan)
        phasor = self._phasor(coefficients)
        lead = (recorded / 2 > left) | self._goes_on(phasor)
        return Fitted(level, np.sqrt(true), np.sqrt(left), lead, waves, powers, phasor)

    def _phasor(self, coefficients: Floats) -> Complexes:
        """Complex amplitude of the fundamental in each window, without the phase that a steady one gains."""
        if not self.fundamental:
            return np.full(len(coefficients), np.nan, complex)
        turned = np.exp(-1j * self.turn_rad * np.arange(len(coefficients)))
        return np.asarray((coefficients[:, 3] - 1j * coefficients[:, 4]) * turned / self.gain[0])

    def _goes_on(self, phasor: Complexes) -> npt.NDArray[np.bool_]:
        """Windows in which the fundamental goes on from the one before and in the next, in phase and size.

        Under strong movement, at a rail or while contact chatters mains explains less than half of the power,
        and is there all the same.
        """
        goes_on = np.zeros(len(phasor), bool)
        if not self.fundamental or len(phasor) < 3:
            return goes_on
        size = np.abs(phasor)
        step = phasor[1:] * phasor[:-1].conj()
        like = np.minimum(size[1:], size[:-1]) > LIKE * np.maximum(size[1:], size[:-1])
        agrees = like & (np.abs(np.angle(step)) < AGREES_RAD)
        goes_on[1:-1] = agrees[1:] & agrees[:-1]
        return goes_on


def fit_for(lines: Sequence[Line], channel: Channel, sample_hz: float, n_window: int) -> LineFit:
    """The fit for the lines that were found, or could be, in a channel; not those among movement."""
    # A harmonic that the whole recording does not show would only add noise to every window.
    usable = [line for line in lines if line.assessable and (line.harmonic == 1 or line.rms is not None)]
    found_hz = strongest_hz(usable)
    t = (np.arange(n_window) - (n_window - 1) / 2) / n_window
    columns = [np.ones(n_window), t, t**2]
    taken: list[float] = []
    gains: list[float] = []
    harmonics: list[int] = []
    resolution_hz = 0.8 * sample_hz / n_window
    for line in usable:
        true_hz = (found_hz or line.nominal_hz) * line.harmonic
        at_hz, gain = fold_hz(true_hz, sample_hz), lowpass_gain(channel, true_hz)
        if at_hz < SLOW_LINE_HZ:
            continue
        too_near = any(abs(at_hz - other) < resolution_hz for other in taken)
        if too_near or len(columns) + 2 > 0.6 * n_window:
            continue
        taken.append(at_hz)
        gains.append(gain)
        harmonics.append(line.harmonic)
        phase = 2 * np.pi * at_hz * np.arange(n_window) / sample_hz
        columns += [np.cos(phase), np.sin(phase)]
    model = np.stack(columns, axis=1)
    turn_rad = 2 * np.pi * taken[0] * n_window / sample_hz if taken else 0.0
    return LineFit(n_window, np.linalg.pinv(model), model, np.array(gains), tuple(harmonics), turn_rad)
