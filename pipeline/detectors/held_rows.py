"""Where rows are held: every channel repeats the row before far more often than by chance."""

from dataclasses import dataclass

import numpy as np

from pipeline.detectors.findings import Spans
from pipeline.detectors.repeats import Repeats
from pipeline.detectors.runs import Ints
from pipeline.detectors.tracks import Settings
from pipeline.recording import Recording

BY_CHANCE = 3.0
"""Repeats count as held from so many times what chance gives."""

LEAST_REPEATS = 8


@dataclass(frozen=True)
class Stretch:
    """Rows [start, stop), in which ``n_held`` repeat the row before."""

    start: int
    stop: int
    n_held: int

    @property
    def share(self) -> float:
        """Of its rows."""
        return self.n_held / (self.stop - self.start)


def held_stretches(recording: Recording, repeats: Repeats, settings: Settings) -> tuple[Stretch, ...]:
    """Stretches in which at least the policy's share of the rows is held.

    Seconds tell roughly where; rows are read again there alone.
    """
    least = settings["dropout.held_share"]
    held = repeats.row_pairs - repeats.row_changes
    window = (held >= BY_CHANCE * (repeats.by_chance + 1)) & (held >= least / 2 * repeats.row_pairs)
    if not window.any():
        return ()
    wide = window.copy()
    wide[1:] |= window[:-1]
    wide[:-1] |= window[1:]
    near = Spans.of_mask(wide).stretched(repeats.n_window).clipped(0, recording.n_rows)
    known = Spans.merged(repeats.filled.spans, repeats.echoes)
    found = []
    for rows in _repeating(recording, repeats, near):
        rows = rows[~known.mask(int(rows[0]), int(rows[-1]) + 1)[rows - rows[0]]]
        found += _clusters(rows, least)
    return tuple(found)


def _clusters(rows: Ints, least: float) -> list[Stretch]:
    """Stretches of rows that repeat, cut where they are rarer than the least share makes likely."""
    if not len(rows):
        return []
    cuts = np.flatnonzero(np.diff(rows) > 10 / least) + 1
    found = []
    for some in np.split(rows, cuts):
        stretch = Stretch(int(some[0]) - 1, int(some[-1]) + 1, len(some))
        if len(some) >= LEAST_REPEATS and stretch.share >= least:
            found.append(stretch)
    return found


def _repeating(recording: Recording, repeats: Repeats, near: Spans) -> list[Ints]:
    """Rows in each span of `near` that repeat the row before in every channel."""
    names = [channel.name for channel in repeats.channels]
    found = []
    for start, stop in zip(near.start.tolist(), near.stop.tolist(), strict=True):
        columns = recording.read(names, max(start - 1, 0), stop)
        lost = np.logical_or.reduce([np.isnan(column) for column in columns.values()])
        rows = np.flatnonzero(~lost) + max(start - 1, 0)
        same = np.ones(max(len(rows) - 1, 0), bool)
        for column in columns.values():
            here = column[~lost]
            same &= here[1:] == here[:-1]
        if same.any():
            found.append(rows[1:][same].astype(np.int64))
    return found


def bridged(repeats: Repeats) -> Spans:
    """Rows that a run of equal ones adds to the first of it, where chance does not explain the run."""
    runs = repeats.row_runs
    return Spans(runs.start + 1, runs.stop)
