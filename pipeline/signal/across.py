"""What is learnt from a participant's first session, tried on its other half and on the later sessions."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.signal.learn import TASKS, Rule, fit, halves, learn, tried, untaught
from pipeline.signal.session import within
from pipeline.signal.shares import LEAST, Measured
from pipeline.signal.windows import Ints, Windows


@dataclass(frozen=True)
class Trial:
    """One rule tried on one session.

    ``when`` is ``same`` for the held-out half of the session it was learnt from, ``later`` for another one;
    ``session`` is empty where there is none to try it on, ``trained_on`` where there is none to learn from.
    """

    participant: str
    task: str
    when: str
    session: str
    trained_on: str
    accuracy: Measured
    balanced: Measured


def trials(participant: str, sessions: Sequence[tuple[str, Windows]]) -> list[Trial]:
    """All trials with a participant's sessions, which are given in the order of their start.

    A rule is learnt from the first half of each stretch of the first session that has enough kept windows, so
    that what it is tried on differs in the session alone.
    """
    found = list[Trial]()
    for task in TASKS:
        taught = [(name, windows) for name, windows in sessions if not _untaught(windows, task)]
        if not taught:
            why = f"no session has two classes with {LEAST} kept windows in its first half to learn from"
            none = Measured(0, absent=why)
            found += [Trial(participant, task, when, "", "", none, none) for when in ("same", "later")]
            continue
        first, windows = taught[0]
        at = [name for name, _ in sessions].index(first)
        found.append(Trial(participant, task, "same", first, first, *within(windows, task)))
        found += _later(participant, task, first, windows, sessions[at + 1 :])
    return found


def _untaught(windows: Windows, task: str) -> str:
    return untaught(windows.label[halves(windows)[0]], task)


def _later(
    participant: str, task: str, first: str, learnt: Windows, later: Sequence[tuple[str, Windows]]
) -> list[Trial]:
    if not later:
        none = Measured(0, absent="the participant has no later session")
        return [Trial(participant, task, "later", "", first, none, none)]
    half = halves(learnt)[0]
    rule, known = learn(learnt.features[half], learnt.label[half], task)
    return [
        Trial(participant, task, "later", name, first, *_tried(rule, known, windows, task))
        for name, windows in later
    ]


def _tried(rule: Rule, known: Ints, windows: Windows, task: str) -> tuple[Measured, Measured]:
    if windows.absent or not windows.kept.any():
        none = Measured(0, absent=windows.absent or "no window was kept")
        return none, none
    mask = fit(windows)
    return tried(rule, known, windows.features[mask], windows.label[mask], task)


def values(trials: Sequence[Trial], task: str, when: str) -> tuple[list[str], np.ndarray]:
    """Sessions with a value, and accuracy and balanced accuracy of each, shape (n, 2)."""
    rows = [
        (trial.session, trial.accuracy.value, trial.balanced.value)
        for trial in trials
        if trial.task == task and trial.when == when and trial.accuracy.value is not None
    ]
    return [row[0] for row in rows], np.array([row[1:] for row in rows], np.float64).reshape(-1, 2)
