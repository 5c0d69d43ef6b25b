"""Somebody else, charged, walks past: the field moves and the wearer does not."""

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.body import Array
from pipeline.simulate.shapes import paced, ramp


@dataclass(frozen=True)
class Passer:
    """A person at `nearest_s` closest to the wearer.

    ``potential_v`` lies above the 100 V that ANSI/ESD S20.20 wants for a walking person in a protected area,
    as it does on ordinary floors. ``coupling_farad`` between two bodies at arm's length, and the width of
    the passage ``lasts_s``, are common practice, no source.
    """

    nearest_s: float
    potential_v: float = 180.0
    coupling_farad: float = 6e-12
    lasts_s: float = 6.0
    rate_hz: float = 1.9


def passer_coupling(passer: Passer, time_s: Array) -> Array:
    """Passer to wearer in farad at each of `time_s`; nothing outside `lasts_s`."""
    away = 2 * np.abs(time_s - passer.nearest_s) / passer.lasts_s
    return np.asarray(passer.coupling_farad * ramp(1 - away), dtype=np.float64)


def passer_v(passer: Passer, time_s: Array, rng: np.random.Generator) -> Array:
    """Potential of the passer, which moves with the passer's own steps."""
    start_s, stop_s = passer.nearest_s - passer.lasts_s, passer.nearest_s + passer.lasts_s
    beats_s = paced(start_s, stop_s, passer.rate_hz, 0.03, rng)
    beat = np.interp(time_s, beats_s, np.arange(len(beats_s), dtype=np.float64))
    return np.asarray(passer.potential_v * (1 + 0.2 * np.sin(2 * np.pi * beat)), dtype=np.float64)
