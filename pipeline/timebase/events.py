"""Frames that come at no rate, on the clock of the main stream."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frames import Frames
from pipeline.layouts import Channel
from pipeline.timebase.aligned import rows_at
from pipeline.timebase.grid import Bools, Counts, Grid, JoinedGrid
from pipeline.timebase.ledgers import Settled
from pipeline.timebase.sequence import Floats, Ints
from pipeline.timebase.times import Anchor, seconds_of

_SAME_S = 60.0
_AT_ONCE_S = 1.0


@dataclass(frozen=True)
class Events:
    """The event frames of one stream, in the order of time; frames of several rows count as several.

    Attributes
    ----------
    kind : str
        The name of the kind of frame.
    channels : tuple of Channel
        The columns of the counts.
    time_s : float64, shape (n,)
        Seconds since row 0 of the main grid; negative before it.
    row : int64, shape (n,)
        The main grid's row that is nearest in time.
    counts : integers, shape (n, channels)
        As decoded.
    frames, frame : Frames, int64 of shape (n,)
        Where they come from: indices into the frame table.
    """

    kind: str
    channels: tuple[Channel, ...]
    time_s: Floats
    row: Ints
    counts: Counts
    frames: Frames
    frame: Ints

    def at(self, which: Ints) -> "Events":
        """Some of them."""
        rows = {name: getattr(self, name)[which] for name in ("time_s", "row", "counts", "frame")}
        return replace(self, **rows)


def place_events(
    streams: Sequence[Frames], anchor: Anchor, main: Grid | JoinedGrid
) -> tuple[tuple[Events, ...], tuple[Settled, ...]]:
    """The events of all streams in time, each frame once; and what became of their frames."""
    events, settled = list[Events](), list[Settled]()
    for frames in streams:
        everything = np.arange(len(frames.table))
        second = seconds_of(anchor, frames, everything).second
        again = _repeats(frames, second)
        which = everything[~again]
        which = which[np.argsort(second[which], kind="stable")]
        size = frames.table.n_samples[which]
        time_s = np.repeat(second[which], size)
        row = np.clip(np.rint(rows_at(main.clock, time_s)), 0, main.n_rows - 1).astype(np.int64)
        name, channels = frames.stream.frame.name, frames.stream.channels
        counts, frame = _counts(frames, which), np.repeat(which, size)
        events.append(Events(name, channels, time_s, row, counts, frames, frame))
        settled.append(Settled(frames, again, np.zeros(len(frames.table), dtype=bool)))
    return tuple(events), tuple(settled)


def _counts(frames: Frames, which: Ints) -> Counts:
    """Rows of the frames at `which`, end to end."""
    table, whole = frames.table, frames.counts.read(0, frames.counts.n_rows)
    size = table.n_samples[which]
    before = np.cumsum(size) - size
    at = np.arange(int(size.sum())) + np.repeat(table.first_row[which] - before, size)
    return np.asarray(whole[at])


def _repeats(frames: Frames, second: Floats) -> Bools:
    """Frames that repeat an earlier one: the same counters and counts, and about the same time."""
    table, frame = frames.table, frames.stream.frame
    again = np.zeros(len(table), dtype=bool)
    if frame.part("sequence") is None and frame.part("ticks") is None:
        return again
    seen = dict[tuple[int, int, bytes], float]()
    for i in range(len(table)):
        first, n = int(table.first_row[i]), int(table.n_samples[i])
        counts = frames.counts.read(first, first + n).tobytes()
        key = (int(table.sequence[i]), int(table.ticks[i]), counts)
        again[i] = abs(second[i] - seen.get(key, -np.inf)) < _SAME_S
        seen[key] = float(second[i])
    return again


def merged_events(
    mine: Sequence[Events], theirs: Sequence[Events]
) -> tuple[tuple[Events, ...], tuple[Events, ...]]:
    """Events of two readings of one wearing, each once; and those that the other reading has as well.

    The same channels, the same counts and times less than a second apart make the same event.
    """
    whole, again = list(mine), list[Events]()
    for events in theirs:
        names = [channel.name for channel in events.channels]
        same = [other for other in mine if [channel.name for channel in other.channels] == names]
        known = np.zeros(len(events.time_s), dtype=bool)
        for other in same:
            for i in range(len(known)):
                near = np.abs(other.time_s - events.time_s[i]) < _AT_ONCE_S
                known[i] |= bool(np.any(np.all(other.counts[near] == events.counts[i], axis=1)))
        whole.append(events.at(np.flatnonzero(~known)))
        again.append(events.at(np.flatnonzero(known)))
    return tuple(events for events in whole if len(events.time_s)), tuple(again)
