"""What one session says by itself: areas by pair, before and after exclusions, and its own held-out half."""

from dataclasses import asdict
from typing import Any

import numpy as np

from pipeline.signal.learn import TASKS, halves, learn, tried, untaught
from pipeline.signal.roc import GRID, PAIRS, at_grid, band, curve, lacking, members, pair_area
from pipeline.signal.shares import Measured
from pipeline.signal.windows import AMPLITUDE, CLASSES, Bools, Floats, Ints, Windows


def session_signal(windows: Windows) -> dict[str, Any]:
    """A session's part of the check, as plain values for a page.

    Returns
    -------
    dict
        ``absent`` (why there is nothing; else empty), ``channel``, ``n`` (class -> windows before and after
        exclusions), ``areas`` (pair -> ``all``, ``kept``), ``curves`` (the same, lists at ``grid``; None
        where there is no area), ``within`` (task -> ``accuracy``, ``balanced``).
        Each measure is a dict of `Measured`: ``n``, ``value``, ``low``, ``high``, ``interval``, ``absent``.
    """
    if windows.absent:
        nothing: dict[str, Any] = {"n": {}, "areas": {}, "curves": {}, "grid": [], "within": {}}
        return {"absent": windows.absent, "channel": windows.channel, **nothing}
    amplitude, label = windows.features[:, AMPLITUDE], windows.label
    sets = compared(windows)
    return {
        "absent": "",
        "channel": windows.channel,
        "n": {
            name: {key: int((label[mask] == i).sum()) for key, mask in sets.items()}
            for i, name in enumerate(CLASSES)
        },
        "areas": areas(windows),
        "curves": {
            pair: {key: _curve(amplitude[mask], label[mask], pair) for key, mask in sets.items()}
            for pair in PAIRS
        },
        "grid": GRID.tolist(),
        "within": {task: _within(windows, task) for task in TASKS},
    }


def compared(windows: Windows) -> dict[str, Bools]:
    """Windows with a class: ``all`` before exclusions, ``kept`` after."""
    labelled = windows.label >= 0
    return {"all": windows.valued & labelled, "kept": windows.kept & labelled}


def areas(windows: Windows) -> dict[str, dict[str, dict[str, Any]]]:
    """Area of each pair before and after exclusions, as plain values."""
    if windows.absent:
        none = asdict(Measured(0, absent=windows.absent))
        return {pair: {"all": none, "kept": none} for pair in PAIRS}
    amplitude, label, sets = windows.features[:, AMPLITUDE], windows.label, compared(windows)
    return {
        pair: {key: asdict(pair_area(amplitude[mask], label[mask], pair)) for key, mask in sets.items()}
        for pair in PAIRS
    }


def _curve(amplitude: Floats, label: Ints, pair: str) -> dict[str, Any] | None:
    """The curve of a pair with its band, which takes windows as independent."""
    if lacking(label, pair):
        return None
    below, above = (members(label, names) for names in PAIRS[pair])
    true = at_grid(*curve(amplitude[below], amplitude[above]))
    low, high = band(amplitude[below], amplitude[above])
    return {"true": true.tolist(), "low": low.tolist(), "high": high.tolist(), "least": None, "most": None}


def _within(windows: Windows, task: str) -> dict[str, Any]:
    accuracy, balanced = within(windows, task)
    return {"accuracy": asdict(accuracy), "balanced": asdict(balanced)}


def within(windows: Windows, task: str) -> tuple[Measured, Measured]:
    """Learn from the first half of each stretch of a session, and try on the second."""
    first, second = halves(windows)
    if not windows.kept.any():
        return Measured(0, absent="no window was kept"), Measured(0, absent="no window was kept")
    if why := untaught(windows.label[first], task):
        n = int(np.count_nonzero(second))
        return Measured(n, absent=why), Measured(n, absent=why)
    rule, known = learn(windows.features[first], windows.label[first], task)
    return tried(rule, known, windows.features[second], windows.label[second], task)
