"""What was lost of a recording, and what that is on the rows of another one."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.detectors.findings import Spans
from pipeline.recording import Recording

JUDGED_KINDS = frozenset({"field", "acceleration"})
"""A recording without any of these (a temperature, a battery) marks its own losses and decides nothing."""


@dataclass(frozen=True)
class Lost:
    """Rows in which any channel has no value; ``own`` has the channels whose losses are not just these."""

    rows: Spans
    own: Mapping[str, Spans]


def is_judged(recording: Recording) -> bool:
    """Whether what a further recording lost counts in the verdict."""
    return any(channel.kind in JUDGED_KINDS for channel in recording.channels)


def lost_samples(recording: Recording) -> Lost:
    """Look for nulls in all channels; what is hidden is there."""
    recording = replace(recording, hidden=recording.hidden[:0])
    names = [channel.name for channel in recording.channels]
    rows: list[Spans] = []
    own: dict[str, list[Spans]] = {name: [] for name in names}
    for block in recording.blocks(names):
        missing = [np.isnan(block.columns[name]) for name in names]
        anywhere = np.logical_or.reduce(missing)
        if not anywhere.any():
            continue
        rows.append(Spans.of_mask(anywhere, block.start))
        for name, mask in zip(names, missing, strict=True):
            same = rows[-1] if np.array_equal(mask, anywhere) else Spans.of_mask(mask, block.start)
            own[name].append(same)
    whole = Spans.merged(*rows)
    channels = {name: Spans.merged(*pieces) for name, pieces in own.items()}
    return Lost(whole, {name: s for name, s in channels.items() if s.n_samples != whole.n_samples})


def on_rows_of(main: Recording, recording: Recording, spans: Spans) -> Spans:
    """Spans of a recording as spans of another one: the rows that were sampled in the same time."""
    if main is recording:
        return spans
    start_s = recording.clock.time_s(spans.start)
    stop_s = recording.clock.time_s(spans.stop - 1) + 1 / recording.sample_hz
    return Spans.merged(Spans(main.rows_at(start_s), main.rows_at(stop_s))).clipped(0, main.n_rows)


def not_covered(main: Recording, recording: Recording, least_s: float) -> Spans:
    """Rows of `main` before and after all of `recording`; ends that are apart by less count as the same."""
    if main is recording or not main.n_rows:
        return Spans()
    if not recording.n_rows:
        return Spans(np.array([0]), np.array([main.n_rows]))
    begin_s, end_s = recording.ends_s
    first, last = main.rows_at(np.array([begin_s, end_s])).tolist()
    begin = first if begin_s - main.start_s >= least_s else 0
    end = last if main.stop_s - end_s >= least_s else main.n_rows
    return Spans(np.array([0, end]), np.array([begin, main.n_rows])).clipped(0, main.n_rows)
