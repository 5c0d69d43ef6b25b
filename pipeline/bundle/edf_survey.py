"""What header and annotations of an EDF+ file must know of a recording, found in one pass over it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.recording import BLOCK_ROWS, Recording, to_counts
from schemas.conditions import CONDITIONS

JOINED_S = 1.0
"""Runs of a condition that are less apart are told as one; sample by sample they stand in the quality."""

Columns = dict[str, npt.NDArray[Any]]


@dataclass
class Survey:
    """Of all rows: first sample and its time, samples up to the last, extreme counts, runs by condition.

    Runs are half-open ranges of samples, counted from the first; ``left_out`` are those without a row.
    ``at`` is the sample, counted so, that is the first at a time asked for or after it.
    """

    first: int = 0
    first_s: float = 0.0
    n_samples: int = 0
    low: dict[str, int] = field(default_factory=dict)
    high: dict[str, int] = field(default_factory=dict)
    runs: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    left_out: list[tuple[int, int]] = field(default_factory=list)
    at: dict[float, int] = field(default_factory=dict)


def survey(recording: Recording, times: Iterable[float] = ()) -> Survey:
    """Go through the recording once, block by block; `times` are seconds to find the samples of."""
    found = Survey()
    joined = max(int(JOINED_S * recording.nominal_hz), 1)
    asked = np.unique(np.array(list(times), np.float64))
    names = ["sample", "time_s", *(channel.name for channel in recording.channels), "quality"]
    for block in recording.blocks(names):
        samples = block.columns["sample"]
        time_s = block.columns["time_s"]
        if not found.n_samples:
            found.first, found.first_s = int(samples[0]), float(time_s[0])
        places = samples - found.first
        _add_gaps(found, places)
        for channel in recording.channels:
            _add_extremes(found, channel, block.columns[channel.name])
        for condition in CONDITIONS:
            inside = (block.columns["quality"] & condition.mask) > 0
            if inside.any():
                _add_runs(found.runs.setdefault(condition.name, []), places, inside, joined)
        here = asked[asked <= time_s[-1]]
        found.at |= zip(here.tolist(), places[np.searchsorted(time_s, here)].tolist(), strict=True)
        asked = asked[len(here) :]
        found.n_samples = int(places[-1]) + 1
    found.at |= dict.fromkeys(asked.tolist(), found.n_samples)
    return found


def dense(
    recording: Recording, names: Sequence[str], first: int
) -> Iterator[tuple[int, int, Columns | None]]:
    """Yield (start, stop, columns) of all samples from `first` on; None where rows are left out."""
    at = 0
    for block in recording.blocks(["sample", *names]):
        places = block.columns["sample"] - first
        cuts = np.flatnonzero(np.diff(places) != 1) + 1
        for start, stop in zip([0, *cuts], [*cuts, len(places)], strict=True):
            place = int(places[start])
            for hole in range(at, place, BLOCK_ROWS):
                yield hole, min(hole + BLOCK_ROWS, place), None
            at = place + int(stop - start)
            yield place, at, {name: block.columns[name][start:stop] for name in names}


def _add_gaps(found: Survey, places: npt.NDArray[np.int64]) -> None:
    before = np.concatenate(([found.n_samples - 1], places[:-1]))
    for row in np.flatnonzero(places - before != 1):
        found.left_out.append((int(before[row]) + 1, int(places[row])))


def _add_extremes(found: Survey, channel: Channel, values: npt.NDArray[Any]) -> None:
    there = values[np.isfinite(values)]
    low, high = channel.adc_min, channel.adc_max
    if len(there):
        ends = to_counts(np.array([there.min(), there.max()]), channel)
        low, high = min(low, int(ends.min())), max(high, int(ends.max()))
    found.low[channel.name] = min(low, found.low.get(channel.name, low))
    found.high[channel.name] = max(high, found.high.get(channel.name, high))


def _add_runs(
    runs: list[tuple[int, int]], places: npt.NDArray[np.int64], inside: npt.NDArray[np.bool_], joined: int
) -> None:
    """Append the runs of `inside`, and join those that are near."""
    at = places[inside]
    breaks = np.flatnonzero(np.diff(at) > joined)
    starts = at[np.concatenate(([0], breaks + 1))]
    stops = at[np.concatenate((breaks, [len(at) - 1]))] + 1
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        if runs and start - runs[-1][1] < joined:
            runs[-1] = (runs[-1][0], stop)
        else:
            runs.append((start, stop))
