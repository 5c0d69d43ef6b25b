"""A comparator that wakes a device: how often it wakes at rest, and which movements it sleeps through.

It looks at the field's peak to peak in each window of 2 s, wakes where that reaches its level, and sleeps
again where it is below half of it. The hysteresis of half the level is common practice, no source. A level so
low that it hardly ever sleeps wakes seldom and misses nothing, and is worth nothing: how much of the rest it
is awake in, and how many stretches of rest it would call movements, belong to the same picture.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.signal.features import WINDOW_S
from pipeline.signal.windows import CLASSES, EXCURSION, Bools, Floats, Ints, Windows

LEVELS_V: Floats = 10.0 ** (np.arange(-36, 13) / 6)
"""Levels that are tried: 1 uV to 100 V, six to a decade."""

RELEASE = 0.5
MOVEMENTS = CLASSES[1:]


@dataclass(frozen=True)
class Wakes:
    """Counts of one session, by level where they have shape (levels,).

    ``false`` are wake-ups in windows of rest, of which there are ``rest_h`` hours; in ``awake`` of the
    ``n_rest`` windows it was awake. ``missed`` (levels, 3) are movements, each a stretch of the log, during
    which the comparator slept; there are ``n`` (3,) of them. Of the ``n_rests`` stretches of rest it was
    awake in ``chance``, counted as if they were movements: so much is found where nothing is.
    """

    n_rest: int
    false: Ints
    awake: Ints
    missed: Ints
    n: Ints
    chance: Ints
    n_rests: int

    @property
    def rest_h(self) -> float:
        """Hours of rest."""
        return self.n_rest * WINDOW_S / 3600


def is_awake(excursion: Floats, levels: Floats) -> Bools:
    """Whether comparators are awake in each window; (n,) and (levels,) to (levels, n).

    They begin asleep, and stay as they are where the excursion is NaN.
    """
    over = excursion >= levels[:, np.newaxis]
    under = excursion < RELEASE * levels[:, np.newaxis]
    at = np.where(over | under, np.arange(1, len(excursion) + 1), 0)
    last = np.maximum.accumulate(at, axis=1)
    awake = np.concatenate((np.zeros((len(levels), 1), np.bool_), over), axis=1)
    state: Bools = np.take_along_axis(awake, last, axis=1)
    return state


def wakes(windows: Windows, levels: Floats = LEVELS_V) -> Wakes:
    """Count in the windows that were kept. The comparator sees all of them, as a device would.

    A stretch counts if half of its windows were kept.
    """
    kept, label = windows.kept, windows.label
    state = is_awake(windows.features[:, EXCURSION], levels)
    rises = state & ~np.concatenate((np.zeros((len(levels), 1), np.bool_), state[:, :-1]), axis=1)
    at_rest = kept & (label == 0)
    n, missed = np.zeros(len(CLASSES), np.int64), np.zeros((len(levels), len(CLASSES)), np.int64)
    at, begins, lasts = windows.by_stretch
    if len(at):
        counted = np.flatnonzero(2 * np.add.reduceat(kept[at], begins, dtype=np.int64) >= lasts)
        which = label[at[begins[counted]]]
        noticed = np.logical_or.reduceat(state[:, at] & kept[at], begins, axis=1)[:, counted]
        for i in range(len(CLASSES)):
            n[i] = int((which == i).sum())
            missed[:, i] = (~noticed[:, which == i]).sum(axis=1)
    false: npt.NDArray[np.int64] = rises[:, at_rest].sum(axis=1)
    awake: npt.NDArray[np.int64] = state[:, at_rest].sum(axis=1)
    return Wakes(int(at_rest.sum()), false, awake, missed[:, 1:], n[1:], n[0] - missed[:, 0], int(n[0]))


def telling(false: Floats, missed: Floats) -> slice:
    """The levels worth showing, of summed counts: from the most wake-ups up to where nothing wakes any more.

    Below the former a comparator is awake all the time, so that it hardly wakes.
    """
    first = int(np.flatnonzero(false == false.max())[-1])
    silent = (false == 0) & (missed == missed[-1])
    last = int(np.argmax(silent)) if silent.any() else len(false) - 1
    return slice(min(first, last), last + 1)
