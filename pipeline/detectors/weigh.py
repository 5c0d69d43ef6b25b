"""Witnesses weighed together: the log-odds of each, added up to the probability that the electrode was off.

The weights were fitted by logistic regression (signs held to what physics says, a penalty on the squares of
their distance from earlier ones) on the likeliest candidate of each lost contact, and of each half minute
without one, in 1,600 simulated recordings, among them held, stuck, filled and overdriven ones: seeds 0 to 99
of :mod:`pipeline.simulate.draw`. Of seeds 300 to 359, which they were not fitted on, 260 of 304 losses are
found, and 6 of 434 detections are false.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Stretches
from pipeline.detectors.windows import Floats
from pipeline.detectors.witnesses import FAR_OCTAVES, Heard, hear

PRIOR = -7.60
"""Log-odds of a stretch of which nothing is known but that it lies between two edges."""

NEVER_ON = 8.0
"""Log-odds of a recording of which all shows plain mains and no movement: nothing is left to compare with."""

WEIGHTS: Mapping[str, tuple[float, str]] = {
    "mains_jump": (4.0, "mains changes as the level jumps"),
    "unusual": (1.15, "mains is farther from the usual than beside the stretch"),
    "away": (2.0, "mains stays away from what it is beside the stretch"),
    "jumps": (0.5, "the level jumps at both ends, farther than movement makes it"),
    "big_jump": (1.8, "it jumps at the end by as much as a fresh contact does"),
    "restless": (5.65, "the level jumps far more often than beside the stretch"),
    "restless_mains": (1.4, "with jump upon jump mains is not what it is beside"),
    "flips": (4.5, "mains leaps up and down far more often than beside the stretch"),
    "leaping": (1.15, "the level jumps again and again, farther than movement makes it"),
    "leaping_mains": (0.45, "with one jump after the other mains is not what it is beside"),
    "ramp": (0.2, "mains changes bit by bit, and comes back at once"),
    "fades": (2.0, "movement shows less and less, and comes back at once"),
    "falls_silent": (1.5, "the field falls silent while the wearer moves on"),
    "silent_mains": (2.05, "movement hardly shows while mains is more"),
    "silent_plain": (1.85, "movement hardly shows while less mains is still plain"),
    "silent_start": (1.8, "movement hardly shows from a big jump on"),
    "silent_end": (1.55, "movement hardly shows until the level jumps"),
    "calm_silent": (1.65, "not even what a body at rest shows is left"),
    "answers": (-2.05, "movement shows as it does beside the stretch"),
    "calm_answers": (-1.15, "what a body at rest shows is there as beside the stretch"),
    "stays": (-1.25, "mains is heard plainly and stays what it is beside the stretch"),
    "tied": (-1.6, "silence and less mains, both by and by, as soles tie a wearer to ground"),
    "long": (-1.9, "it lasts longer than a minute, and much else may have changed"),
}
"""Witness -> log-odds for each unit, and what it means."""

REACH, LITTLE_REACH = 2.5, 1.0
"""Log-odds by which a stretch may be less likely than a part of it that it stands for: where contact comes
and goes, and otherwise."""

OFTEN = 0.5
"""How far jumps or leaps of mains stand above those beside, 0 to 1, for contact to come and go."""

LITTLE_LONGER = 2.0
"""A stretch up to so many times as long as a part of it may stand for it."""

NEARLY_ALL = 0.95
"""Stretches that cover so much of a recording leave nothing that they could be unlike."""

EDGE_COST = 0.2
"""Log-odds that a second of edges costs in the choice among overlapping stretches."""


@dataclass(frozen=True)
class Weighed:
    """The stretch [start, stop) of windows, its witnesses, and the log-odds that the electrode was off.

    ``silence`` is by how many octaves movement shows less (NaN where it is not known), ``step_in`` how far
    the level jumps at the beginning.
    """

    start: int
    stop: int
    witnesses: Mapping[str, float]
    log_odds: float
    silence: float = math.nan
    step_in: float = 0.0

    @property
    def probability(self) -> float:
        """That the electrode was off, 0 to 1."""
        return 1 / (1 + math.exp(-self.log_odds))

    @property
    def comes_and_goes(self) -> bool:
        """Whether the level jumps, or mains leaps, far more often than beside the stretch."""
        return max(self.witnesses["restless"], self.witnesses["flips"]) >= OFTEN

    def reasons(self, most: int = 4) -> tuple[str, ...]:
        """What speaks for it, strongest first."""
        given = [
            (weight * value, meaning)
            for name, (weight, meaning) in WEIGHTS.items()
            if not math.isnan(value := self.witnesses[name])
        ]
        return tuple(meaning for gain, meaning in sorted(given, key=lambda one: -one[0])[:most] if gain > 0.3)

    def missing(self) -> tuple[str, ...]:
        """Which witnesses could not be heard."""
        told = {"mains": "no mains to compare with", "falls_silent": "no movement to compare with"}
        return tuple(text for name, text in told.items() if math.isnan(self.witnesses[name]))


def log_odds(heard: Heard) -> Floats:
    """Of every stretch that was heard."""
    total = np.full(len(heard.usual), PRIOR)
    for name, (weight, _) in WEIGHTS.items():
        total = total + weight * np.nan_to_num(heard.witnesses[name])
    return total


def weigh_whole(signs: Signs, beforehand: float) -> Weighed:
    """The whole recording as one stretch; ``beforehand`` are log-odds that are known of it besides.

    Who knows something of the whole recording does not hold its length against it.
    """
    n = len(signs)
    whole = Stretches.of([(0, 0, n, n)], n, 1)
    heard = hear(signs, whole)
    of_length = WEIGHTS["long"][0] * heard.witnesses["long"]
    return _weighed(whole, heard, log_odds(heard) + beforehand - of_length, 0)


def _weighed(stretches: Stretches, heard: Heard, total: Floats, k: int) -> Weighed:
    """The stretch `k` by itself, with its log-odds of `total`."""
    return Weighed(
        int(stretches.start[k]),
        int(stretches.stop[k]),
        {name: float(values[k]) for name, values in heard.witnesses.items()},
        float(total[k]),
        float(heard.silence[k]),
        float(heard.step_in[k]),
    )


def likely(signs: Signs, stretches: Stretches, least: float) -> list[Weighed]:
    """Stretches of at least the log-odds `least`, ascending; of those that overlap the likeliest.

    Edges that last cost a little, since the change itself is quick. A stretch that holds a likelier one and
    is nearly as likely may stand for it, since the whole of it counts.
    """
    heard = hear(signs, stretches)
    total = log_odds(heard)
    edges = stretches.inner_start - stretches.start + stretches.stop - stretches.inner_stop
    cost = EDGE_COST * signs.window_s * edges - total
    found = [
        (cost[k], _fitted(signs, _weighed(stretches, heard, total, k), heard.usual[k]))
        for k in np.flatnonzero(total >= least).tolist()
    ]
    picked = list[Weighed]()
    for _, one in sorted(found, key=lambda pair: (pair[0], pair[1].start)):
        over = [other for other in picked if one.start < other.stop and other.start < one.stop]
        if over and not all(_stands_for(one, other) for other in over):
            continue
        picked = [*(other for other in picked if other not in over), one]
    return _unlike_the_rest(sorted(picked, key=lambda one: one.start), len(signs))


def _unlike_the_rest(picked: list[Weighed], n: int) -> list[Weighed]:
    """Without the least likely stretch where nothing is left beside them all: one of them is the usual."""
    if len(picked) > 1 and sum(one.stop - one.start for one in picked) > NEARLY_ALL * n:
        least = min(picked, key=lambda one: one.log_odds)
        return [one for one in picked if one is not least]
    return picked


def _stands_for(one: Weighed, other: Weighed) -> bool:
    """Whether a stretch holds another one, is nearly as likely, and little longer or full of comings."""
    holds = one.start <= other.start and other.stop <= one.stop
    little_longer = one.stop - one.start <= LITTLE_LONGER * (other.stop - other.start)
    reach = REACH if one.comes_and_goes else LITTLE_REACH
    return holds and (little_longer or one.comes_and_goes) and one.log_odds >= other.log_odds - reach


def _fitted(signs: Signs, one: Weighed, usual: float) -> Weighed:
    """The stretch without what lies before mains leaves the usual, and behind where it comes back to it.

    Windows whose mains is not known, as at a rail, go with what they stand beside.
    """
    if math.isnan(usual) or one.witnesses["away"] < 0.5:
        return one
    mains = signs.mains[one.start : one.stop]
    away = np.flatnonzero(np.abs(mains - usual) > FAR_OCTAVES)
    back = np.flatnonzero(np.abs(mains - usual) <= FAR_OCTAVES)
    first, last = int(away[0]), int(away[-1])
    before, behind = back[back < first], back[back > last]
    start = one.start + (int(before[-1]) + 1 if len(before) else 0)
    stop = one.start + (int(behind[0]) if len(behind) else len(mains))
    return replace(one, start=start, stop=stop)
