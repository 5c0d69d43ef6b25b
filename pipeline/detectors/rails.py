"""Where a channel counts as saturated, by what its layout states."""

from dataclasses import dataclass

from pipeline.layouts import Channel


@dataclass(frozen=True)
class Rails:
    """Where a channel counts as saturated: at or below ``low``, at or above ``high`` (channel's unit)."""

    low: float
    high: float


def margin(channel: Channel, fraction: float, counts: float) -> float:
    """How far from a rail a value still stands at it: a share of the range, or counts (channel's unit).

    Half a count of slack: values are stored rounded, and a code on the bound is meant to count.
    """
    scale = abs(channel.scale)
    return max(fraction * (channel.adc_high - channel.adc_low), counts * scale) + 0.5 * scale


def rails(channel: Channel, margin_fraction: float, margin_counts: float) -> Rails:
    """The inner one of converter and amplifier rail at each end, moved inwards by the margin."""
    slack = margin(channel, margin_fraction, margin_counts)
    lows = [channel.adc_low, *([] if channel.amplifier_low is None else [channel.amplifier_low])]
    highs = [channel.adc_high, *([] if channel.amplifier_high is None else [channel.amplifier_high])]
    return Rails(max(lows) + slack, min(highs) - slack)
