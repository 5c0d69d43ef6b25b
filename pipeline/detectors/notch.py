"""How much of the mains lies among movement after folding, and whether a notch could take it out.

That, not mains as such, is what spoils a session: a line outside the band of movement is taken away by a
filter that leaves movement alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.detectors.lines import Line, Spectrum, fold_hz, lowpass_gain
from pipeline.layouts import Channel

LEAST_WIDTH_HZ = 0.2
"""Width of a notch for a line that stands still: rings for 5 s, an activity window."""

SPREADS = 6.0
"""Width in standard deviations of the line's frequency over 10 s."""

WIDEST_HZ = 1.0
"""A line that moves further takes a step's whole harmonic with it (steps: 2.00 Hz, SD 0.13, MacDougall and
Moore 2005)."""

CADENCE_HZ = (1.2, 3.5)
"""Steps a second (Tudor-Locke and Rowe 2012)."""

CADENCE_RATIO = 5.0
"""Height of a cadence over the band's median density."""

CADENCE_SPREAD = 0.02
"""How far a cadence wanders, as a share of itself: half of a step's 3 to 4 % (common practice, no source)."""

MULTIPLES = 5
"""Multiples of the cadence that have something to lose."""


@dataclass(frozen=True)
class Notch:
    """Mains in the band of movement, as recorded.

    Attributes
    ----------
    rms : float
        All lines in the band together, in the channel's unit.
    places_hz : tuple of float
        Where they stand.
    width_hz : float
        Of the notches that would take them out, together.
    taken : float
        Share of the movement's power that these would take as well.
    why_not : str
        Why no notch could save the movement; empty where one can, or none is needed.
    """

    rms: float = 0.0
    places_hz: tuple[float, ...] = ()
    width_hz: float = 0.0
    taken: float = 0.0
    why_not: str = ""


def notch_for(
    lines: Sequence[Line], whole: Spectrum, channel: Channel, sample_hz: float, band_hz: tuple[float, float]
) -> Notch:
    """What of the lines found lies in `band_hz`, and what it costs to take it out.

    Parameters
    ----------
    lines : sequence of Line
        The line and its harmonics.
    whole : Spectrum
        Of the whole recording.
    channel : Channel
        Its low-pass has weakened what is recorded.
    sample_hz : float
        Sampling rate.
    band_hz : tuple of float
        The band of movement.
    """
    inside = [
        (fold_hz(line.found_hz, sample_hz), line)
        for line in lines
        if line.found_hz is not None
        and line.rms
        and band_hz[0] <= fold_hz(line.found_hz, sample_hz) <= band_hz[1]
    ]
    if not inside:
        return Notch()
    sizes = [(line.rms or 0.0) * lowpass_gain(channel, line.found_hz or 0.0) for _, line in inside]
    notches = [(at_hz, _width_hz(line)) for at_hz, line in inside]
    rms = float(np.sqrt(np.sum(np.square(sizes))))
    places = tuple(at_hz for at_hz, _ in notches)
    width_hz = math.fsum(width for _, width in notches)
    taken, cadence_hz = _movement_in(whole, notches, band_hz)
    return Notch(rms, places, width_hz, taken, _why_not(notches, cadence_hz))


def _width_hz(line: Line) -> float:
    return max(LEAST_WIDTH_HZ, SPREADS * (line.wander_hz or 0.0))


def _movement_in(
    whole: Spectrum, notches: Sequence[tuple[float, float]], band_hz: tuple[float, float]
) -> tuple[float, float | None]:
    """Share of the movement's power within the notches, by the density beside them; the cadence, if any."""
    frequency = whole.frequency_hz
    bare = whole.density.copy()
    for at_hz, width_hz in notches:
        away = np.abs(frequency - at_hz)
        hidden = away <= max(width_hz / 2, 3 * frequency[1])
        beside = ~hidden & (away <= max(1.5 * width_hz, 6 * frequency[1]))
        bare[hidden] = bare[beside].mean() if beside.any() else 0.0
    band = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    cut = np.zeros(len(frequency), bool)
    for at_hz, width_hz in notches:
        cut |= np.abs(frequency - at_hz) <= width_hz / 2
    total = float(bare[band].sum())
    steps = (frequency >= CADENCE_HZ[0]) & (frequency <= CADENCE_HZ[1])
    cadence_hz = None
    if steps.any() and bare[steps].max() > CADENCE_RATIO * float(np.median(bare[band])):
        cadence_hz = float(frequency[steps][np.argmax(bare[steps])])
    return (float(bare[band & cut].sum()) / total if total else 0.0), cadence_hz


def _why_not(notches: Sequence[tuple[float, float]], cadence_hz: float | None) -> str:
    for at_hz, width_hz in notches:
        if width_hz > WIDEST_HZ:
            return f"the line at {at_hz:.3g} Hz moves through {width_hz:.2g} Hz of the movement band"
        for k in range(1, MULTIPLES + 1):
            if cadence_hz and abs(k * cadence_hz - at_hz) <= width_hz / 2 + CADENCE_SPREAD * k * cadence_hz:
                of = "the cadence" if k == 1 else f"the cadence's {k}-fold"
                return f"the line at {at_hz:.3g} Hz sits on {of}, {k * cadence_hz:.3g} Hz"
    return ""
