"""Where rows are held: every channel repeats the row before far more often than by chance."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans
from pipeline.detectors.repeats import Repeats
from pipeline.detectors.runs import Floats, Ints
from pipeline.detectors.slow import slow_channels, slow_factor
from pipeline.recording import BLOCK_ROWS, Recording

Settings = Mapping[str, float]
Mask = npt.NDArray[np.bool_]

LEAST_REPEATS = 8

LEAST_SHARE = 0.001
"""A policy that wants less is given this: rows further apart make no stretch."""

APART = 10.0
"""Rows held further apart than so many times what the least share makes likely are two stretches."""

UNSURE = 3.0
"""Standard deviations by which chance alone may make more rows repeat than it does on average."""

MUCH = 5.0
"""Standard deviations by which a stretch must hold more rows than the rest of the recording does."""

SINGLE = 0.2
CALMEST = 0.1
"""A channel of which, in the calmest tenth of the seconds, too, no more than so much of the changes is by a
single count never stands still by its noise, which is several counts wide."""

STANDS_ALONE = 0.25
"""A channel that repeats so much more than whole rows do within a second stands still by itself."""

AT_END = 0.02
"""Share of what a channel took, from its ends, in which it may stand at a rail, and repeats for that."""

_HALVINGS = 20


@dataclass(frozen=True)
class Stretch:
    """Rows [start, stop), of which ``share`` are held: what repeats by chance is left out of it."""

    start: int
    stop: int
    share: float


@dataclass(frozen=True)
class Held:
    """What was found of rows that were not measured, but for those filled or sent again.

    ``slow`` says of channels how many rows stand for each of their samples. ``stretches`` have many rows
    held, ``beats`` change at a beat alone, ``gaps`` are bridged by the row before them.
    """

    slow: Mapping[str, float]
    stretches: tuple[Stretch, ...]
    beats: Spans
    gaps: Spans

    @property
    def rows(self) -> Spans:
        """Stretches and beats."""
        return Spans.merged(spans_of(self.stretches), self.beats)

    def together(self, repeats: Repeats) -> Spans:
        """All rows that were not measured, those filled and sent again among them."""
        return Spans.merged(repeats.filled.spans, self.gaps, self.rows, repeats.echoes)

    def hiding(self, recording: Recording, repeats: Repeats) -> Recording:
        """The recording without the rows that were not measured: they read as lost."""
        rows = self.together(repeats)
        return (
            replace(recording, hidden=np.stack((rows.start, rows.stop), axis=1)) if len(rows) else recording
        )


def spans_of(stretches: Sequence[Stretch]) -> Spans:
    """Their rows."""
    edges = np.array([(one.start, one.stop) for one in stretches], np.int64).reshape(-1, 2)
    return Spans(edges[:, 0], edges[:, 1])


def look_for_held(recording: Recording, repeats: Repeats, settings: Settings) -> Held:
    """Look for rows that were not measured, but for those filled or sent again, which ``repeats`` knows."""
    slow = slow_channels(repeats)
    # A device that is slow throughout gives what it measured, under a wrong rate.
    if is_slow_throughout(repeats):
        return Held(slow, (), Spans(), bridged(repeats))
    return Held(slow, held_stretches(recording, repeats, settings), repeats.beats, bridged(repeats))


def is_slow_throughout(repeats: Repeats) -> bool:
    """Whether whole rows stand for each sample in all of the recording."""
    return len(repeats.channels) > 1 and slow_factor(repeats.row_spacing) is not None


def held_stretches(recording: Recording, repeats: Repeats, settings: Settings) -> tuple[Stretch, ...]:
    """Stretches in which at least the policy's share of the rows is held.

    Seconds tell roughly where; rows are read again there alone.
    """
    least, n = max(settings["dropout.held_share"], LEAST_SHARE), repeats.row_pairs
    if len(repeats.channels) < 2:
        return ()
    alike = np.stack(
        [1 - repeats.changes[name] / np.maximum(repeats.pairs[name], 1) for name in repeats.changes]
    )
    most = _most_alone(repeats, alike)
    share = held_share(alike, 1 - repeats.row_changes / np.maximum(n, 1), n, most)
    held = (share >= least / 2) & (share * n >= UNSURE)
    if not held.any():
        return ()
    held[1:] |= held[:-1].copy()
    held[:-1] |= held[1:].copy()
    # Seconds beside them with fewer held rows are of the same stretch, whose share is that of all.
    held = _grown(held, share > 0)
    near = Spans.of_mask(held).stretched(repeats.n_window).clipped(0, recording.n_rows)
    known = Spans.merged(repeats.filled.spans, repeats.echoes, bridged(repeats))
    usual = (
        1 - float(repeats.row_changes[~held].sum()) / max(int(n[~held].sum()), 1) if n[~held].any() else 0.0
    )
    found = []
    for first, stop in near.pairs():
        for start in range(first, stop, BLOCK_ROWS):
            before, end = max(start - 1, 0), min(start + BLOCK_ROWS, stop)
            rows, same = _repeating(recording, repeats, before, end, most < 1)
            same[:, known.mask(before, end)[rows - before]] = False
            found += _clusters(rows, same, least, usual, most)
    return _joined(found, APART / least)


def _grown(held: Mask, some: Mask) -> Mask:
    """Seconds that are held, with those beside them that hold some; one that holds none parts nothing."""
    bridged_over = some | held
    bridged_over[1:-1] |= bridged_over[:-2] & bridged_over[2:]
    spans = Spans.of_mask(bridged_over)
    has_held = np.array([held[start:stop].any() for start, stop in spans.pairs()], bool)
    return held | spans.where(has_held).mask(0, len(held))


def _most_alone(repeats: Repeats, alike: Floats) -> Floats:
    """How much of the time each channel repeats by itself at most, shape (channels,): 1 where nothing tells.

    A step of noise is as likely to be none as to be one count up or down, if the noise is wide.
    """
    measured = repeats.row_pairs >= repeats.n_window // 2
    most = np.ones(len(alike))
    rows_alike = 1 - repeats.row_changes / np.maximum(repeats.row_pairs, 1)
    for k, channel in enumerate(repeats.channels):
        pairs, changes = repeats.pairs[channel.name][measured], repeats.changes[channel.name][measured]
        wide = repeats.wide[channel.name][measured]
        if not len(pairs) or (alike[k] - rows_alike)[measured].max() > STANDS_ALONE:
            continue
        n_calmest = max(1, int(CALMEST * len(pairs)))
        calmest = np.argsort(wide / np.maximum(pairs, 1), kind="stable")[:n_calmest]
        single = (changes - wide)[calmest].sum()
        if single <= SINGLE * changes[calmest].sum() and changes[calmest].sum():
            most[k] = (single + 1) / max(pairs[calmest].sum(), 1)
    return most


def _joined(found: Sequence[Stretch], apart: float) -> tuple[Stretch, ...]:
    """Stretches that the edge of a block cut in two as one."""
    joined: list[Stretch] = []
    for one in found:
        if joined and one.start - joined[-1].stop <= apart:
            last = joined.pop()
            lengths = last.stop - last.start, one.stop - one.start
            share = (last.share * lengths[0] + one.share * lengths[1]) / sum(lengths)
            joined.append(Stretch(last.start, one.stop, share))
        else:
            joined.append(one)
    return tuple(joined)


def held_share(alike: Floats, rows_alike: Floats, n: Ints, most_alone: Floats | None = None) -> Floats:
    """Share of rows that are held, from how often channels and whole rows repeat.

    Of a share h of the rows every channel repeats; of the others each repeats by itself, q of the time. Then
    ``p = h + (1 - h) q`` of its values and ``h + (1 - h) prod q`` of the rows do: the least h for which that
    is as many as were found, less what chance may add.

    Parameters
    ----------
    alike : float64, shape (channels, windows)
        Share of each channel's values that repeat the one before.
    rows_alike : float64, shape (windows,)
        Share of the rows that do in every channel.
    n : int64, shape (windows,)
        Rows.
    most_alone : float64, shape (channels,), optional
        How much of the time each channel repeats by itself at most.

    Returns
    -------
    float64, shape (windows,)
    """
    most = np.ones((len(alike), 1)) if most_alone is None else most_alone[:, np.newaxis]
    alone = np.minimum(alike, most).prod(axis=0)
    by_chance = UNSURE * np.sqrt(alone * (1 - alone) / np.maximum(n, 1))
    wanted = rows_alike - by_chance
    low, high = np.zeros(len(n)), np.minimum(alike.min(axis=0), rows_alike) * (1 - 1e-9)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        rest = np.minimum(np.maximum(alike - middle, 0.0) / (1 - middle), most)
        enough = middle + (1 - middle) * rest.prod(axis=0) >= wanted
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(np.where(alone >= wanted, 0.0, high))


def _repeating(
    recording: Recording, repeats: Repeats, start: int, stop: int, is_noisy: Mask
) -> tuple[Ints, Mask]:
    """Rows that arrived, and for each channel (channels, rows) whether it repeats the row before.

    A channel whose noise lets it repeat nowhere (``is_noisy``) may do so at a rail: that does not count.
    """
    columns = recording.read([channel.name for channel in repeats.channels], start, stop).values()
    lost = np.logical_or.reduce([np.isnan(column) for column in columns])
    rows = np.flatnonzero(~lost) + start
    same = np.zeros((len(columns), len(rows)), bool)
    for k, column in enumerate(columns):
        here = column[~lost]
        same[k, 1:] = here[1:] == here[:-1]
        if is_noisy[k]:
            low, high = (ends[repeats.channels[k].name] for ends in (repeats.low, repeats.high))
            inwards = AT_END * (high - low)
            same[k] &= (here > low + inwards) & (here < high - inwards)
    return rows.astype(np.int64), same


def _clusters(rows: Ints, same: Mask, least: float, usual: float, most_alone: Floats) -> list[Stretch]:
    """Stretches of rows that repeat, cut where they are rarer than the least share makes likely.

    Where a share of them is held throughout, which is ``usual``, a few more here and there are chance.
    """
    held = np.flatnonzero(same.all(axis=0))
    if not len(held):
        return []
    found = []
    for some in np.split(held, np.flatnonzero(np.diff(held) > APART / least) + 1):
        inside = slice(int(some[0]), int(some[-1]) + 1)
        n = inside.stop - inside.start
        most_usual = n * usual + MUCH * np.sqrt(n * usual * (1 - usual))
        if len(some) < max(LEAST_REPEATS, most_usual):
            continue
        alike = same[:, inside].mean(axis=1)[:, np.newaxis]
        share = float(held_share(alike, np.array([len(some) / n]), np.array([n]), most_alone)[0])
        if share >= least:
            found.append(Stretch(int(rows[inside.start]) - 1, int(rows[inside.stop - 1]) + 1, share))
    return found


def bridged(repeats: Repeats) -> Spans:
    """Rows that a run of equal ones adds to the first of it, where chance does not explain the run.

    A run that is left by no more than a count may be the turn of slow movements: those that a writer makes
    end by a step. One channel alone turns too often to tell.
    """
    runs = repeats.row_runs
    if len(repeats.channels) < 2:
        return Spans()
    counts = np.array([abs(channel.scale) for channel in repeats.channels])
    left = ~(np.abs(runs.value - runs.after) <= 1.5 * counts).all(axis=1)
    return Spans(runs.start[left] + 1, runs.stop[left])
