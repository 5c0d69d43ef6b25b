"""Faults as the electrode, the amplifier or the converter would make them, on samples in units.

Each takes a stretch of one channel's values and gives it with the fault in it. What an electrode without
contact gives is reckoned from the capacitances of :mod:`pipeline.simulate`: a small gap before the input's
own capacitance lets little of the body through, the bare electrode has mains of its own, and the steady
potential of the contact goes and comes back through the AC coupling.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.lines import lowpass_gain
from pipeline.layouts import Channel
from pipeline.simulate.contact import Contact
from pipeline.simulate.front_end import at_rails, high_pass, low_pass
from pipeline.simulate.mains import Mains
from pipeline.simulate.shapes import window

Floats = npt.NDArray[np.float64]

_EDGE_S = 0.1
_KNEE = 0.004
_HARMONICS = {3: 0.03, 5: 0.02}


@dataclass(frozen=True)
class Stretch:
    """A stretch of one channel that is to get a fault.

    Attributes
    ----------
    values : float64, shape (n,)
        In the channel's unit; NaN where lost.
    time_s : float64, shape (n,)
        From the session's first sample.
    start_s, stop_s : float
        Where the fault is to lie; the stretch may go on behind it.
    channel : Channel
        Whose it is.
    strength : float
        In the unit of the kind.
    mains_hz : float
        Nominal, at the site.
    mains_v : float
        Peak at the electrode that the policy allows.
    rail : float
        Where soft rails lie on this copy, as a share of half the range.
    noise_v : float
        Noise of the amplifier, rms: it stays when less of the body gets through.
    """

    values: Floats
    time_s: Floats
    start_s: float
    stop_s: float
    channel: Channel
    strength: float
    mains_hz: float
    mains_v: float
    rail: float
    noise_v: float = 0.0

    @property
    def half(self) -> float:
        """Half the converter's range."""
        return (self.channel.adc_high - self.channel.adc_low) / 2

    @property
    def middle(self) -> float:
        """Middle of the converter's range."""
        return (self.channel.adc_high + self.channel.adc_low) / 2

    @property
    def base(self) -> float:
        """Where the signal rests."""
        there = self.values[~np.isnan(self.values)]
        return float(np.median(there)) if len(there) else self.middle

    @property
    def inside(self) -> npt.NDArray[np.bool_]:
        """Which samples lie in the fault."""
        return (self.time_s >= self.start_s) & (self.time_s < self.stop_s)

    @property
    def shape(self) -> Floats:
        """1 in the fault and 0 outside, with short edges inside it."""
        edge_s = min(_EDGE_S, (self.stop_s - self.start_s) / 4)
        return window(self.time_s, self.start_s, self.stop_s, edge_s)


def hard_rails(it: Stretch, rng: np.random.Generator) -> Floats:
    """A swing of the strap beyond the converter's range; the converter holds its end codes."""
    moved = it.values + (it.middle - it.base) * it.shape + it.strength * it.half * _swing(it, rng)
    return np.clip(moved, it.channel.adc_low, it.channel.adc_high)


def soft_rails(it: Stretch, rng: np.random.Generator) -> Floats:
    """A swing beyond the amplifier's rails, which the layout states or else lie at ``rail``."""
    low, high = soft_ends(it.channel, it.rail)
    middle, half = (low + high) / 2, (high - low) / 2
    moved = it.values + (middle - it.base) * it.shape + it.strength * half * _swing(it, rng)
    railed = at_rails(moved, low, high, 2 * half * _KNEE)
    count = abs(it.channel.scale)
    railed += 0.4 * count * rng.standard_normal(len(railed))  # what the converter adds behind the rails
    return np.where(it.inside, np.clip(railed, low - count, high + count), it.values)


def soft_ends(channel: Channel, rail: float) -> tuple[float, float]:
    """The amplifier's rails: stated, or at that share of half the range on both sides."""
    middle, half = (channel.adc_high + channel.adc_low) / 2, (channel.adc_high - channel.adc_low) / 2
    low = middle - rail * half if channel.amplifier_low is None else channel.amplifier_low
    high = middle + rail * half if channel.amplifier_high is None else channel.amplifier_high
    return max(low, channel.adc_low), min(high, channel.adc_high)


def stuck(it: Stretch, rng: np.random.Generator) -> Floats:
    """The value at the beginning again and again."""
    first = it.values[it.inside]
    first = first[~np.isnan(first)]
    return np.where(it.inside, first[0] if len(first) else it.values, it.values)


def held(it: Stretch, rng: np.random.Generator) -> Floats:
    """Each so many samples show the first of them, as with a converter read too often."""
    rows = np.arange(len(it.values))
    first = int(np.argmax(it.inside))
    source = first + (rows - first) // round(it.strength) * round(it.strength)
    return np.where(it.inside, it.values[np.clip(source, 0, len(rows) - 1)], it.values)


def zero_filled(it: Stretch, rng: np.random.Generator) -> Floats:
    """Count 0, or the end code nearest to it, instead of samples that a device did not have."""
    count = min(max(0, it.channel.adc_min), it.channel.adc_max)
    return np.where(it.inside, count * it.channel.scale + it.channel.offset, it.values)


def mains(it: Stretch, rng: np.random.Generator) -> Floats:
    """A line off its nominal frequency within EN 50160, with small odd harmonics, through the front end."""
    return it.values + it.strength * it.mains_v * _line(it, rng) * it.shape


def contact_open(it: Stretch, rng: np.random.Generator) -> Floats:
    """The electrode hangs off: so much less of the body, mains of its own, a transient at both ends."""
    return _without_contact(it, rng, it.shape, fresh=True)


