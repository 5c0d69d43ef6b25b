"""Witnesses weighed together: the log-odds of each, added up to the probability that the electrode was off.

The weights were fitted by logistic regression (with a penalty on their squares, and signs held to physics) on
candidate stretches of simulated recordings of the kinds clean, mains, passing, hard_rails, mixed,
low_coupling and contact_*, tuning seeds 0 to 49, a stretch in four also without accelerometer or mains. Those
of :data:`CHECKS` were set by hand on the same seeds: a regression that only adds cannot say "both".
"""

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.detectors.signs import Mask
from pipeline.detectors.windows import Floats
from pipeline.detectors.witnesses import Scene, witnesses_of

PRIOR = -3.7
"""Log-odds of a stretch of which nothing is known but that something is odd there."""

AGREED = 5.0
"""Log-odds of two witnesses that agree by the rule in :mod:`.coupling`."""

WEIGHTS: Mapping[str, tuple[float, float, str]] = {
    "mains_more": (3.2, 0.1, "mains pickup rises: a floating electrode takes up the line by itself"),
    "mains_at_once": (2.8, 0.3, "it changes at an edge, within half a second"),
    "mains_unsteady": (0.9, 0.5, "it is less steady than beside the stretch"),
    "tied": (-0.4, -0.8, "mains is below what a wearer tied to ground picks up"),
    "silent": (3.6, 0.5, "movement shows by more than half less than like acceleration shows beside it"),
    "answers": (-1.5, 0.0, "movement shows as it does beside the stretch"),
    "rattles": (0.5, 0.3, "the level jumps about more than movement explains"),
    "noise_more": (-0.4, 0.4, "the field is noisier than beside the stretch"),
    "noise_less": (0.4, 0.0, "it is quieter"),
    "step_in": (0.3, 0.0, "the level steps at the beginning"),
    "step_out": (0.4, 0.2, "and at the end"),
    "recovery": (1.0, 1.0, "what follows falls off as the AC coupling recovers"),
    "loose": (-1.0, -1.0, "nothing is odd at the stretch's own ends"),
    "restless": (-0.9, -0.9, "steps come and go inside"),
    "lamp": (-3.0, -3.0, "mains changes while movement answers, or with no step: a lamp"),
    "grounded": (-1.5, -1.5, "silence without more mains and without steps: tied to ground"),
}
"""Witness -> log-odds for the first unit (an octave, for changes), for each more, and what it means.

Loss of mains and the share of its harmonics were fitted as well and came out at nothing: in the model the
corner of a floating input lies below 50 Hz, so that its harmonics rise by a quarter at most.
"""

CHECKS: Mapping[str, tuple[float, str]] = {
    "alone": (-5.0, "one witness alone: no two of mains, silence, steps and comings and goings"),
    "heard": (-3.0, "movement is plainly answered, and contact does not come and go"),
    "sinks": (-4.0, "silence without more mains or steps at both ends, as soles tie a wearer to ground"),
    "spread": (-3.0, "the ends of the stretch are as usual, and mains is no more"),
}
"""What speaks against it that no single witness says."""

MOST_EACH = 4.0
"""Log-odds beyond which a stretch is no better than another."""


@dataclass(frozen=True)
class Weighed:
    """The stretch [start, stop) of windows, its witnesses, and the log-odds that the electrode was off."""

    start: int
    stop: int
    witnesses: Mapping[str, float]
    log_odds: float

    @property
    def probability(self) -> float:
        """That the electrode was off, 0 to 1."""
        return 1 / (1 + math.exp(-self.log_odds))

    def reasons(self, most: int = 4) -> tuple[str, ...]:
        """What speaks for it, strongest first."""
        given = [
            (first * min(value, 1.0) + more * max(value - 1.0, 0.0), meaning)
            for name, (first, more, meaning) in WEIGHTS.items()
            if (value := self.witnesses[name]) > 0
        ]
        return tuple(meaning for gain, meaning in sorted(given, key=lambda one: -one[0])[:most] if gain > 0.3)

    def missing(self) -> tuple[str, ...]:
        """Which witnesses could not be heard."""
        told = {"mains_more": "no mains to compare with", "silent": "no movement to compare with"}
        return tuple(text for name, text in told.items() if math.isnan(self.witnesses[name]))


def weigh_all(scene: Scene, stretches: Sequence[tuple[int, int]], agreed: bool = False) -> list[Weighed]:
    """Weigh all stretches; ``agreed`` where two witnesses agree in each by the rule."""
    start, stop = np.array(stretches, np.int64).reshape(-1, 2).T
    found = witnesses_of(scene, start, stop)
    total = np.full(len(start), PRIOR)
    for name, (first, more, _) in WEIGHTS.items():
        value = np.nan_to_num(found[name])
        total = total + first * np.minimum(value, 1) + more * np.maximum(value - 1, 0)
    checks = _checks(found)
    for name, holds in checks.items():
        total = total + CHECKS[name][0] * holds
    if agreed:
        total = np.maximum(total, PRIOR + CHECKS["heard"][0] * checks["heard"]) + AGREED
    return [
        Weighed(a, b, {name: float(found[name][k]) for name in found}, float(total[k]))
        for k, (a, b) in enumerate(stretches)
    ]


def _checks(found: Mapping[str, Floats]) -> dict[str, Mask]:
    v = {name: np.nan_to_num(value) for name, value in found.items()}
    change = np.maximum(v["mains_more"], v["mains_less"])
    silent = v["silent"] >= 0.7
    changed = (change >= 0.5) & ((v["mains_at_once"] >= 0.6 * change) | silent)
    # An edge where the recording begins or ends cannot step.
    ends = np.minimum(*(np.nan_to_num(found[name], nan=np.inf) for name in ("step_in", "step_out")))
    stepped = np.where(silent, np.maximum(v["step_in"], v["step_out"]), ends) >= 1.5
    agreeing = changed.astype(int) + silent + stepped + (v["restless"] >= 0.5)
    return {
        "alone": agreeing < 2,
        "heard": (v["answers"] >= 0.4) & (v["restless"] < 0.5),
        "sinks": (v["silent"] > 0)
        & (v["mains_more"] < 0.5)
        & (np.minimum(v["step_in"], v["step_out"]) < 1.5)
        & (np.nan_to_num(found["tied"], nan=1.0) > -0.5),
        "spread": (v["loose"] >= 0.5) & (v["mains_more"] < 0.5),
    }


def best(weighed: Sequence[Weighed], window_s: float) -> list[Weighed]:
    """Of overlapping stretches those that together weigh most: log-odds times length."""
    ordered = sorted(weighed, key=lambda one: (one.stop, one.start))
    stops = [one.stop for one in ordered]
    totals, before = [0.0], list[int]()
    for k, one in enumerate(ordered):
        free = bisect_right(stops, one.start, 0, k)
        worth = totals[free] + min(one.log_odds, MOST_EACH) * (one.stop - one.start) * window_s
        before.append(free if worth > totals[k] else -1)
        totals.append(max(totals[k], worth))
    picked, k = list[Weighed](), len(ordered)
    while k:
        free = before[k - 1]
        if free >= 0:
            picked.append(ordered[k - 1])
        k = free if free >= 0 else k - 1
    return picked[::-1]
