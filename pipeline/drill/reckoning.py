"""From the outcomes of all copies to the figures of a drill."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any

import numpy as np

from pipeline.drill.host import Host
from pipeline.drill.kinds import KINDS, LEAST_MOVING_S, Kind
from pipeline.drill.limit import Limit, limit_of
from pipeline.drill.scoring import Interval, rate_per_hour, share
from pipeline.drill.trial import Outcome, Seen, Tried
from schemas.conditions import BY_NAME, CONDITIONS

N_BINS = 6
"""Groups of strengths or lengths for which a share is drawn."""

_PER_HOUR_S = 3600.0


@dataclass(frozen=True)
class One:
    """A planted event with its copy, and whether it has to be found."""

    outcome: Outcome
    tried: Tried
    kind: Kind

    @property
    def strength(self) -> float:
        """In the unit of the kind."""
        return self.tried.planted.event.strength

    @property
    def lasts_s(self) -> float:
        """Its length: as asked for, since a swing is beyond the rail for a part of it only."""
        return self.tried.planted.asked_s

    @property
    def matters(self) -> bool:
        """Whether it has to be found."""
        return self.tried.planted.matters(self.kind)

    @property
    def is_shown(self) -> bool:
        """Whether there is anything that could show it, however strong and long it is."""
        return self.kind.counts_in(inf, inf, self.tried.planted.moving_s)


def reckon(outcomes: Sequence[Outcome], hosts: Sequence[Host]) -> dict[str, Any]:
    """All figures of a drill, as JSON holds them: None is what cannot be had."""
    by_kind = {kind.name: kind for kind in KINDS}
    ones = [One(o, tried, by_kind[o.kind]) for o in outcomes for tried in o.tried]
    kinds = [_of_kind(kind, [one for one in ones if one.kind is kind]) for kind in KINDS]
    kinds = [entry for entry in kinds if entry["n_planted"]]
    must = [one for one in ones if one.matters and one.kind.conditions]
    faults = [one for one in must if BY_NAME[one.kind.conditions[0]].fault]
    return {
        "n_copies": len(outcomes),
        "n_events": len(ones),
        "overall": _share(sum(one.tried.found for one in must), len(must)),
        "marked": _share(sum(one.tried.is_marked for one in faults), len(faults)),
        "kinds": kinds,
        "false_alarms": _false_alarms(outcomes),
        "own_marks": _own_marks(hosts),
        "verdicts": _verdicts(outcomes),
    }


def _of_kind(kind: Kind, ones: Sequence[One]) -> dict[str, Any]:
    must = [one for one in ones if one.matters]
    shown = [one for one in ones if one.is_shown]
    long = [one for one in shown if one.lasts_s >= kind.matters_s]
    plain = [one for one in shown if not kind.has_strength or one.strength >= kind.matters]
    entry = {
        "kind": kind.name,
        "words": kind.words,
        "conditions": list(kind.conditions),
        "told_by": kind.told_by,
        "strength_is": kind.strength_is,
        "strength_unit": kind.strength_unit,
        "matters_strength": kind.matters if kind.has_strength else None,
        "matters_s": kind.matters_s,
        "least_moving_s": LEAST_MOVING_S if kind.shows_in_movement else None,
        "n_planted": len(ones),
        "n_matter": len(must),
        "found": _share(sum(one.tried.found for one in must), len(must)),
        "marked": _share(sum(one.tried.is_marked for one in must), len(must)),
        "taken_for": _taken_for(must),
        "nothing": sum(not one.tried.as_ for one in must),
    }
    at_strength, at_length = list[dict[str, Any]](), list[dict[str, Any]]()
    no_strength = "it has no strength" if not kind.has_strength else ""
    no_length = "it has no length" if kind.level == "copy" else ""
    by_strength = Limit(None, None, None, no_strength)
    by_length = Limit(None, None, None, no_length)
    if not no_strength:
        at_strength = _bins(long, lambda one: one.strength)
        by_strength = limit_of([one.strength for one in long], [one.tried.found for one in long])
    if not no_length:
        at_length = _bins(plain, lambda one: one.lasts_s)
        by_length = limit_of([one.lasts_s for one in plain], [one.tried.found for one in plain])
    return {
        **entry,
        "by_strength": at_strength,
        "by_length": at_length,
        "limit_strength": _limit(by_strength),
        "limit_length_s": _limit(by_length),
    }


def _taken_for(must: Sequence[One]) -> dict[str, int]:
    """How many events each condition covers half of."""
    return {c.name: sum(c.name in one.tried.as_ for one in must) for c in CONDITIONS}


def _bins(ones: Sequence[One], size: Callable[[One], float]) -> list[dict[str, Any]]:
    """Shares found in groups of equal width on a logarithmic scale; groups without events are left out."""
    if not ones:
        return []
    sizes = np.array([size(one) for one in ones])
    found = np.array([one.tried.found for one in ones])
    edges = np.geomspace(sizes.min(), sizes.max() * (1 + 1e-9), N_BINS + 1)
    which = np.clip(np.searchsorted(edges, sizes, side="right") - 1, 0, N_BINS - 1)
    rows = []
    for i in range(N_BINS):
        mine = which == i
        if mine.any():
            middle = float(np.exp(np.log(sizes[mine]).mean()))
            span = {"from": _rounded(edges[i]), "to": _rounded(edges[i + 1]), "middle": _rounded(middle)}
            rows.append({**span, **_share(int(found[mine].sum()), int(mine.sum()))})
    return rows


def _false_alarms(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """What was found outside planted events and was not there before, for each hour outside them."""
    hours = sum(outcome.free_s for outcome in outcomes) / _PER_HOUR_S
    false = [seen for outcome in outcomes if outcome.free_s for seen in outcome.seen if seen.is_ == "false"]
    faults = [seen for seen in false if BY_NAME[seen.event.condition].fault]
    return {"hours": _rounded(hours), "faults": _rate(len(faults), hours), "by_condition": _by(false, hours)}


def _own_marks(hosts: Sequence[Host]) -> dict[str, Any]:
    """What is marked in the accepted recordings as they are: were all of it wrong, it would be the rate."""
    hours = sum(host.duration_s for host in hosts) / _PER_HOUR_S
    # that a sample is lost is counted, not judged
    marks = [Seen(event, "own") for host in hosts for event in host.detected if event.condition != "lost"]
    faults = [seen for seen in marks if BY_NAME[seen.event.condition].fault]
    return {"hours": _rounded(hours), "faults": _rate(len(faults), hours), "by_condition": _by(marks, hours)}


def _by(seen: Iterable[Seen], hours: float) -> dict[str, Any]:
    several = list(seen)
    return {c.name: _rate(sum(one.event.condition == c.name for one in several), hours) for c in CONDITIONS}


def _verdicts(outcomes: Sequence[Outcome]) -> dict[str, dict[str, int]]:
    """Kind -> verdict -> copies."""
    table: dict[str, dict[str, int]] = {}
    for outcome in outcomes:
        row = table.setdefault(outcome.kind, {})
        row[outcome.verdict] = row.get(outcome.verdict, 0) + 1
    return table


def _share(n: int, of: int) -> dict[str, Any]:
    return {"n": int(n), "of": of, **_interval(share(int(n), of))}


def _rate(n: int, hours: float) -> dict[str, Any]:
    return {"n": n, **_interval(rate_per_hour(n, hours))}


def _interval(interval: Interval) -> dict[str, Any]:
    return {
        "value": _rounded(interval.value),
        "low": _rounded(interval.low),
        "high": _rounded(interval.high),
    }


def _limit(limit: Limit) -> dict[str, Any]:
    return {
        "value": _rounded(limit.value),
        "low": _rounded(limit.low),
        "high": _rounded(limit.high),
        "why": limit.why,
    }


def _rounded(value: float | None) -> float | None:
    """Six digits: more say nothing, and differ from one library to the next."""
    return float(f"{value:.6g}") if value is not None and isfinite(value) else None
