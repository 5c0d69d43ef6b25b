"""Witnesses and marks weighed together: the probability that the electrode was off, and what speaks for it.

Boosted trees weigh them, since a mark says something only beside another one: mains that changes is a lamp
but where the level jumps with it. They were fitted by ``tests/fit_contact.py`` on simulated recordings of
:mod:`pipeline.simulate.draw`, all of seeds that are for tuning; how often they are right on others stands in
DEVELOPERS.md. What each witness adds to the log-odds is known to the last part (:mod:`.trees`).
"""

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.detectors.marks import marks_of
from pipeline.detectors.signs import Signs
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
        return 1 / (1 + math.exp(-self.log_odds))

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
    return heard, {**heard.witnesses, "silence": heard.silence, **marks_of(signs, stretches)}


def _table(told: Mapping[str, Floats]) -> Floats:
    """Values as the trees ask for them, shape (stretches, names)."""
    return np.stack([told[name] for name in contact_trees().names], axis=1)


def weigh_whole(signs: Signs, log_odds: float) -> Weighed:
    """The whole recording as one stretch, of which something else has told the log-odds."""
    n = len(signs)
    heard = hear(signs, Stretches.of([(0, 0, n, n)], n, 1))
    witnesses = {name: float(of[0]) for name, of in heard.witnesses.items()}
    return Weighed(0, n, witnesses, log_odds - ANSWERED * witnesses["answers"], {})


def likely(signs: Signs, stretches: Stretches, least: float) -> list[Weighed]:
    """Stretches of at least the log-odds `least` that do not overlap, ascending: likely and long ones."""
    found = [one for some in _parts(stretches) for one in _likely_of(signs, some, least)]
    return _unlike_the_rest(_best(found, least), len(signs))


def _parts(stretches: Stretches) -> Iterator[Stretches]:
    for first in range(0, len(stretches), AT_ONCE):
        yield stretches.some(np.arange(first, min(first + AT_ONCE, len(stretches))))


def _likely_of(signs: Signs, stretches: Stretches, least: float) -> list[Weighed]:
    """Those of at least the log-odds `least`; what the last edge lasts beyond chatter is a new contact."""
    heard, told = witnesses_of(signs, stretches)
    values = _table(told)
    total = contact_trees().log_odds_of(values)
    off_rails_s = (1 - told["railed"]) * (stretches.stop - stretches.start) * signs.window_s
    is_told = (total >= least) & (told["railed"] < MOSTLY_RAILED) & (off_rails_s >= SHORTEST_S)
    return [
        Weighed(
            int(stretches.start[k]),
            int(min(stretches.stop[k], stretches.inner_stop[k] + signs.n(CHATTER_S))),
            {name: float(of[k]) for name, of in heard.witnesses.items()},
            float(total[k]),
            _Gains(values[k].copy()),  # a view would keep those of all others
            float(heard.silence[k]),
            float(heard.step_in[k]),
        )
        for k in np.flatnonzero(is_told).tolist()
    ]


class _Gains(Mapping[str, float]):
    """Log-odds by what they speak of, worked out when they are asked for."""

    def __init__(self, values: Floats) -> None:
        self._values = values
        self._known: dict[str, float] | None = None

    def _all(self) -> dict[str, float]:
        if self._known is None:
            self._known = dict.fromkeys(MEANINGS, 0.0)
            for name, gain in contact_trees().gains(self._values).items():
                self._known[meaning_of(name)] += gain
        return self._known

    def __getitem__(self, key: str) -> float:
        return self._all()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(MEANINGS)

    def __len__(self) -> int:
        return len(MEANINGS)


def _best(found: list[Weighed], least: float) -> list[Weighed]:
    """Of stretches that overlap those that weigh most together, ascending."""
    found = sorted(found, key=lambda one: (one.stop, one.start))
    stops = [one.stop for one in found]
    best, taken = [0.0], list[tuple[bool, int]]()
    for i, one in enumerate(found):
        before = bisect_right(stops, one.start, 0, i)
        with_it = best[before] + (one.log_odds - least + BEYOND) * (one.stop - one.start) ** POWER
        taken.append((with_it > best[i], before))
        best.append(max(with_it, best[i]))
    picked, i = list[Weighed](), len(found)
    while i:
        is_taken, before = taken[i - 1]
        if is_taken:
            picked.append(found[i - 1])
        i = before if is_taken else i - 1
    return picked[::-1]


def _unlike_the_rest(picked: list[Weighed], n: int) -> list[Weighed]:
    """Without the least likely stretch where nothing is left beside them all: one of them is the usual."""
    if len(picked) > 1 and sum(one.stop - one.start for one in picked) > NEARLY_ALL * n:
        least = min(picked, key=lambda one: one.log_odds)
        return [one for one in picked if one is not least]
    return picked
