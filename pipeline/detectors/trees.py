"""Boosted trees as a table: what they say of many cases at once, and what each question adds.

A tree asks one question after the other, each whether a value lies at or below a bound, and ends at log-
odds; those of all trees are added up (Friedman, Annals of Statistics 29:1189, 2001). A row of the table is
a node: which value it asks for (none at an end), the bound, whether an unknown value counts as below it,
the rows that follow, and the mean log-odds of all that came so far when the trees were fitted. From one row
to the next on its way through a tree a case gains or loses log-odds by the answer to one question: the sum
of all these steps is what the trees say, which leaves nothing unexplained.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from pipeline.detectors.windows import Floats

Rows = npt.NDArray[np.int64]

AT_ONCE = 2000
"""Cases that are looked at together: memory stays bounded."""

END = -1
"""Number of the value that an end of a tree asks for."""


@dataclass(frozen=True)
class Trees:
    """All trees, arrays of shape (nodes,) but ``first``, (trees,): the row at which each begins.

    ``names`` are the values that may be asked for, ``asks`` which of them, by number.
    """

    names: tuple[str, ...]
    first: Rows
    asks: Rows
    bound: Floats
    unknown_below: npt.NDArray[np.bool_]
    below: Rows
    above: Rows
    log_odds: Floats

    def __post_init__(self) -> None:
        """Every question leads on to later rows, so that every way ends."""
        at = np.flatnonzero(self.asks != END)
        later = (self.below[at] > at) & (self.above[at] > at)
        if not later.all() or max(self.below.max(), self.above.max()) >= len(self.asks):
            raise ValueError("a question of the trees leads back, or nowhere")

    def log_odds_of(self, values: Floats) -> Floats:
        """Log-odds of cases; `values` (cases, names), NaN where one is unknown."""
        parts = [self._at_once(values[i : i + AT_ONCE]) for i in range(0, len(values), AT_ONCE)]
        return np.concatenate([*parts, np.empty(0)])

    def _at_once(self, values: Floats) -> Floats:
        at = np.broadcast_to(self.first, (len(values), len(self.first))).copy()
        case = np.arange(len(values))[:, np.newaxis]
        while (asking := self.asks[at] != END).any():
            value = values[case, self.asks[at]]
            is_below = np.where(np.isnan(value), self.unknown_below[at], value <= self.bound[at])
            at = np.where(asking, np.where(is_below, self.below[at], self.above[at]), at)
        return np.asarray(self.log_odds[at].sum(axis=1))

    def beforehand(self) -> float:
        """Log-odds of a case of which nothing has been asked."""
        return float(self.log_odds[self.first].sum())

    def gains(self, values: Floats) -> dict[str, float]:
        """What every value adds to the log-odds of one case; `values` (names,)."""
        gained = dict.fromkeys(self.names, 0.0)
        for first in self.first.tolist():
            at = first
            while (asked := int(self.asks[at])) != END:
                value = values[asked]
                is_below = self.unknown_below[at] if np.isnan(value) else value <= self.bound[at]
                then = int((self.below if is_below else self.above)[at])
                gained[self.names[asked]] += float(self.log_odds[then] - self.log_odds[at])
                at = then
        return gained

    def questions(self) -> dict[str, int]:
        """How often each value is asked for."""
        number = np.bincount(self.asks[self.asks != END], minlength=len(self.names))
        return dict(zip(self.names, number.tolist(), strict=True))


def parse(lines: Sequence[str]) -> Trees:
    """Trees from a table whose first line names the columns, a tree's first node having its number.

    Columns: tree (empty but in a first node), asks, bound, unknown_below (0 or 1), below, above (rows to
    go on to), log_odds.
    """
    rows = [line.split(",") for line in lines[1:] if line.strip()]
    names = tuple(sorted({row[1] for row in rows} - {""}))
    number = {name: i for i, name in enumerate(names)} | {"": END}
    return Trees(
        names,
        np.array([i for i, row in enumerate(rows) if row[0]], np.int64),
        np.array([number[row[1]] for row in rows], np.int64),
        np.array([float(row[2] or 0) for row in rows]),
        np.array([row[3] == "1" for row in rows], bool),
        np.array([int(row[4] or 0) for row in rows], np.int64),
        np.array([int(row[5] or 0) for row in rows], np.int64),
        np.array([float(row[6]) for row in rows]),
    )


@cache
def contact_trees() -> Trees:
    """Those that tell whether an electrode was off (``contact_trees.csv``)."""
    text = (files("pipeline.detectors") / "contact_trees.csv").read_text(encoding="utf-8")
    return parse(text.splitlines())
