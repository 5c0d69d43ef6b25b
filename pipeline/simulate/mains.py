"""The mains: a drifting line with small odd harmonics, and how closely it couples to the wearer."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.simulate.body import Array, Body, coupled_v
from pipeline.simulate.shapes import slow_noise, window


@dataclass(frozen=True)
class Beside:
    """A stretch beside something fed by the mains, such as a kiln, or with a lamp switched on.

    A wearer comes near within ``edge_s``; a lamp is on within a cycle or so.
    """

    start_s: float
    stop_s: float
    coupling_farad: float
    edge_s: float = 1.0


@dataclass(frozen=True)
class Mains:
    """The supply and its stray capacitances.

    Attributes
    ----------
    rms_v, nominal_hz : float
        Supply.
    frequency_sd_hz : float
        Slow wander; EN 50160 allows 49.5-50.5 Hz in 99.5 % of a year, the usual wander is far smaller.
    harmonics : mapping of int to float
        Order and share of the line. EN 50160 limits: 3rd 5 %, 5th 6 %, 7th 5 %.
    coupling_farad : float
        Mains to body: hundredths of a pF to a few pF (Haberman, Cassino and Spinelli 2011).
    electrode_farad : float
        Mains to the bare electrode, which matters only once it is off the skin (common practice, no source).
    beside : tuple of Beside
        Stretches of closer coupling.
    """

    rms_v: float = 230.0
    nominal_hz: float = 50.0
    frequency_sd_hz: float = 0.015
    harmonics: Mapping[int, float] = field(default_factory=lambda: {3: 0.02, 5: 0.015, 7: 0.008})
    coupling_farad: float = 0.1e-12
    electrode_farad: float = 0.8e-15
    beside: tuple[Beside, ...] = ()


def line_v(mains: Mains, time_s: Array, rng: np.random.Generator) -> Array:
    """Potential of the line at each of `time_s` (equally spaced, shape (n,))."""
    step_s = float(time_s[1] - time_s[0])
    wander_hz = mains.frequency_sd_hz * slow_noise(time_s, 10.0, rng)
    phase = 2 * np.pi * (np.cumsum(mains.nominal_hz + wander_hz) * step_s + rng.random())
    peak_v = np.sqrt(2) * mains.rms_v * (1 + 0.01 * slow_noise(time_s, 5.0, rng))
    wave = np.sin(phase)
    for order, share in mains.harmonics.items():
        wave += share * np.sin(order * phase + rng.uniform(0, 2 * np.pi))
    return np.asarray(peak_v * wave, dtype=np.float64)


def coupling(mains: Mains, time_s: Array) -> Array:
    """Mains to body at each of `time_s`, in farad."""
    farad = np.full(len(time_s), mains.coupling_farad)
    for near in mains.beside:
        within = slice(*np.searchsorted(time_s, [near.start_s, near.stop_s]))
        share = window(time_s[within], near.start_s, near.stop_s, near.edge_s)
        farad[within] += (near.coupling_farad - mains.coupling_farad) * share
    return farad


def peak_at_electrode_v(mains: Mains, body: Body, coupling_farad: float) -> float:
    """Peak of the line between skin and sensor ground, wearer standing and floating."""
    return float(np.sqrt(2)) * coupled_v(mains.rms_v, coupling_farad, body.standing_farad) * body.seen
