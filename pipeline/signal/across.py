"""What is learnt from a participant's first session, tried on its other half and on the later sessions."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.signal.learn import TASKS, Rule, fit, halves, learn, tried, untaught
from pipeline.signal.pooled import Clusters
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
        taught = next((one for one in sessions if not _untaught(one[1], task)), None)
        if taught is None:
            why = f"no session has two classes with {LEAST} kept windows in its first half to learn from"
            none = Measured(0, absent=why)
            found += [Trial(participant, task, when, "", "", none, none) for when in ("same", "later")]
            continue
        first, windows = taught
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


@dataclass(frozen=True)
class Served:
    """What one participant's trials of a task come to; values are accuracies, or balanced ones.

    ``same`` is that of the session learnt from, ``later`` are those of the others; None and empty where there
    is none.
    """

    participant: str
    task: str
    trained_on: str
    same: float | None
    later: tuple[float, ...]

    def of(self, when: str) -> tuple[float, ...]:
        """Values of the sessions of one kind."""
        if when == "later":
            return self.later
        return () if self.same is None else (self.same,)

    @property
    def drops(self) -> tuple[float, ...]:
        """How much lower each later session is."""
        return () if self.same is None else tuple(self.same - one for one in self.later)


def served(trials: Sequence[Trial], task: str, what: str = "accuracy") -> list[Served]:
    """Trials of a task by participant, in the order of the trials; `what` is accuracy or balanced."""
    own: dict[str, list[Trial]] = {}
    for trial in trials:
        if trial.task == task:
            own.setdefault(trial.participant, []).append(trial)
    found = []
    for participant, some in own.items():
        values = {
            when: [
                value for one in some if one.when == when and (value := getattr(one, what).value) is not None
            ]
            for when in ("same", "later")
        }
        same = next(iter(values["same"]), None)
        found.append(Served(participant, task, some[0].trained_on, same, tuple(values["later"])))
    return found


def typical(own: Sequence[tuple[str, Sequence[float]]]) -> Measured:
    """Median over participants of the median over each one's sessions, with the range over all sessions.

    A participant with many sessions counts as much as one with few.
    """
    own = [(who, values) for who, values in own if values]
    if not own:
        return Measured(0, absent="no session has it")
    medians = np.array([float(np.median(values)) for _, values in own])
    found = Clusters.of([who for who, _ in own]).median(medians)
    return found.over([one for _, values in own for one in values])
