"""Counts to SI units and back, without losing a count."""

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel

Values = npt.NDArray[np.float32] | npt.NDArray[np.float64]


def stored_type(channel: Channel) -> str:
    """The narrower of ``float32`` and ``float64`` that gives every count of the channel back.

    A float32 carries 24 significant bits: rounding moves a value by less than half a count only while
    the value itself, measured in counts, stays within 2^23 (IEEE 754-2019, binary32). An offset that is
    no whole number of counts takes up part of that half, so half the range is kept in reserve.
    """
    reach_counts = max(abs(channel.adc_low), abs(channel.adc_high)) / abs(channel.scale)
    limit_counts = 2.0**23 if channel.offset == 0 else 2.0**22
    return "float32" if reach_counts <= limit_counts else "float64"


def to_units(counts: npt.NDArray[np.integer], channel: Channel) -> Values:
    """``count * scale + offset`` in the channel's unit, same shape, in the stored type."""
    values = counts.astype(np.float64)
    values *= channel.scale
    values += channel.offset
    return values.astype(stored_type(channel))


def to_counts(values: Values, channel: Channel) -> npt.NDArray[np.int64]:
    """The counts from which `values` were made, exactly; same shape. Values must be finite."""
    return np.rint((values.astype(np.float64) - channel.offset) / channel.scale).astype(np.int64)
