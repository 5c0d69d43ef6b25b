"""From the electrode to the codes: AC coupling, low-pass, rails, sampling, converter. All input-referred."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, lfilter, sosfilt, sosfilt_zi

from pipeline.layouts import Channel
from pipeline.simulate.body import Array


@dataclass(frozen=True)
class FrontEnd:
    """Amplifier and converter of the field channel, referred to the electrode: the gain is in the scale.

    Attributes
    ----------
    scale_v, offset_v : float
        ``volts = code * scale_v + offset_v``.
    code_min, code_max : int
        Ends of the converter.
    rail_low_v, rail_high_v : float
        Ends of the amplifier.
    ac_corner_hz, lowpass_hz : float
        The low-pass is the amplifier's own feedback, so that it stands before the rails.
    noise_v : float
        Electrode and amplifier, standard deviation at the sampling rate (common practice, no source).
    knee_v : float
        Height of the knee below a rail, within which the amplifier gives way (common practice, no source).
    converter_noise_v : float
        What comes in behind the rails, standard deviation (common practice, no source).
    bias_v : float
        Where the output rests, off the middle if the biasing is.
    lowpass_order : int
        1, or 2 for a Butterworth filter.
    slew_v_per_s : float, optional
        The fastest that the output can move (common practice, no source).
    dead : bool
        Nothing reaches the amplifier; its own noise is left.
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
    converter_noise_v: float = 0.0
    bias_v: float = 0.0
    lowpass_order: int = 1
    slew_v_per_s: float | None = None
    dead: bool = False

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

    @property
    def ends_v(self) -> tuple[float, float]:
        """The lowest and the highest value that can come out: the amplifier's ends or the converter's."""
        codes = sorted((self.code_min * self.scale_v, self.code_max * self.scale_v))
        low, high = codes[0] + self.offset_v, codes[1] + self.offset_v
        return max(low, self.rail_low_v), min(high, self.rail_high_v)


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


def second_order(signal: Array, corner_hz: float, step_s: float) -> Array:
    """Butterworth low-pass of second order: 3 dB at its corner, 40 dB a decade above; starts settled."""
    sections = butter(2, corner_hz, fs=1 / step_s, output="sos")
    out, _ = sosfilt(sections, signal, zi=sosfilt_zi(sections) * signal[0])
    return np.asarray(out, dtype=np.float64)


def slewed(signal: Array, most: float) -> Array:
    """Follow a signal with steps of no more than `most` (shape (n,)); what is slower passes unchanged."""
    out = signal.copy()
    fast = np.flatnonzero(np.abs(np.diff(signal)) > most) + 1
    done = 0
    for first in fast.tolist():
        i = max(first, done)
        while i < len(out) and (i == first or out[i - 1] != signal[i - 1]):
            out[i] = out[i - 1] + min(max(signal[i] - out[i - 1], -most), most)
            i += 1
        done = i
    return out


def drive(front: FrontEnd, electrode: Array, step_s: float, every: int) -> Array:
    """What the amplifier would put out without noise and without rails, at each `every`-th step.

    Sampling takes these with no filter of its own: a line above half the sampling rate folds.
    """
    signal = np.zeros_like(electrode) if front.dead else electrode
    if front.ac_corner_hz is not None:
        signal = high_pass(signal, front.ac_corner_hz, step_s)
    if front.lowpass_hz is not None and front.lowpass_order == 2:
        signal = second_order(signal, front.lowpass_hz, step_s)
    elif front.lowpass_hz is not None:
        signal = low_pass(signal, front.lowpass_hz, step_s)
    if front.slew_v_per_s is not None:
        signal = slewed(signal, front.slew_v_per_s * step_s)
    return np.asarray(signal[::every] + front.bias_v if front.bias_v else signal[::every], dtype=np.float64)


def between_rails(front: FrontEnd, driven: Array, rng: np.random.Generator) -> Array:
    """What `drive` gives, with the noise of electrode and amplifier, as far as the rails let it."""
    noisy = driven + front.noise_v * rng.standard_normal(len(driven))
    return at_rails(noisy, front.rail_low_v, front.rail_high_v, front.knee_v)


def converted(front: FrontEnd, out: Array, rng: np.random.Generator) -> Array:
    """The amplifier's output with the noise that comes in behind the rails."""
    if not front.converter_noise_v:
        return out
    return np.asarray(out + front.converter_noise_v * rng.standard_normal(len(out)), dtype=np.float64)
