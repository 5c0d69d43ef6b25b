"""Witnesses and marks weighed together: the probability that the electrode was off, and what speaks for it.

Boosted trees weigh them, since a mark says something only beside another one: mains that changes is a lamp
but where the level jumps with it. They were fitted by ``tests/fit_contact.py`` on simulated recordings of
:mod:`pipeline.simulate.draw`, all of seeds that are for tuning; how often they are right on others stands in
DEVELOPERS.md. What each witness adds to the log-odds is known to the last part (:mod:`.trees`).
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import accumulate
from typing import NamedTuple

import numpy as np

from pipeline.detectors.innocent import GROUNDED, STEADY, UNCHANGED, innocent_of
from pipeline.detectors.marks import marks_of
from pipeline.detectors.signs import Signs
from pipeline.detectors.spread import spread_of
from pipeline.detectors.stretches import CHATTER_S, SHORTEST_S, Stretches
from pipeline.detectors.trees import contact_trees
from pipeline.detectors.windows import Floats
from pipeline.detectors.witnesses import Heard, hear

NEVER_ON = 1.3
"""Log-odds of a recording of which all shows plain mains and no movement: nothing is left to compare with."""

ANSWERED = 2.0
"""Log-odds by which that is less likely where movement shows as it does all along."""

AT_ONCE = 10_000
"""Stretches that are weighed together."""

AGAIN, AGAIN_ODDS, ALONE_ODDS, AGAIN_POWER = "again", 7.0, 0.7, 4
"""How many times as likely, in odds, an electrode is to have been off that surely was so at another time, and
one that was not: a loose strap stays loose (common practice, no source; of the draws it is about as much).
A doubtful one counts by this power of its probability: soles that dampen do so again, too."""

MAYBE_OFF = -1.1
"""Log-odds from which on another stretch is looked at as such a time."""

MEANINGS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "jumps": (
        "how far the level jumps at its ends",
        ("far", "often", "around", "abrupt", "size", "jumps", "big_jump"),
    ),
    "mains": (
        "how far mains is from what it is beside",
        ("line", "mains", "unusual", "away", "stays", "ramp", "folds_hz"),
    ),
    "mains_jump": ("that mains changes as the level jumps", ("mains_jump",)),
    "movement": (
        "how little movement shows",
        ("walk", "stroke", "silent", "silence", "falls_silent", "answers", "fades", "bend", "acceleration"),
    ),
    "movement_mains": (
        "that movement hardly shows while mains or the level change",
        ("silent_mains", "silent_plain", "silent_start", "silent_end", "tied"),
    ),
    "rest": ("what a body at rest shows", ("calm", "calm_silent", "calm_answers")),
    "restless": (
        "how often the level jumps and mains leaps inside",
        ("jumpy", "restless", "restless_mains", "flips", "leaping", "leaping_mains", "residue", "step"),
    ),
    "marks": ("how plain its marks are together", ("first_mark", "second_mark", "third_mark", "second_high")),
    "rails": ("how near it lies to an overload", ("railed", "since_rail", "until_rail")),
    "length": ("how long it lasts, and whether it ends with the recording", ("length", "ends", "long")),
    AGAIN: ("that the electrode was off at another time", (AGAIN,)),
    STEADY: ("that mains keeps its phase, as with a lamp", (STEADY,)),
    UNCHANGED: ("that plain mains stays as it is", (UNCHANGED,)),
    GROUNDED: ("that mains gets less, too, as on soles that dampen", (GROUNDED,)),
}
"""What witnesses speak of: how that is said, and how their names begin."""

MOSTLY_RAILED = 0.75
"""A stretch of which so much stands at a rail is an overload, whatever lies behind it; so is one of which
less than the shortest of all stretches lies off the rails."""

LEAST_SAID = 0.3
"""Log-odds below which a reason is not worth a word."""

OFTEN = 0.5
"""How far jumps or leaps of mains stand above those beside, 0 to 1, for contact to come and go."""

NEARLY_ALL = 0.95
"""Stretches that cover so much of a recording leave nothing that they could be unlike."""

BEYOND, POWER = 2.0, 0.3
"""In the choice among overlapping stretches log-odds count beyond so much below the least, times this power
of the length: the whole of a loss stands for its likelier parts."""


@dataclass(frozen=True)
class Weighed:
    """The stretch [start, stop) of windows, its witnesses, and the log-odds that the electrode was off.

    ``gains`` are the log-odds by what they speak of; ``silence`` is by how many octaves movement shows less
    (NaN where it is not known), ``step_in`` how far the level jumps at the beginning.
    """

    start: int
    stop: int
    witnesses: Mapping[str, float]
    log_odds: float
    gains: Mapping[str, float]
    silence: float = math.nan
    step_in: float = 0.0

    @property
    def probability(self) -> float:
        """That the electrode was off, 0 to 1."""
        return _probability(self.log_odds)

    @property
    def comes_and_goes(self) -> bool:
        """Whether the level jumps, or mains leaps, far more often than beside the stretch."""
        return max(self.witnesses["restless"], self.witnesses["flips"]) >= OFTEN

    def reasons(self, most: int = 4) -> tuple[str, ...]:
        """What speaks for it and by how much, strongest first."""
        strongest = sorted(self.gains.items(), key=lambda one: -one[1])[:most]
        return tuple(f"{MEANINGS[name][0]} ({gain:+.1f})" for name, gain in strongest if gain > LEAST_SAID)

    def missing(self) -> tuple[str, ...]:
        """Which witnesses could not be heard."""
        told = {"mains": "no mains to compare with", "falls_silent": "no movement to compare with"}
        return tuple(text for name, text in told.items() if math.isnan(self.witnesses[name]))


def _probability(log_odds: float) -> float:
    return 1 / (1 + math.exp(-log_odds))


def meaning_of(witness: str) -> str:
    """What a witness speaks of: the key of `MEANINGS` whose beginning fits it best."""
    fits = [
        (len(begins), key)
        for key, (_, beginnings) in MEANINGS.items()
        for begins in beginnings
        if witness == begins or witness.startswith(begins + "_")
    ]
    return max(fits)[1]


def witnesses_of(signs: Signs, stretches: Stretches) -> tuple[Heard, dict[str, Floats]]:
    """What is heard of the stretches, and all witnesses and marks by name."""
    heard = hear(signs, stretches)
    told = {**heard.witnesses, "silence": heard.silence}
    return heard, told | marks_of(signs, stretches) | spread_of(signs, stretches)


def _table(told: Mapping[str, Floats]) -> Floats:
    """Values as the trees ask for them, shape (stretches, names)."""
    return np.stack([told[name] for name in contact_trees().names], axis=1)


def weigh_whole(signs: Signs, log_odds: float) -> Weighed:
    """The whole recording as one stretch, of which something else has told the log-odds."""
    n = len(signs)
    heard = hear(signs, Stretches.of([(0, 0, n, n)], n, 1))
    witnesses = {name: float(of[0]) for name, of in heard.witnesses.items()}
    return Weighed(0, n, witnesses, log_odds - ANSWERED * witnesses["answers"], {})


class _Likely(NamedTuple):
    """A stretch [start, stop) of windows: which one it is, its log-odds, and those that another one adds."""

    start: int
    stop: int
    which: int
    log_odds: float
    again: float = 0.0

    @property
    def all_odds(self) -> float:
        return self.log_odds + self.again


def likely(signs: Signs, stretches: Stretches, least: float) -> list[Weighed]:
    """Stretches of at least the log-odds `least` that do not overlap, ascending: likely and long ones."""
    lower = min(least - math.log(AGAIN_ODDS), MAYBE_OFF)
    maybe = list[_Likely]()
    for first in range(0, len(stretches), AT_ONCE):
        maybe += _maybe(signs, stretches, first, lower)
    again = [one for one in _with_others(maybe, len(signs)) if one.all_odds >= least]
    return _told(signs, stretches, _unlike_the_rest(_best(again, least), len(signs)))


def _maybe(signs: Signs, stretches: Stretches, first: int, least: float) -> Iterator[_Likely]:
    """Those from number `first` on of at least the log-odds `least`."""
    some = stretches.some(np.arange(first, min(first + AT_ONCE, len(stretches))))
    told = witnesses_of(signs, some)[1]
    total = contact_trees().log_odds_of(_table(told)) + sum(innocent_of(signs, told).values())
    off_rails_s = (1 - told["railed"]) * (some.stop - some.start) * signs.window_s
    is_told = (total >= least) & (told["railed"] < MOSTLY_RAILED) & (off_rails_s >= SHORTEST_S)
    # What the last edge lasts beyond chatter is a new contact.
    stop = np.minimum(some.stop, some.inner_stop + signs.n(CHATTER_S))
    for k in np.flatnonzero(is_told).tolist():
        yield _Likely(int(some.start[k]), int(stop[k]), first + k, float(total[k]))


def _with_others(maybe: list[_Likely], n: int) -> list[_Likely]:
    """Each with what the likeliest stretch apart from it adds."""
    others = [one for one in maybe if one.log_odds >= MAYBE_OFF]
    others = _unlike_the_rest(_best(others, MAYBE_OFF), n)
    alone, gains = math.log(ALONE_ODDS), [_again(one) for one in others]
    starts, stops = [one.start for one in others], [one.stop for one in others]
    before = list(accumulate(gains, max, initial=alone))
    behind = list(accumulate(gains[::-1], max, initial=alone))[::-1]
    return [
        one._replace(again=max(before[bisect_right(stops, one.start)], behind[bisect_left(starts, one.stop)]))
        for one in maybe
    ]


def _again(other: _Likely) -> float:
    """What a stretch adds to another one: little where it is doubtful, since both may look like it alike."""
    sure = _probability(other.log_odds) ** AGAIN_POWER
    return math.log(ALONE_ODDS * (1 - sure) + AGAIN_ODDS * sure)


def _told(signs: Signs, stretches: Stretches, picked: list[_Likely]) -> list[Weighed]:
    """What the witnesses say of the stretches that were picked."""
    if not picked:
        return []
    which = np.array([one.which for one in picked], np.int64)
    heard, told = witnesses_of(signs, stretches.some(which))
    innocent = innocent_of(signs, told)
    return [
        Weighed(
            one.start,
            one.stop,
            {name: float(of[k]) for name, of in heard.witnesses.items()},
            one.all_odds,
            _gains(values) | {AGAIN: one.again} | {name: float(odds[k]) for name, odds in innocent.items()},
            float(heard.silence[k]),
            float(heard.step_in[k]),
        )
        for k, (one, values) in enumerate(zip(picked, _table(told), strict=True))
    ]


def _gains(values: Floats) -> dict[str, float]:
    """Log-odds of the trees by what they speak of."""
    gained = dict.fromkeys(MEANINGS, 0.0)
    for name, gain in contact_trees().gains(values).items():
        gained[meaning_of(name)] += gain
    return gained


def _best(found: list[_Likely], least: float) -> list[_Likely]:
    """Of stretches that overlap those that weigh most together, ascending."""
    found = sorted(found, key=lambda one: (one.stop, one.start))
    stops = [one.stop for one in found]
    best, taken = [0.0], list[tuple[bool, int]]()
    for i, one in enumerate(found):
        before = bisect_right(stops, one.start, 0, i)
        with_it = best[before] + (one.all_odds - least + BEYOND) * (one.stop - one.start) ** POWER
        taken.append((with_it > best[i], before))
        best.append(max(with_it, best[i]))
    picked, i = list[_Likely](), len(found)
    while i:
        is_taken, before = taken[i - 1]
        if is_taken:
            picked.append(found[i - 1])
        i = before if is_taken else i - 1
    return picked[::-1]


def _unlike_the_rest(picked: list[_Likely], n: int) -> list[_Likely]:
    """Without the least likely stretch where nothing is left beside them all: one of them is the usual."""
    if len(picked) > 1 and sum(one.stop - one.start for one in picked) > NEARLY_ALL * n:
        least = min(picked, key=lambda one: one.all_odds)
        return [one for one in picked if one is not least]
    return picked
