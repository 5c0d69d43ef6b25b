"""Where a field channel is overloaded: at its rails, stated or found, or moving as fast as it can."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.detectors.findings import Spans
from pipeline.detectors.rails import Rails, margin, rails
from pipeline.detectors.settling import TimeConstant, fit_time_constant
from pipeline.detectors.slew import Slew, find_slew
from pipeline.detectors.soft_rails import SoftRails, find_soft_rails
from pipeline.layouts import Channel
from pipeline.recording import Recording

Settings = Mapping[str, float]


@dataclass(frozen=True)
class Overloads:
    """Rails of one field channel and what met them.

    Attributes
    ----------
    channel : Channel
        As the layout states it, with the corner of the AC coupling that recoveries show where it states none.
    rails : Rails
        Where samples count as at a rail, the margin taken off.
    soft : SoftRails
        Those that were found in the data.
    low, high : Spans
        Samples at either rail.
    slew : Slew
        Steepest ramps, where they are the amplifier's.
    n_present : int
        Samples that arrived.
    time_constant : TimeConstant
        Of the AC coupling, fitted where the layout states none.
    """

    channel: Channel
    rails: Rails
    soft: SoftRails
    low: Spans
    high: Spans
    slew: Slew
    n_present: int
    time_constant: TimeConstant

    @property
    def at_rails(self) -> Spans:
        """Samples at any rail."""
        return Spans.merged(self.low, self.high)

    @property
    def all(self) -> Spans:
        """Samples at a rail or on a ramp of the amplifier's."""
        return Spans.merged(self.low, self.high, self.slew.ramps)


def measure_overloads(
    recording: Recording, fresh: Recording, channel: Channel, settings: Settings
) -> Overloads:
    """Find rails, samples at them, ramps, and the time constant of what follows.

    Of rows that repeat others values pile up anywhere: they tell of no rail, though they may stand at one;
    they are lost to the recording ``fresh``.
    """
    limits = settings["saturation.rail_margin_fraction"], settings["saturation.rail_margin_counts"]
    stated = rails(channel, *limits)
    least_share = settings["saturation.least_rail_fraction"]
    soft = find_soft_rails(fresh, channel, stated, least_share)
    inner = soft.within(stated, margin(channel, *limits))
    low, high, n_present = _runs(recording, channel, inner)
    known = TimeConstant(absent="the layout states it")
    if channel.ac_corner_hz is None:
        known = fit_time_constant(recording, channel, low, high, soft.rest)
    if known.tau_s is not None:
        channel = replace(channel, ac_corner_hz=1 / (2 * np.pi * known.tau_s))
    slew = find_slew(fresh, channel, Spans.merged(low, high), settings["saturation.least_slew_fraction"])
    return Overloads(channel, inner, soft, low, high, slew, n_present, known)


def _runs(recording: Recording, channel: Channel, rail: Rails) -> tuple[Spans, Spans, int]:
    lows = list[Spans]()
    highs = list[Spans]()
    n_present = 0
    for block in recording.blocks([channel.name]):
        value = block.columns[channel.name]
        n_present += len(value) - int(np.isnan(value).sum())
        for found, mask in ((lows, value <= rail.low), (highs, value >= rail.high)):
            if mask.any():
                found.append(Spans.of_mask(mask, block.start))
    return Spans.merged(*lows), Spans.merged(*highs), n_present
