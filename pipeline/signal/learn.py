"""A threshold and the nearest neighbour, trained on one part of the data and tried on another."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np

from pipeline.signal.shares import LEAST, Measured, wilson
from pipeline.signal.windows import AMPLITUDE, Bools, Floats, Ints, Windows


@dataclass(frozen=True)
class Task:
    """What is asked of a window, and how it is answered: `groups` has a number for each of `CLASSES`."""

    groups: tuple[int, int, int, int]
    of: str
    by: str


TASKS = {
    "body_threshold": Task((0, 0, 0, 1), "others_body", "threshold"),
    "body_nearest": Task((0, 0, 0, 1), "others_body", "nearest"),
    "still_nearest": Task((0, 0, 1, 2), "still_arm_body", "nearest"),
    "each_nearest": Task((0, 1, 2, 3), "each", "nearest"),
}


class Rule(Protocol):
    """What was learnt: classes from features."""

    def __call__(self, features: Floats) -> Ints:
        """Classes of windows, from features of shape (n, 6)."""


@dataclass(frozen=True)
class Threshold:
    """At this amplitude or above, the body moves: class 1, else 0."""

    level: float

    def __call__(self, features: Floats) -> Ints:
        """0 or 1 for each window."""
        return (features[:, AMPLITUDE] >= self.level).astype(np.int64)


@dataclass(frozen=True)
class Nearest:
    """The class of the nearest window that was learnt from, all features in standard deviations of these."""

    centre: Floats
    spread: Floats
    known: Floats
    classes: Ints

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree  # costs 0.3 s, and studies without a log need none

        return cKDTree(self.known)

    def __call__(self, features: Floats) -> Ints:
        """The nearest's class for each window."""
        _, at = self._tree.query((features - self.centre) / self.spread)
        found: Ints = self.classes[np.asarray(at, np.int64)]
        return found


def learn_threshold(features: Floats, classes: Ints) -> Threshold:
    """The level of most balanced accuracy (Youden 1950), between two amplitudes; of equals the least."""
    amplitude = features[:, AMPLITUDE]
    order = np.argsort(amplitude, kind="stable")
    values, is_above = amplitude[order], classes[order] == 1
    # What stands before a level is called 0: of class 1 that is missed, of class 0 it is right.
    missed = np.concatenate(([0], np.cumsum(is_above))) / max(int(is_above.sum()), 1)
    right = np.concatenate(([0], np.cumsum(~is_above))) / max(int((~is_above).sum()), 1)
    levels = np.concatenate(([values[0]], (values[1:] + values[:-1]) / 2, [np.inf]))
    apart = np.concatenate(([True], np.diff(values) > 0, [True]))
    gain = np.where(apart, right - missed, -np.inf)
    return Threshold(float(levels[int(np.argmax(gain))]))


def learn_nearest(features: Floats, classes: Ints) -> Nearest:
    """Keep the windows, and mean and standard deviation of each feature; a constant one says nothing."""
    centre, spread = features.mean(axis=0), features.std(axis=0)
    spread = np.where(spread > 0, spread, np.inf)
    return Nearest(centre, spread, (features - centre) / spread, classes)


def halves(windows: Windows) -> tuple[Bools, Bools]:
    """Which windows are learnt from, and which are held out: each stretch of the log is halved in time.

    The window between the halves is in neither, so that what is tried does not touch what was learnt. Random
    windows would not do: each resembles its neighbours.
    """
    first, second = np.zeros(len(windows), np.bool_), np.zeros(len(windows), np.bool_)
    at, begins, lasts = windows.by_stretch
    middle = np.repeat(begins + lasts // 2, lasts)
    place = np.arange(len(at))
    first[at[place < middle]] = True
    second[at[place > middle]] = True
    usable = fit(windows)
    return first & usable, second & usable


def fit(windows: Windows) -> Bools:
    """Windows to learn from and to try on: kept, labelled, with all six features."""
    return windows.kept & (windows.label >= 0) & ~np.isnan(windows.features).any(axis=1)


def asked(label: Ints, task: str) -> Ints:
    """The groups of a task that windows of these classes are in."""
    return np.array(TASKS[task].groups, np.int64)[label]


def untaught(label: Ints, task: str) -> str:
    """Why nothing can be learnt from these labels; empty where something can."""
    enough = np.bincount(asked(label, task), minlength=2) >= LEAST
    if TASKS[task].of == "others_body":
        lacks = "body movement" if not enough[1] else "anything but body movement"
        return "" if enough.all() else f"fewer than {LEAST} windows of {lacks} to learn from"
    return "" if enough.sum() >= 2 else f"fewer than two classes with {LEAST} windows to learn from"


def learn(features: Floats, label: Ints, task: str) -> tuple[Rule, Ints]:
    """A rule for the task, and the classes of which it knows enough windows."""
    classes = asked(label, task)
    known = np.flatnonzero(np.bincount(classes, minlength=2) >= LEAST)
    taught = np.isin(classes, known)
    teach = learn_threshold if TASKS[task].by == "threshold" else learn_nearest
    return teach(features[taught], classes[taught]), known


def tried(rule: Rule, known: Ints, features: Floats, label: Ints, task: str) -> tuple[Measured, Measured]:
    """Accuracy, and balanced accuracy (mean of the classes' own), on windows of the classes that were learnt.

    The interval of the former is Wilson's and takes windows as independent; of the latter there is none.
    """
    classes = asked(label, task)
    usable = np.isin(classes, known)
    features, classes = features[usable], classes[usable]
    there = [int(one) for one in known if (classes == one).sum() >= LEAST]
    if len(there) < 2:
        why = f"fewer than two of the classes learnt have {LEAST} windows to try on"
        return Measured(len(classes), absent=why), Measured(len(classes), absent=why)
    right = rule(features) == classes
    each = [float(right[classes == one].mean()) for one in there]
    balanced = Measured(len(classes), sum(each) / len(each))
    return wilson(int(right.sum()), len(classes)), balanced
