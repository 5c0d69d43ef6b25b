"""Small cells: combinations of recorded traits that few participants share.

A combination that a participant shares with fewer than k - 1 others can point at that person for somebody who
knows them (k-anonymity: L. Sweeney 2002, Int. J. Uncertainty, Fuzziness and Knowledge-Based Systems 10:557,
from memory). What is looked at is what a bundle says of a person: where, with which devices and on which
mains they were recorded, and each further column that was asked for.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from pipeline.bundle.recoded import RecodedSession

MOST_TOGETHER = 3
"""Traits that are combined, beside all of them together: more add no smaller cell than all do."""

MOST_TOLD = 8
"""Warnings that are shown; the rest is counted."""

_Traits = Mapping[str, tuple[str, ...]]


def small_cells(sessions: Sequence[RecodedSession], least: int) -> tuple[str, ...]:
    """Sentences on combinations of traits that fewer than `least` participants share.

    Only the smallest combinations are told: one that holds a told one is small as well. No sentence names a
    participant or a value.
    """
    people = _traits(sessions)
    if not people:
        return ()
    if len(people) < least:
        n = len(people)
        few = f"There {'is 1 participant' if n == 1 else f'are {n} participants'}, fewer than {least}"
        return (f"{few}: whatever is said of one is shared by too few.",)
    names = [*next(iter(people.values()))]
    told: list[tuple[str, ...]] = []
    sentences = []
    for chosen in _combinations(names):
        if any(set(small) <= set(chosen) for small in told):
            continue
        cells = Counter(tuple(traits[name] for name in chosen) for traits in people.values())
        small = [n for n in cells.values() if n < least]
        if small:
            told.append(chosen)
            sentences.append(_sentence(chosen, small, len(people), least))
    rest = len(sentences) - MOST_TOLD
    more = [f"{rest} more combinations are shared by fewer than {least}."] if rest > 0 else []
    return (*sentences[:MOST_TOLD], *more)


def _sentence(chosen: tuple[str, ...], small: Sequence[int], of_all: int, least: int) -> str:
    n, alone = sum(small), sum(size == 1 for size in small)
    lone = f", {alone} of them alone" if alone else ""
    stand = "stands" if n == 1 else "stand"
    by = " and ".join(chosen)
    return f"By {by}: {n} of {of_all} participants {stand} in groups of fewer than {least}{lone}."


def _combinations(names: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """From single traits to few together, and all of them."""
    for n in range(1, min(len(names), MOST_TOGETHER) + 1):
        yield from combinations(names, n)
    if len(names) > MOST_TOGETHER:
        yield tuple(names)


def _traits(sessions: Sequence[RecodedSession]) -> dict[str, _Traits]:
    """What is said of each participant: the values of each trait over their sessions."""
    found: dict[str, dict[str, set[str]]] = {}
    for session in sessions:
        traits = found.setdefault(session.participant, {})
        said = {
            "site": session.site,
            "device": session.device,
            "mains": f"{session.mains_hz:g}",
            **{f"'{name}'": value for name, value in session.extra.items()},
        }
        for name, value in said.items():
            traits.setdefault(name, set()).add(value)
    return {
        person: {name: tuple(sorted(values)) for name, values in traits.items()}
        for person, traits in found.items()
    }
