"""Which values and which rows repeat the one before: measured in one pass, asked by several detectors.

Values are compared as they are stored, which compares counts. Lost rows stand in nobody's way: a sample after
a gap is compared with the one before it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from pipeline.detectors.beats import BeatFinder
from pipeline.detectors.echoes import EchoFinder
from pipeline.detectors.fills import are_fills
from pipeline.detectors.findings import Spans
from pipeline.detectors.lost import JUDGED_KINDS
from pipeline.detectors.runs import CHANCE, Floats, Ints, RunFinder, Runs, log_chance
from pipeline.layouts import Channel
from pipeline.recording import Recording

Values = npt.NDArray[np.floating]
Mask = npt.NDArray[np.bool_]
T = TypeVar("T")

WINDOW_S = 1.0
LEAST_ROWS = 3
"""Rows that are alike in every channel from which a run of them is kept."""

LEAST_SAMPLES = 6
"""Samples of one value from which a run of a channel is kept, whatever the rate."""

LEAST_REPEATED = 0.02
"""Share of repeats in a block from which their spacing is looked at."""

SPACINGS = 129
"""Distances between changes are counted up to one less than this."""


@dataclass
class Spacing:
    """How far apart changes and repeats stand in a channel that repeats often.

    ``changes`` and ``repeats`` count distances in rows, the last entry all that are longer; ``n_steps`` and
    ``n_wide`` count changes, and those by more than one count.
    """

    changes: Ints = field(default_factory=lambda: np.zeros(SPACINGS, np.int64))
    repeats: Ints = field(default_factory=lambda: np.zeros(SPACINGS, np.int64))
    n_steps: int = 0
    n_wide: int = 0


@dataclass(frozen=True)
class Repeats:
    """What repeats in the field and acceleration channels of one recording.

    Attributes
    ----------
    channels : tuple of Channel
        Those that were looked at.
    n_window : int
        Rows in a window of a second.
    pairs, changes, wide : mapping of int64, shape (windows,)
        By channel: samples with one before them, those that differ from it, and those by more than a count.
    row_pairs, row_changes : int64, shape (windows,)
        Rows that arrived whole after another, and those that differ from it in any channel.
    runs : mapping of Runs
        By channel: runs of one value of at least the shortest length.
    row_runs : Runs
        Runs of whole rows that chance does not explain, values in the order of ``channels``.
    spacing, row_spacing : Spacing
        By channel, and of whole rows.
    low, high : mapping of float
        By channel: the ends of what it took, NaN where nothing arrived.
    filled : Runs
        The runs of rows that a writer put in.
    echoes, beats : Spans
        Rows that repeat a frame before them; stretches in which rows change at a beat alone.
    """

    channels: tuple[Channel, ...]
    n_window: int
    pairs: dict[str, Ints]
    changes: dict[str, Ints]
    wide: dict[str, Ints]
    row_pairs: Ints
    row_changes: Ints
    runs: dict[str, Runs]
    row_runs: Runs
    spacing: dict[str, Spacing]
    row_spacing: Spacing
    low: dict[str, float]
    high: dict[str, float]
    filled: Runs
    echoes: Spans
    beats: Spans

    def hiding(self, recording: Recording) -> Recording:
        """The recording without the rows that were filled: they read as lost."""
        filled = np.stack((self.filled.start, self.filled.stop), axis=1)
        return replace(recording, hidden=filled) if len(filled) else recording

    @property
    def by_chance(self) -> Floats:
        """How many would in each second, if channels repeated on their own, each as often as it does then."""
        share = np.ones(len(self.row_pairs))
        for name, changes in self.changes.items():
            share *= 1 - changes / np.maximum(self.pairs[name], 1)
        return share * self.row_pairs


def measure_repeats(recording: Recording, shortest_s: float) -> Repeats:
    """Look through all field and acceleration channels; runs of a channel last at least `shortest_s`."""
    channels = tuple(channel for channel in recording.channels if channel.kind in JUDGED_KINDS)
    n_window = max(1, round(WINDOW_S * recording.sample_hz))
    shortest = max(LEAST_SAMPLES, round(shortest_s * recording.sample_hz))
    seen = _Pass(channels, n_window, recording.n_rows // n_window + 1, shortest)
    if channels:
        for block in recording.blocks([channel.name for channel in channels]):
            seen.take(block.start, [block.columns[channel.name] for channel in channels])
    return seen.result()


class _Counter:
    """Pairs and changes second by second, runs, and what was last, of one channel or of whole rows."""

    def __init__(self, channels: Sequence[Channel], n_window: int, n_windows: int, least: int) -> None:
        self.pairs, self.changes, self.wide = np.zeros((3, n_windows), np.int64)
        self.finder = RunFinder(len(channels), least)
        self.spacing = Spacing()
        self._channels, self._n_window = channels, n_window
        self._last: list[float] | None = None

    def take(self, rows: Ints, columns: Sequence[Values], differs: Mask | None = None) -> Mask:
        """Take the next rows that arrived; give those that differ from the one before."""
        if differs is None:
            differs = _differs(columns[0])
        last, self._last = self._last, [float(column[-1]) for column in columns]
        differs[0] = last is None or any(
            column[0] != value for column, value in zip(columns, last, strict=True)
        )
        changed = np.flatnonzero(differs)
        windows = np.arange(rows[0] // self._n_window, rows[-1] // self._n_window + 2)
        at = np.searchsorted(rows, windows * self._n_window)
        here = slice(int(windows[0]), int(windows[-1]))
        self.pairs[here] += np.diff(at)
        self.changes[here] += np.diff(np.searchsorted(changed, at))
        if last is None:  # the first sample of all has none before it
            self.pairs[here.start] -= 1
            self.changes[here.start] -= 1
        if len(columns) == 1:
            wide = np.flatnonzero(np.abs(np.diff(columns[0])) > 1.5 * abs(self._channels[0].scale)) + 1
            self.wide[here] += np.diff(np.searchsorted(wide, at))
        self.finder.feed(rows, columns, changed)
        _space(self.spacing, changed, differs, columns, self._channels)
        return differs

    def is_unlikely(self, runs: Runs) -> Mask:
        """Which runs chance does not explain."""
        return np.asarray(log_chance(runs, self.changes, self.pairs, self._n_window) < np.log(CHANCE))


class _Pass:
    """What is known after the blocks that were taken so far."""

    def __init__(self, channels: tuple[Channel, ...], n_window: int, n_windows: int, shortest: int) -> None:
        self._channels, self._n_window = channels, n_window
        self._each = [_Counter([channel], n_window, n_windows, shortest) for channel in channels]
        self._rows = _Counter(channels, n_window, n_windows, LEAST_ROWS)
        self._echoes, self._beats = EchoFinder(), BeatFinder([abs(channel.scale) for channel in channels])
        self._ends = np.full((2, len(channels)), np.nan)

    def take(self, start: int, columns: Sequence[Values]) -> None:
        """Take the block that begins with row `start`."""
        absent = [np.isnan(column) for column in columns]
        anywhere = np.logical_or.reduce(absent)
        whole = None if anywhere.any() else np.arange(start, start + len(anywhere), dtype=np.int64)
        arrived = whole if whole is not None else np.flatnonzero(~anywhere) + start
        any_changed = np.zeros(len(arrived), bool)
        kept: list[Values] = []
        for k, (column, lost) in enumerate(zip(columns, absent, strict=True)):
            kept.append(column if whole is not None else column[~anywhere])
            alone = whole is None and not np.array_equal(lost, anywhere)
            rows = np.flatnonzero(~lost) + start if alone else arrived
            values = column[~lost] if alone else kept[-1]
            if len(rows):
                differs = self._each[k].take(rows, [values])
                ends = values.min(), values.max()
                self._ends[:, k] = np.fmin(self._ends[0, k], ends[0]), np.fmax(self._ends[1, k], ends[1])
                any_changed |= _differs(kept[-1]) if alone else differs
        if len(arrived):
            self._rows.take(arrived, kept, any_changed)
            self._echoes.feed(arrived, kept)
            self._beats.feed(arrived, kept, any_changed)
            # In quiet rows of few bits most runs are chance: what is not is all that is held in memory.
            self._rows.finder.keep_only(
                lambda runs: self._rows.is_unlikely(runs) | are_fills(runs, self._channels)
            )

    def result(self) -> Repeats:
        """What was found."""
        names = [channel.name for channel in self._channels]
        rows = self._rows.finder.all()
        unlikely = self._are_unlikely(rows)

        def by_name(values: Iterable[T]) -> dict[str, T]:
            return dict(zip(names, values, strict=True))

        return Repeats(
            self._channels,
            self._n_window,
            by_name(one.pairs for one in self._each),
            by_name(one.changes for one in self._each),
            by_name(one.wide for one in self._each),
            self._rows.pairs,
            self._rows.changes,
            by_name(one.finder.all() for one in self._each),
            rows.where(unlikely),
            by_name(one.spacing for one in self._each),
            self._rows.spacing,
            by_name(self._ends[0].tolist()),
            by_name(self._ends[1].tolist()),
            rows.where(are_fills(rows, self._channels, unlikely)),
            self._echoes.all(),
            Spans.merged(self._beats.all(), self._lone_beats()),
        )

    def _lone_beats(self) -> Spans:
        """Stretches in which one channel changes at a beat that hardly ever repeats beside them."""
        found = [
            one
            for one in self._beats.alone()
            if one.is_unlikely(self._each[one.channel].changes, self._each[one.channel].pairs, self._n_window)
        ]
        edges = np.array([(one.start, one.stop) for one in found], np.int64).reshape(-1, 2)
        return Spans.merged(Spans(edges[:, 0], edges[:, 1]))

    def _are_unlikely(self, rows: Runs) -> Mask:
        """Which runs of rows chance does not explain.

        At an end of its values a channel may stand at a rail, and has to repeat: then the others must do so
        longer than by chance.
        """
        unlikely = self._rows.is_unlikely(rows)
        if len(self._channels) < 2 or not len(rows):
            return unlikely
        alike = np.stack([1 - one.changes / np.maximum(one.pairs, 1) for one in self._each])
        pairs = self._rows.pairs
        for k, channel in enumerate(self._channels):
            low, high = self._ends[:, k] + np.array([1.5, -1.5]) * abs(channel.scale)
            at_end = (rows.value[:, k] <= low) | (rows.value[:, k] >= high)
            others = np.rint(pairs * (1 - np.delete(alike, k, axis=0).prod(axis=0))).astype(np.int64)
            by_others = log_chance(rows, others, pairs, self._n_window) < np.log(CHANCE)
            unlikely &= ~at_end | by_others
        return unlikely


def _differs(column: Values) -> Mask:
    """Which values differ from the one before; the first does not count yet."""
    differs = np.zeros(len(column), bool)
    np.not_equal(column[1:], column[:-1], out=differs[1:])
    return differs


def _space(
    spacing: Spacing,
    changed: Ints,
    differs: Mask,
    columns: Sequence[Values],
    channels: Sequence[Channel],
) -> None:
    """Count distances where values repeat often enough to be sampled more slowly than they stand here."""
    n_same = len(differs) - len(changed)
    if n_same < LEAST_REPEATED * len(differs) or len(changed) < 2:
        return
    spacing.changes += np.bincount(np.minimum(np.diff(changed), SPACINGS - 1), minlength=SPACINGS)
    if n_same > 1:
        apart = np.diff(np.flatnonzero(~differs))
        spacing.repeats += np.bincount(np.minimum(apart, SPACINGS - 1), minlength=SPACINGS)
    at = changed[changed > 0]
    wide = np.zeros(len(at), bool)
    for column, channel in zip(columns, channels, strict=True):
        wide |= np.abs(column[at] - column[at - 1]) > 1.5 * abs(channel.scale)
    spacing.n_steps += len(at)
    spacing.n_wide += int(wide.sum())
