"""Channels that are one, whose samples resemble those a cycle of mains before."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.finder.fit import Fit
from pipeline.layouts import Layout, Part

_MAINS_HZ = (50.0, 60.0)
_NEAR_MAINS = 0.02
_SLOW_ROWS = 16
_TOGETHER = 0.9
_MOST_ROWS = 1 << 16


def with_one_channel(read: Fit) -> Layout:
    """The layout with channels as one that go slowly up and down together, once in each cycle of mains."""
    layout = read.layout
    for frames in read.streams:
        counts = frames.counts.read(0, min(frames.counts.n_rows, _MOST_ROWS)).astype(np.float64)
        first = 0
        for part in frames.stream.parts:
            own = counts[:, first : first + len(part.channels)]
            first += len(part.channels)
            if _is_at_mains(part, frames.stream.sample_hz) and _go_together(own):
                layout = _as_one(layout, part, frames.stream.sample_hz)
    return layout


def _is_at_mains(part: Part, sample_hz: float) -> bool:
    cycles = [mains_hz / sample_hz for mains_hz in _MAINS_HZ]
    near = any(n > 1 - _NEAR_MAINS and abs(n - round(n)) < _NEAR_MAINS for n in cycles)
    return near and len(part.channels) > 1 and part.arrangement == "interleaved" and part.count > 0


def _go_together(counts: npt.NDArray[np.float64]) -> bool:
    n = len(counts) // _SLOW_ROWS
    if n < _SLOW_ROWS:
        return False
    slow = counts[: n * _SLOW_ROWS].reshape(n, _SLOW_ROWS, -1).mean(axis=1)
    return bool(slow.std(axis=0).all()) and float(np.corrcoef(slow.T).min()) > _TOGETHER


def _as_one(layout: Layout, part: Part, sample_hz: float) -> Layout:
    n = len(part.channels)
    one = replace(part, channels=part.channels[:1], count=part.count * n)
    frames = tuple(
        replace(frame, parts=tuple(one if own is part else own for own in frame.parts))
        for frame in layout.frames
    )
    gone = set(part.channels[1:])
    channels = tuple(
        replace(channel, sample_hz=sample_hz * n) if channel.name == part.channels[0] else channel
        for channel in layout.channels
        if channel.name not in gone
    )
    hz = max(channel.sample_hz for channel in channels)
    return replace(layout, frames=frames, channels=channels, sample_hz=hz)