def contact_intermittent(it: Stretch, rng: np.random.Generator) -> Floats:
    """Contact comes and goes a few times a second or slower; off for the strength's share of the time."""
    rate_hz = rng.uniform(0.5, 3.0)
    bounds = np.cumsum(rng.exponential(1 / rate_hz, size=(int((it.stop_s - it.start_s) * 12) + 4)) + 0.05)
    of_each = (bounds[:-1] + np.clip(it.strength, 0, 1) * np.diff(bounds)) + it.start_s
    which = np.searchsorted(bounds[:-1] + it.start_s, it.time_s, side="right") - 1
    off = (which >= 0) & (it.time_s < of_each[np.maximum(which, 0)]) & it.inside
    return _without_contact(it, rng, off.astype(np.float64), fresh=True, gap_times=50.0)


def contact_partial(it: Stretch, rng: np.random.Generator) -> Floats:
    """Half of the electrode lifts: less of the body and more mains, without a transient."""
    return _without_contact(it, rng, it.shape, fresh=False)


def contact_drying(it: Stretch, rng: np.random.Generator) -> Floats:
    """The contact dries: less and less of the body to the end of the fault, then it is wetted again."""
    along = np.clip((it.time_s - it.start_s) / (it.stop_s - it.start_s), 0.0, 1.0) * it.shape
    return _without_contact(it, rng, along, fresh=False, geometric=True)


def low_coupling(it: Stretch, rng: np.random.Generator) -> Floats:
    """Soles tie the wearer to ground: movement and mains both go down over seconds, and nothing else."""
    ramp_s = min(3.0, (it.stop_s - it.start_s) / 4)
    passed = np.power(it.strength, -window(it.time_s, it.start_s, it.stop_s, ramp_s))
    return _less(it, passed, rng)


def noise(it: Stretch, rng: np.random.Generator) -> Floats:
    """White noise of that share of the range, rms."""
    return it.values + 2 * it.half * it.strength * rng.standard_normal(len(it.values))


def _swing(it: Stretch, rng: np.random.Generator) -> Floats:
    """One or both sides, one to three times a second, of height 1; a short one is half a wave."""
    lasts_s = it.stop_s - it.start_s
    hz = max(rng.uniform(1.2, 3.0), 0.5 / lasts_s)
    wave = np.sin(2 * np.pi * hz * (it.time_s - it.start_s))
    if rng.random() < 0.5:
        wave = np.abs(wave)
    return np.where(it.inside, wave * rng.choice([-1.0, 1.0]), 0.0)


def _line(it: Stretch, rng: np.random.Generator) -> Floats:
    """What a line of height 1 at the electrode becomes in the samples, which fold it by themselves."""
    hz = it.mains_hz * (1 + rng.uniform(-0.004, 0.004))
    wave = np.zeros(len(it.time_s))
    for order, share in {1: 1.0, **_HARMONICS}.items():
        phase = rng.uniform(0, 2 * np.pi)
        passed = _passed(it.channel, order * hz)
        wave += share * passed * np.sin(2 * np.pi * order * hz * it.time_s + phase)
    return wave


def _passed(channel: Channel, hz: float) -> float:
    """How much of a line the front end lets through, first order each."""
    high = 1.0 if channel.ac_corner_hz is None else 1 / np.hypot(1, channel.ac_corner_hz / hz)
    return float(lowpass_gain(channel, hz) * high)


def _without_contact(
    it: Stretch,
    rng: np.random.Generator,
    off: Floats,
    *,
    fresh: bool,
    geometric: bool = False,
    gap_times: float = 0.0,
) -> Floats:
    """The signal where contact is gone by the share `off` of each sample (0 to 1).

    ``gap_times``, where given, is by how much less gets through without contact; else the strength is.
    """
    less = gap_times or it.strength
    passed: Floats = np.power(less, -off) if geometric else 1 - off * (1 - 1 / less)
    contact, supply = Contact(), Mains()
    # A bare electrode's stray capacitance to the line, and the input's to sensor ground (simulate.contact).
    stray = supply.electrode_farad * np.exp(rng.uniform(-1.5, 1.5))
    own_mains_v = np.sqrt(2) * supply.rms_v * stray / (contact.input_farad + contact.gap_farad)
    values: Floats = _less(it, passed, rng)
    values = values + own_mains_v * _line(it, rng) * off * (1 - 1 / less)
    return np.asarray(values + _transients(it, off, contact, rng)) if fresh else np.asarray(values)


def _less(it: Stretch, passed: Floats, rng: np.random.Generator) -> Floats:
    """So much of the signal as gets through to the amplifier, whose own noise stays what it was."""
    own = it.noise_v * np.sqrt(1 - np.clip(passed, 0, 1) ** 2) * rng.standard_normal(len(passed))
    return np.asarray(it.base + (it.values - it.base) * passed + own)


def _transients(it: Stretch, off: Floats, contact: Contact, rng: np.random.Generator) -> Floats:
    """The contact's steady potential goes, and comes back with more, through the front end."""
    step_s = 1 / it.channel.sample_hz
    potential = contact.skin_potential_v * rng.uniform(0.2, 1.2)
    source = -potential * off
    again = np.flatnonzero(np.diff(off) < -0.5)
    for at in again[-1:].tolist():  # the last one: between, the contact has no time to become fresh
        since_s = np.maximum(it.time_s - it.time_s[at + 1], 0.0)
        source += (
            (it.time_s >= it.time_s[at + 1])
            * contact.fresh_potential_v
            * 0.5
            * np.exp(-since_s / contact.fresh_s)
        )
    if it.channel.ac_corner_hz is not None:
        source = high_pass(source, it.channel.ac_corner_hz, step_s)
    if it.channel.lowpass_hz is not None and it.channel.lowpass_hz < it.channel.sample_hz / 2:
        source = low_pass(source, it.channel.lowpass_hz, step_s)
    return source
