"""Counts as a worn sensor gives them: slow waves with a little noise, other ones in each channel."""

import numpy as np

from pipeline.layouts import Layout

LINE_ROWS = 8


def smooth_counts(layout: Layout, n_frames: int, seed: int = 1) -> list[np.ndarray]:
    """Counts for each of the layout's streams, enough for `n_frames` frames (invented)."""
    rng, made = np.random.default_rng(seed), []
    for stream in layout.streams:
        columns = []
        rows = n_frames * max(*(part.count for part in stream.parts), 1 if layout.framing == "text" else 0)
        rows = rows or n_frames * LINE_ROWS
        t = np.arange(rows) / rows * n_frames
        for part in stream.parts:
            for k, name in enumerate(part.channels):
                channel = next(channel for channel in stream.channels if channel.name == name)
                low, high = _ends(part, channel)
                wave = np.sin(2 * np.pi * t * (0.013 + 0.004 * k) + k) + 0.3 * np.sin(0.9 * t + 2 * k)
                value = (low + high) / 2 + 0.3 * (high - low) * wave
                noise = max((high - low) / 4000, 0.7)
                columns.append(np.rint(value + rng.normal(0, noise, rows)).astype(np.int64))
        made.append(np.stack(columns, axis=1))
    return made


def _ends(part, channel) -> tuple[int, int]:
    if not part.bits:
        return channel.adc_min, channel.adc_max
    bits = min(part.bits, 24)  # no front end gives more than that
    return (0, (1 << bits) - 1) if part.form == "unsigned" else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
