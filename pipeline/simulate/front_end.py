"""From the electrode to the codes: AC coupling, low-pass, rails, sampling, converter. All input-referred."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipeline.layouts import Channel
from pipeline.simulate.body import Array


@dataclass(frozen=True)
class FrontEnd:
    """Amplifier and converter of the field channel, referred to the electrode.

    Attributes
    ----------
    scale_v, offset_v : float
        ``volts = code * scale_v + offset_v``.
    code_min, code_max : int
        Ends of the converter.
    rail_low_v, rail_high_v : float
        Ends of the amplifier.
    ac_corner_hz, lowpass_hz : float
        First order each; the low-pass is the amplifier's own feedback, so that it stands before the rails.
    noise_v : float
        Electrode and amplifier, standard deviation at the sampling rate (common practice, no source).
    knee_v : float
        Height of the knee below a rail, within which the amplifier gives way (common practice, no source).
    """

    scale_v: float
    offset_v: float
    code_min: int
    code_max: int
    rail_low_v: float
    rail_high_v: float
    ac_corner_hz: float | None = 0.16
    lowpass_hz: float | None = 40.0
    noise_v: float = 0.3e-3
    knee_v: float = 0.015

    @staticmethod
    def of_channel(channel: Channel, noise_v: float = 0.3e-3) -> "FrontEnd":
        """The front end of a layout's field channel; rails that it leaves out are the converter's."""
        low = channel.adc_low if channel.amplifier_low is None else channel.amplifier_low
        high = channel.adc_high if channel.amplifier_high is None else channel.amplifier_high
        return FrontEnd(
            channel.scale,
            channel.offset,
            channel.adc_min,
            channel.adc_max,
            low,
            high,
            channel.ac_corner_hz,
            channel.lowpass_hz,
            noise_v,
        )

    @property
    def range_v(self) -> float:
        """Input range of the converter."""
        return (self.code_max - self.code_min + 1) * abs(self.scale_v)


def high_pass(signal: Array, corner_hz: float, step_s: float) -> Array:
    """AC coupling: exact for steps, which decay as exp(-t / tau), tau = 1 / (2 pi corner); starts settled."""
    keep = float(np.exp(-2 * np.pi * corner_hz * step_s))
    out, _ = lfilter([1.0, -1.0], [1.0, -keep], signal, zi=[-signal[0]])
    return np.asarray(out, dtype=np.float64)


def low_pass(signal: Array, corner_hz: float, step_s: float) -> Array:
    """First order, exact for an input held over each step; starts settled."""
    keep = float(np.exp(-2 * np.pi * corner_hz * step_s))
    out, _ = lfilter([1.0 - keep], [1.0, -keep], signal, zi=[keep * signal[0]])
    return np.asarray(out, dtype=np.float64)


def at_rails(signal: Array, low: float, high: float, knee: float) -> Array:
    """An amplifier that follows up to `knee` before a rail, gives way smoothly and never passes the rail."""
    above, below = high - knee, low + knee
    out = np.clip(signal, below, above)
    out += knee * np.tanh(np.maximum(signal - above, 0.0) / knee)
    out -= knee * np.tanh(np.maximum(below - signal, 0.0) / knee)
    return np.asarray(np.clip(out, low, high), dtype=np.float64)


def quantise(
    signal: Array, scale: float, offset: float, code_min: int, code_max: int
) -> npt.NDArray[np.int64]:
    """Nearest code for each value, held at the converter's ends (any shape)."""
    return np.clip(np.rint((signal - offset) / scale), code_min, code_max).astype(np.int64)


def amplify(front: FrontEnd, electrode: Array, step_s: float, every: int, rng: np.random.Generator) -> Array:
    """What stands at the converter at each sample, shape (ceil(n / every),).

    Sampling takes each `every`-th value with no filter of its own: a line above half the sampling rate folds.
    """
    signal = electrode
    if front.ac_corner_hz is not None:
        signal = high_pass(signal, front.ac_corner_hz, step_s)
    if front.lowpass_hz is not None:
        signal = low_pass(signal, front.lowpass_hz, step_s)
    sampled = signal[::every]
    sampled = sampled + front.noise_v * rng.standard_normal(len(sampled))
    return at_rails(sampled, front.rail_low_v, front.rail_high_v, front.knee_v)
