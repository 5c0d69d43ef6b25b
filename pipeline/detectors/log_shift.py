"""The activity log beside the measured movement: how well it fits, and by how much it would fit better.

Movement is brought to 0 (still) to 1 (arms or the whole body) on a grid of seconds, and each intensity of the
log expects a level of it. A second speaks for its label by how much nearer it lies to that level than an
unrelated one would; what the log leaves out speaks neither way.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from pipeline.detectors.evidence import Logged
from pipeline.detectors.windows import Floats

LEVELS = {"rest": 0.0, "hand": 0.5, "arm": 1.0, "body": 1.0}
"""Movement that an intensity expects: at the wrist, wedging clay moves as much as walking does."""

UNRELATED = 0.2
"""Squared distance of a label from a movement that has nothing to do with it (mean over all pairs: 0.25)."""

APART = 0.4
MOST_SHIFT_S = 600
LEAST_KEPT = 0.5
"""Longest shift looked for, and the share of the log that must lie within the recording after it."""

LEAST_S = 10
"""Seconds that log and movement must have both near their lowest level and `APART` above it."""

LONGEST_S = 30 * 86_400
"""Seconds that are looked at: a clock that jumps by years must not take memory for them."""

NEXT_S = 5
LEAST_MARGIN = 0.1
"""From how far off another shift is another one; by what share of the whole gain the best must exceed it."""

CORRELATED_S = 5.0
"""Over how many seconds what a label leaves unexplained stays alike (common practice, no source)."""

LEAST_UNCERTAINTY_S = 1.0
"""Boundaries are noted to a second or two, and the grid has whole ones (common practice, no source)."""


@dataclass(frozen=True)
class Moved:
    """Movement from 0 to 1 in the seconds [first_s + k, first_s + k + 1); NaN where it was not measured."""

    level: Floats
    first_s: int = 0

    def inside(self, start_s: float, stop_s: float) -> Floats:
        """The measured seconds whose middle lies in a stretch."""
        edges = (np.ceil(at - self.first_s - 0.5) for at in (start_s, stop_s))
        low, high = (int(np.clip(edge, 0, len(self.level))) for edge in edges)
        part = self.level[low:high]
        return part[~np.isnan(part)]

    def seconds(self, start_s: float, stop_s: float) -> tuple[int, Floats]:
        """The whole seconds of a stretch: which one is the first, and their levels."""
        first = max(int(np.ceil(start_s)), self.first_s)
        return first, self.level[first - self.first_s : max(first, int(stop_s)) - self.first_s]


@dataclass(frozen=True)
class Shift:
    """What must be added to the log's times, its standard uncertainty, and what speaks for it.

    ``gain_s`` is how many seconds of plain contradiction it does away with, ``fit_s`` how well it fits
    then, ``agreement`` the share of what changes that changes for the better, and
    ``by_one`` what share of the gain is that of a single entry: a boundary that was noted late does as much.
    """

    shift_s: float
    uncertainty_s: float
    gain_s: float
    fit_s: float
    agreement: float
    by_one: float


def moved_by(rms: Floats, at_s: Floats, still: float, body: float) -> Moved:
    """Movement of each second: 0 at `still` or below, 1 at `body` or above, by the logarithm between.

    Parameters
    ----------
    rms : shape (n,)
        Size of the movement in windows of about a second, NaN where not measured.
    at_s : shape (n,)
        Middle of each window, ascending.
    still, body : float
        In the unit of `rms`.
    """
    # A policy may set both to zero, or the second below the first: then there is nothing between them.
    still = max(still, 1e-9)
    size = np.log(np.maximum(rms, 1e-12) / still) / np.log(max(body / still, 1 + 1e-9))
    return in_seconds(np.clip(size, 0.0, 1.0), at_s)


def in_seconds(level: Floats, at_s: Floats) -> Moved:
    """Movement from 0 to 1 of windows, NaN where not measured, whose middles are at `at_s`."""
    if not len(at_s):
        return Moved(np.empty(0))
    first_s = int(at_s[0])
    seconds = np.full(int(min(at_s[-1] + 1 - first_s, LONGEST_S)), np.nan)
    known = ~np.isnan(level) & (at_s >= first_s) & (at_s < first_s + len(seconds))
    seconds[at_s[known].astype(np.int64) - first_s] = level[known]
    return Moved(seconds, first_s)


def fit_s(moved: Moved, entries: Sequence[Logged]) -> float:
    """How well a log fits: a fifth of its seconds where all agree, less what contradicts it."""
    expected = _expected(entries, len(moved.level), moved.first_s)
    return float(np.nansum(_gain(moved.level, expected)))


def find_shift(moved: Moved, entries: Sequence[Logged]) -> Shift | str:
    """The shift of the whole log that fits the movement best, or why there is none to be had."""
    if not entries:
        return "no activity log"
    level, n = moved.level, len(moved.level)
    known = ~np.isnan(level)
    reach = min(MOST_SHIFT_S, n // 2)
    # The log may reach beyond the recording on either side: a shift brings that in.
    expected = _expected(entries, n + 2 * reach, moved.first_s - reach)
    for values, what in ((expected, "the log has one level of movement"), (level, "the wearer moved alike")):
        if not _varies(values):
            return f"{what} throughout: any shift fits as well"
    gains, kept = _gains(level, expected, reach)
    gains[kept < LEAST_KEPT * np.sum(~np.isnan(expected))] = -np.inf
    best = int(np.argmax(gains))
    if not np.isfinite(gains[best]) or gains[best] <= 0:
        return "the log does not fit the movement at any shift"
    peaks = signal.find_peaks(np.maximum(gains, 0.0), prominence=1.0)[0]
    others = gains[peaks[np.abs(peaks - best) > NEXT_S]]
    if len(others) and gains[best] - others.max() < LEAST_MARGIN * gains[best]:
        other = int(peaks[np.abs(peaks - best) > NEXT_S][np.argmax(others)]) - reach
        return f"shifts of {best - reach:+d} s and {other:+d} s fit alike: the log repeats itself"
    now, then = (_gain(level, expected[reach - by : reach - by + n]) for by in (0, best - reach))
    change = np.nan_to_num(then) - np.nan_to_num(now)
    unexplained = (level - expected[2 * reach - best : 2 * reach - best + n])[known]
    width = CORRELATED_S * float(np.nanmean(unexplained**2)) if len(unexplained) else 0.0
    shift_s, uncertainty_s = _top(gains, best, width)
    return Shift(
        shift_s - reach,
        uncertainty_s,
        float(gains[best] - np.nansum(now)),
        float(gains[best]),
        float(np.maximum(change, 0).sum() / max(np.abs(change).sum(), 1e-12)),
        _largest_share(change, entries, best - reach - moved.first_s),
    )


def _largest_share(change: Floats, entries: Sequence[Logged], shift_s: int) -> float:
    """What share of a gain, second by second, lies within one entry of the shifted log."""
    until = np.concatenate(([0.0], np.cumsum(change)))
    ends = np.array([(entry.start_s, entry.stop_s) for entry in entries]) + shift_s
    at = np.clip(np.ceil(ends - 0.5), 0, len(change)).astype(np.int64)
    own = until[at[:, 1]] - until[at[:, 0]]
    return float(own.max() / until[-1]) if until[-1] > 0 else 1.0


def _expected(entries: Sequence[Logged], n: int, first_s: int = 0) -> Floats:
    """The level that the log expects in each second from `first_s` on; NaN where it says nothing, or two."""
    total, count = np.zeros(n + 1), np.zeros(n + 1)
    for entry in entries:
        low, high = (int(np.clip(np.ceil(at - first_s - 0.5), 0, n)) for at in (entry.start_s, entry.stop_s))
        if high > low and entry.intensity in LEVELS:
            for sums, value in ((total, LEVELS[entry.intensity]), (count, 1.0)):
                sums[low] += value
                sums[high] -= value
    once = np.cumsum(count)[:n]
    return np.where(np.abs(once - 1) < 0.5, np.cumsum(total)[:n], np.nan)


def _gain(level: Floats, expected: Floats) -> Floats:
    """By how much nearer each second lies to what is expected than an unrelated one would, squared."""
    return np.asarray(UNRELATED - (level - expected) ** 2, dtype=np.float64)


def _varies(values: Floats) -> bool:
    """Whether there are seconds enough of plainly different levels."""
    known = np.sort(values[~np.isnan(values)])
    return len(known) >= 2 * LEAST_S and bool(known[-LEAST_S] - known[LEAST_S - 1] >= APART)


def _gains(level: Floats, expected: Floats, reach: int) -> tuple[Floats, Floats]:
    """Sum of the gains and seconds compared, for each shift of the log from -reach to reach.

    ``expected`` begins `reach` seconds before the movement and ends as much after it. The gain is
    ``(u - e^2) + 2 m e - m^2`` for movement m, expectation e and what is unrelated, u: three correlations.
    """
    known, said = ~np.isnan(level), ~np.isnan(expected)
    wanted, moved = np.nan_to_num(expected), np.nan_to_num(level)
    there, labelled = known.astype(np.float64), said.astype(np.float64)
    gain = _correlated(UNRELATED * labelled - wanted**2, there)
    gain += 2 * _correlated(wanted, moved) - _correlated(labelled, moved**2)
    kept = np.rint(_correlated(labelled, there))
    # The log later by s brings what it says of second t to t + s: the other way round along the axis.
    return gain[::-1].copy(), kept[::-1].copy()


def _correlated(long: Floats, short: Floats) -> Floats:
    return np.asarray(signal.correlate(long, short, mode="valid", method="fft"), dtype=np.float64)


def _top(gains: Floats, best: int, width: float) -> tuple[float, float]:
    """Middle and half the width of the shifts that fit as well but for `width`, between grid points."""
    ends = []
    for way in (-1, 1):
        at = best
        while 0 < at < len(gains) - 1 and gains[at + way] >= gains[best] - width:
            at += way
        beyond = gains[at + way] if 0 <= at + way < len(gains) else -np.inf
        fall = gains[at] - beyond
        part = (gains[at] - (gains[best] - width)) / fall if np.isfinite(fall) and fall > 0 else 0.0
        ends.append(at + way * part)
    return (ends[0] + ends[1]) / 2, max(LEAST_UNCERTAINTY_S, (ends[1] - ends[0]) / 2)
