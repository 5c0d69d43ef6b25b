"""Ramps on which an amplifier moves as fast as it can: an overload that no rail shows.

The steepest part of a smooth signal is the top of its slope, and a top is a parabola; a limit makes the
slope pile up instead. So the differences between samples are searched for rails like the values.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.detectors.findings import Spans
from pipeline.detectors.rails import Rails
from pipeline.detectors.soft_rails import SoftRail, find_soft_rails
from pipeline.layouts import Channel
from pipeline.recording import Block, Recording

LEAST_STEPS = 3
"""Steps of equal size one behind the other that make a ramp."""

LEAST_RATIO = 4.0
"""Steps at a limit over those beside it. Where a rail cuts a sine, the top of its slope loses its sides, and
twice as many lie at it."""

LEAST_RAMPS = 3
NEAR_ROWS = 2
"""So many ramps make a limit, those from rail to rail left out: of a sine ten times as high as the rails only
its straight middle is left."""

ANYWHERE = Rails(-np.inf, np.inf)


@dataclass(frozen=True)
class Slew:
    """Ramps at the amplifier's limits, and these, in the channel's unit a second; None where not met."""

    falling: float | None = None
    rising: float | None = None
    ramps: Spans = field(default_factory=Spans)

    @property
    def limit(self) -> float | None:
        """The smaller size of both."""
        known = [abs(rate) for rate in (self.falling, self.rising) if rate is not None]
        return min(known) if known else None


@dataclass(frozen=True)
class _Differences:
    """The differences between neighbouring samples in place of these."""

    recording: Recording

    @property
    def sample_hz(self) -> float:
        return self.recording.sample_hz

    def blocks(self, columns: Sequence[str]) -> Iterator[Block]:
        last: dict[str, np.ndarray] = {}
        for block in self.recording.blocks(columns):
            steps = {}
            for name in columns:
                value = block.columns[name]
                steps[name] = np.diff(value, prepend=last.get(name, value[:1]))
                last[name] = value[-1:]
            yield Block(block.start, steps)


def find_slew(recording: Recording, channel: Channel, railed: Spans, least_share: float) -> Slew:
    """Look for limits of the slope on either side.

    Parameters
    ----------
    railed : Spans
        Samples at a rail.
    least_share : float
        Share of the range that a step from sample to sample must be at a limit.
    """
    n_codes = channel.adc_max - channel.adc_min
    of_steps = replace(
        channel,
        adc_min=-n_codes,
        adc_max=n_codes,
        offset=0.0,
        amplifier_low=None,
        amplifier_high=None,
        ac_corner_hz=None,
    )
    steps = _Differences(recording)
    found = find_soft_rails(steps, of_steps, ANYWHERE, least_share / 2, LEAST_RATIO)
    if found.low is None and found.high is None:
        return Slew()
    ramps = []
    for block in steps.blocks([channel.name]):
        value = block.columns[channel.name]
        for rail in (found.low, found.high):
            if rail is not None:
                runs = Spans.of_mask(np.abs(value - rail.level) <= 2 * rail.width, block.start)
                long = runs.stop - runs.start >= LEAST_STEPS
                # A step belongs to the samples at both of its ends.
                ramps.append(Spans(runs.start[long] - 1, runs.stop[long]))
    free = _not_between(Spans.merged(*ramps), railed)
    if len(free) < LEAST_RAMPS:
        return Slew()
    hz = recording.sample_hz
    return Slew(_rate(found.low, hz), _rate(found.high, hz), free)


def _not_between(ramps: Spans, railed: Spans) -> Spans:
    """The ramps that do not go from rail to rail."""
    if not len(railed):
        return ramps
    before = np.searchsorted(railed.start, ramps.start, side="right") - 1
    comes = (before >= 0) & (railed.stop[np.maximum(before, 0)] >= ramps.start - NEAR_ROWS)
    after = np.searchsorted(railed.stop, ramps.stop)
    goes = (after < len(railed)) & (
        railed.start[np.minimum(after, len(railed) - 1)] <= ramps.stop + NEAR_ROWS
    )
    keep = ~(comes & goes)
    return Spans(ramps.start[keep], ramps.stop[keep])


def _rate(rail: SoftRail | None, sample_hz: float) -> float | None:
    return None if rail is None else rail.level * sample_hz
