"""Which signal of an EDF file is which channel of the layout, and what the file's header says of it."""

import math
from dataclasses import dataclass, replace
from typing import Any

from pipeline.checking import did_you_mean
from pipeline.frames.edf_header import Fault, Header
from pipeline.layouts import Channel, Layout, Part, Stream
from pipeline.layouts.units import STANDARD_GRAVITY

ONSET_HZ = 1e6
"""Ticks of a second in the records of EDF+."""

_SAME_RATE = 1e-3
"""The length of a record has eight characters; nearer than this a rate is the one that the layout says."""

_WORTH = {
    "V": {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "\u00b5V": 1e-6, "nV": 1e-9},
    "m/s2": {"m/s2": 1.0, "m/s^2": 1.0, "g": STANDARD_GRAVITY, "[g]": STANDARD_GRAVITY}
    | dict.fromkeys(("mg", "mG", "m[g]"), STANDARD_GRAVITY / 1000),
    "Cel": {"degC": 1.0, "degreeC": 1.0},
}
"""Unit of a channel -> dimension as files write it -> factor to that unit (common practice, no source)."""


@dataclass(frozen=True)
class Fitted:
    """How a file's signals go to a layout's streams.

    Attributes
    ----------
    streams : tuple of Stream
        Those of the layout, with what the header says of their channels; with onsets, ticks are among the
        parts of their frame.
    places : tuple of tuple of int
        For each stream: where its channels stand among the file's signals without annotations.
    has_onsets : bool
        Whether each record says when it begins.
    """

    streams: tuple[Stream, ...]
    places: tuple[tuple[int, ...], ...]
    has_onsets: bool


def fit_signals(header: Header, layout: Layout, first: Fitted | None) -> Fitted | Fault:
    """Find the layout's channels in a file and complete them; say what contradicts the layout.

    `first` is how the first dump of the session fitted: what a count is worth cannot change within it.
    """
    places = _places(header, layout)
    if not isinstance(places, dict):
        return places
    channels = dict[str, Channel]()
    for channel in layout.channels:
        made = _completed(channel, places[channel.name], header)
        if not isinstance(made, Channel):
            return made
        channels[channel.name] = made
    has_onsets = header.kind != "EDF" and bool(header.annotations)
    by_stream = [tuple(places[channel.name] for channel in stream.channels) for stream in layout.streams]
    fitted = Fitted(_streams(layout, channels, has_onsets), tuple(by_stream), has_onsets)
    return _contradiction(fitted, first) or fitted


def _places(header: Header, layout: Layout) -> dict[str, int] | Fault:
    """Where each channel stands among the file's signals; of equal labels each takes its own in order."""
    own = [signal.label.strip() for signal in header.signals]
    wanted = [channel.label or channel.name for channel in layout.channels]
    places = dict[str, int]()
    for k, (channel, label) in enumerate(zip(layout.channels, wanted, strict=True)):
        found = [i for i, other in enumerate(own) if other == label]
        n = wanted.count(label)
        if len(found) != n:
            listed = ", ".join(f"'{other}'" for other in own) or "no signal"
            remedy = did_you_mean(label, own) or "Give the channel the label that the signal has there."
            expected = f"{n} signal{'s' if n > 1 else ''} labelled '{label}', for channel '{channel.name}'"
            return "labels of the signals", expected, f"{len(found)} among {listed}", remedy
        places[channel.name] = found[wanted[:k].count(label)]
    return places


def _completed(channel: Channel, i: int, header: Header) -> Channel | Fault:
    """A channel with its rate held against the header, and its calibration taken from there if need be."""
    signal = header.signals[i]
    where = f"signal '{signal.label}'"
    n, record_s = signal.samples_per_data_record, header.record_s
    if not math.isclose(n / record_s, channel.sample_hz, rel_tol=_SAME_RATE):
        expected = f"{channel.sample_hz:g} Hz, as the layout says of channel '{channel.name}'"
        found = f"{n} samples in records of {record_s:g} s, which is {n / record_s:g} Hz"
        remedy = f"Write sample_hz = {n / record_s:g} there; channels of one samples part share one rate."
        return where, expected, found, remedy
    return _calibrated(channel, signal, where) if channel.from_header else channel


def _calibrated(channel: Channel, signal: Any, where: str) -> Channel | Fault:
    """Scale, offset and end codes: the physical ends belong to the digital ones (EDF 1992)."""
    stated = "Write scale, offset, adc_min and adc_max of the channel in the layout."
    try:
        low, high = signal.digital_min, signal.digital_max
        physical_low, physical_high = signal.physical_min, signal.physical_max
    except ValueError as error:
        return where, "digital and physical ends", str(error), stated
    if not -(1 << 15) <= low < high < 1 << 15:
        return where, "digital ends within 16 bits, the lower one first", f"{low} and {high}", stated
    scale = (physical_high - physical_low) / (high - low)
    if not (scale and math.isfinite(scale)):
        found = f"{physical_low:g} and {physical_high:g}"
        return where, "physical ends that differ", found, stated
    dimension = signal.physical_dimension.replace("\u03bc", "\u00b5")
    worth = {channel.unit: 1.0} | _WORTH.get(channel.unit, {})
    if dimension and dimension not in worth:
        expected = f"a dimension that gives {channel.unit}, such as {', '.join(worth)}"
        return where, expected, f"'{dimension}'", stated
    factor = worth[dimension] if dimension else channel.scale
    offset = (physical_low - low * scale) * factor
    return replace(channel, scale=scale * factor, offset=offset, adc_min=low, adc_max=high)


def _streams(layout: Layout, channels: dict[str, Channel], has_onsets: bool) -> tuple[Stream, ...]:
    """The layout's streams of its only kind of frame, with other channels and, with onsets, ticks."""
    ticks = (Part("ticks", hz=ONSET_HZ),) if has_onsets else ()
    frame = replace(layout.frame, parts=(*ticks, *layout.frame.parts))
    return tuple(
        Stream(frame, stream.parts, tuple(channels[channel.name] for channel in stream.channels))
        for stream in layout.streams
    )


def _contradiction(fitted: Fitted, first: Fitted | None) -> Fault | None:
    """What a later dump of a session says differently from the first."""
    if first is None:
        return None
    if fitted.has_onsets != first.has_onsets:
        kinds = {True: "EDF+, whose records say when they begin", False: "EDF, whose records do not"}
        remedy = "Put dumps of one kind in a session, or convert them to one kind."
        return "byte 192", kinds[first.has_onsets], kinds[fitted.has_onsets], remedy
    for stream, other in zip(fitted.streams, first.streams, strict=True):
        for mine, its in zip(stream.channels, other.channels, strict=True):
            if mine != its:
                expected = f"channel '{its.name}' as in the first dump: {_calibration(its)}"
                remedy = "Make a session of its own of this dump."
                return "header of the signals", expected, _calibration(mine), remedy
    return None


def _calibration(channel: Channel) -> str:
    return (
        f"{channel.scale:g} {channel.unit} a count and {channel.offset:g} at 0, "
        f"codes {channel.adc_min} to {channel.adc_max}"
    )
