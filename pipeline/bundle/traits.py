"""Small cells: combinations of recorded traits that few participants share.

A combination that a participant shares with fewer than k - 1 others can point at that person for somebody who
knows them (k-anonymity: L. Sweeney 2002, Int. J. Uncertainty, Fuzziness and Knowledge-Based Systems 10:557,
from memory). What is looked at is what a bundle says of a person: where, with which devices and on which
mains they were recorded, how often, by which layouts, channels and rates, and each further column that was
asked for.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from pipeline.bundle.recoded import RecodedSession

MOST_TOGETHER = 3
"""Traits that are combined, beside all of them together: more add no smaller cell than all do."""

MOST_TOLD = 10
"""Warnings that are shown; the rest is counted."""

_Traits = Mapping[str, tuple[str, ...]]


def small_cells(sessions: Sequence[RecodedSession], least: int) -> tuple[str, ...]:
    """Sentences on combinations of traits that fewer than `least` participants share.

    Those that single out most people come first. Only the smallest combinations are told: one that holds a
    told one is small as well. Of fewer participants than `least`, those that stand alone are told. No
    sentence names a participant or a value.
    """
    people = _traits(sessions)
    if not people:
        return ()
    few = len(people) < least
    bar = 2 if few else least  # of so few, what singles somebody out
    names = [*next(iter(people.values()))]
    told: list[tuple[str, ...]] = []
    found: list[tuple[int, int, str]] = []
    for chosen in _combinations(names):
        if any(set(small) <= set(chosen) for small in told):
            continue
        cells = Counter(tuple(traits[name] for name in chosen) for traits in people.values())
        small = [n for n in cells.values() if n < bar]
        if small:
            told.append(chosen)
            sentence = _sentence(chosen, small, len(people), bar)
            found.append((-small.count(1), -sum(small), sentence))
    sentences = [sentence for *_, sentence in sorted(found, key=lambda one: one[:2])]
    rest = len(sentences) - MOST_TOLD
    more = [f"{rest} more combinations are shared by fewer than {bar}."] if rest > 0 else []
    return (*(_few_words(len(people), least) if few else ()), *sentences[:MOST_TOLD], *more)


def _few_words(n: int, least: int) -> tuple[str, ...]:
    there = "is 1 participant" if n == 1 else f"are {n} participants"
    return (f"There {there}, fewer than {least}: whatever is said of one is shared by too few.",)


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
            "layout": session.layout,
            "channels and rates": _channels_and_rates(session),
            **{f"'{name}'": value for name, value in session.extra.items()},
        }
        for name, value in said.items():
            traits.setdefault(name, set()).add(value)
    worn = Counter(session.participant for session in sessions)
    return {
        person: {name: tuple(sorted(values)) for name, values in traits.items()}
        | {"number of sessions": (str(worn[person]),)}
        for person, traits in found.items()
    }


def _channels_and_rates(session: RecodedSession) -> str:
    recordings = session.quality.get("recordings", ())
    return ";".join(sorted(f"{one['sample_hz']:.3g} {' '.join(one['channels'])}" for one in recordings))
