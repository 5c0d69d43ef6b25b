"""How much noise is left where values pile up: behind a rail only that of the converter."""

from collections.abc import Iterator

import numpy as np

from pipeline.detectors.findings import Spans
from pipeline.detectors.visits import Band, Samples
from pipeline.detectors.windows import Floats
from pipeline.layouts import Channel

LEAST_RUN = 8
"""Samples in a row within the band of which the noise is taken: fewer are the flanks of a peak."""

WINDOW_S = 0.2
QUIET = 20.0
"""Windows of the noise elsewhere, and their percentile: most of the others hold movement."""

CODES = 2.0
"""Noise of fewer codes than this is the converter's own everywhere."""


def noise_share(samples: Samples, channel: Channel, band: Band) -> float | None:
    """Noise within a band over that of quiet moments elsewhere.

    Returns
    -------
    float or None
        Ratio of mean absolute second differences, which neither level nor slope enter; None where no run
        stays in the band, or all noise is the converter's.
    """
    n = max(LEAST_RUN, round(WINDOW_S * samples.sample_hz))
    inside: list[Floats] = []
    elsewhere: list[Floats] = []
    for value in _blocks(samples, channel.name):
        bend = np.abs(np.diff(value, 2))
        depth = band.sign * (band.edge - value)
        is_in = (depth >= 0) & (depth <= band.width)
        runs = Spans.of_mask(is_in)
        long = runs.where(runs.stop - runs.start >= LEAST_RUN)
        # The first and the last sample of a run may still be on their way.
        inside.append(bend[Spans(long.start + 1, long.stop - 3).mask(0, len(bend))])
        n_windows = len(bend) // n
        clear = np.where(is_in[: n_windows * n], np.nan, bend[: n_windows * n]).reshape(-1, n)
        elsewhere.append(clear.mean(axis=1))
    there, beside = np.concatenate(inside), np.concatenate(elsewhere)
    there, beside = there[~np.isnan(there)], beside[~np.isnan(beside)]
    if not len(there) or not len(beside):
        return None
    quiet = float(np.percentile(beside, QUIET))
    return float(there.mean()) / quiet if quiet > CODES * abs(channel.scale) else None


def _blocks(samples: Samples, name: str) -> Iterator[Floats]:
    for block in samples.blocks([name]):
        if len(block.columns[name]) > LEAST_RUN:
            yield block.columns[name].astype(np.float64)
