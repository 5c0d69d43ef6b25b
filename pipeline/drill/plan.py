"""Which faults go where: copies of accepted recordings, each with several events of one kind, by a seed."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.drill.host import Host
from pipeline.drill.kinds import KINDS, Kind

APART_S = 10.0
"""From the end of one event to the next one at least: the AC coupling has settled by then."""

MOST_SHARE = 0.4
"""Share of the clean time that faults may take: most of a recording is still what it was."""

MOST_EVENTS = 24
"""In one copy."""

LONG_S = 20.0
"""Kinds whose events may be longer have twice as many copies."""

_GOLDEN, _PLASTIC = 0.6180339887498949, 0.7548776662466927
"""Steps whose multiples fill the unit interval evenly, however many there are."""

_FILES = ("wav", "edf")

LONGEST_WHOLE_S = 7200.0
"""What changes all samples of a recording holds them in memory: longer ones are spared."""

ENOUGH = 240
"""Events of a kind after which no further copy is made: long recordings hold many in each."""


@dataclass(frozen=True)
class Wanted:
    """One event to be planted; ``strength`` in the unit of its kind."""

    start_s: float
    stop_s: float
    strength: float


@dataclass(frozen=True)
class Copy:
    """One copy of a session's dumps, with events of one kind. ``seed`` is for everything left to chance."""

    name: str
    session: str
    kind: Kind
    seed: tuple[int, ...]
    events: tuple[Wanted, ...]


@dataclass
class _Draw:
    """Strengths and lengths in turn: one of the two is swept while the other is plain."""

    kind: Kind
    shift: tuple[float, float]
    n: int = field(default=0)

    def next(self, longest_s: float) -> tuple[float, float]:
        """Strength and length of the next event; nothing is longer than `longest_s`."""
        first = (self.shift[0] + self.n * _GOLDEN) % 1.0
        second = (self.shift[1] + self.n * _PLASTIC) % 1.0
        sweeps_strength = self.kind.has_strength and self.n % 2 == 0
        self.n += 1
        low, high = self.kind.durations_s
        high = max(min(high, longest_s), low)
        plain = min(max(self.kind.matters_s, low), high)
        if sweeps_strength:
            return _between(*self.kind.strengths, first), _between(plain, high, second)
        return _between(self.kind.matters, self.kind.strengths[1], second), _between(low, high, first)


def why_not(kind: Kind, host: Host) -> str:
    """Why a host cannot have faults of a kind; '' where it can."""
    if kind.level == "bytes" and host.layout.framing in _FILES:
        return "a file without frames that could be lost"
    if kind.name == "noise" and host.duration_s > LONGEST_WHOLE_S:
        return f"longer than {LONGEST_WHOLE_S / 3600:g} h, and noise is added to all of a recording"
    return ""


def plan(hosts: Sequence[Host], rounds: int, seed: int, kinds: Sequence[Kind] = KINDS) -> list[Copy]:
    """`rounds` copies for each kind, over all hosts in turn; the same for the same seed.

    Of kinds that last long, fewer events find room in a copy: these have twice as many copies.
    """
    copies = []
    for k, kind in enumerate(kinds):
        able = [host for host in hosts if not why_not(kind, host)]
        if not able:
            continue
        rng = np.random.default_rng([seed, k])
        order = rng.permutation(len(able))
        draw = _Draw(kind, (float(rng.random()), float(rng.random())))
        n_events = 0
        for i in range(2 * rounds if kind.durations_s[1] > LONG_S else rounds):
            if n_events >= ENOUGH:
                break
            host = able[int(order[i % len(able)])]
            own = np.random.default_rng([seed, k, i])
            events = tuple(_events(kind, host, draw, own))
            n_events += len(events)
            if events:
                name = f"{kind.name.replace('_', '-')}-{i + 1:03d}"
                copies.append(Copy(name, host.session, kind, (seed, k, i, 1), events))
    return copies


def _events(kind: Kind, host: Host, draw: _Draw, rng: np.random.Generator) -> Iterator[Wanted]:
    if kind.level == "copy":
        strength, _ = draw.next(host.duration_s)
        yield Wanted(0.0, host.duration_s, strength)
        return
    left_s, n = MOST_SHARE * host.clean_s, 0
    waiting: tuple[float, float] | None = None
    longest_s = max(stop - start for start, stop in host.clean) * 0.6
    for start_s, stop_s in host.clean:
        at_s = start_s + rng.uniform(0.0, APART_S / 2)
        while n < MOST_EVENTS:
            strength, lasts_s = waiting or draw.next(longest_s)
            waiting = strength, lasts_s
            if at_s + lasts_s > stop_s or (n and lasts_s > left_s):
                break
            yield Wanted(at_s, at_s + lasts_s, strength)
            waiting, n, left_s = None, n + 1, left_s - lasts_s
            at_s += lasts_s + APART_S * rng.uniform(1.0, 1.5)


def _between(low: float, high: float, position: float) -> float:
    return float(low * (high / low) ** position)
