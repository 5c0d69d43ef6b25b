"""How close a verdict is to turning: each limit moved alone, and all of them together.

Whoever reads a study asks whether its limits were convenient. The rules are those of :func:`.judge.name_by`,
asked again under changed policies; the samples are not looked at again, for no limit decides what is marked.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pipeline.detectors.findings import Measure
from pipeline.verdict.judge import LEAST_USABLE, Verdict, VerdictName, name_by
from pipeline.verdict.moves import MOVES, factor_of, moved_limit
from pipeline.verdict.policy import Policy, Threshold

_LENGTH_MATTERS = 0.5
"""Share by which the length asked for may differ from a session's for it to be called the nearest limit."""
_DIGITS = 6
"""Significant digits of a turning factor."""


@dataclass(frozen=True)
class Standing:
    """A limit and the value nearest to turning it.

    ``channel`` is that of the value; None where it is of the whole session. ``bound`` says whether the limit
    is an upper one. ``factor`` is what this limit alone must be multiplied by for the verdict to become
    ``turns_to``: of six digits, rounded away from 1 until it does. Both are None where no factor does.
    """

    name: str
    channel: str | None
    value: float | None
    limit: float
    bound: Literal["max", "min"]
    factor: float | None = None
    turns_to: VerdictName | None = None


@dataclass(frozen=True)
class Moved:
    """The verdict with all limits moved by a factor of `MOVES`, and with single ones where these turn it."""

    factor: float
    verdict: VerdictName
    by_limit: Mapping[str, VerdictName]


@dataclass(frozen=True)
class Margins:
    """Every limit in the policy's order; the one that needs the smallest move; what moves do."""

    limits: tuple[Standing, ...]
    nearest: Standing | None
    moved: tuple[Moved, ...]


def margins(verdict: Verdict, policy: Policy) -> Margins:
    """How close `verdict`, reached under `policy`, is to turning.

    The numbers below which nothing is used at all (`LEAST_USABLE`) count as limits. A recording that could
    not be read has no margin: no limit decided.
    """
    if verdict.name == "unreadable":
        return Margins((), None, tuple(Moved(factor, "unreadable", {}) for factor in MOVES))
    # Nothing else decides: without the other measures, asking again costs next to nothing.
    measures = [j.measure for j in verdict.measures if j.limit or j.measure.name in LEAST_USABLE]
    limits = dict(_limits(measures, policy))
    standing = tuple(_standing(limit, of, measures, policy, verdict.name) for limit, of in limits.values())
    turning = [one for one in standing if one.factor is not None]
    moved = (_moved(factor, limits, measures, policy, verdict.name) for factor in MOVES)
    return Margins(standing, min(turning, key=_rank, default=None), tuple(moved))


def _limits(measures: Sequence[Measure], policy: Policy) -> Iterator[tuple[str, tuple[Threshold, str]]]:
    """Name -> the limit, with its bound, and the measure that it holds for, if the session has it."""
    known = {measure.name for measure in measures}
    for limit in policy.limits.values():
        if limit.name in known:
            yield limit.name, (limit, limit.name)
    for name, rule in LEAST_USABLE.items():
        if name in known:
            yield rule, (replace(policy.thresholds[f"verdict.{rule}"], bound="min"), name)


def _with(policy: Policy, *changed: Threshold) -> Policy:
    return Policy({**policy.thresholds, **{limit.key: limit for limit in changed}})


def _times(limit: Threshold, factor: float) -> Threshold:
    return replace(limit, value=moved_limit(limit.value, limit.bound, limit.unit, factor))


def _standing(
    limit: Threshold, of: str, measures: Sequence[Measure], policy: Policy, verdict: VerdictName
) -> Standing:
    upper = limit.bound != "min"
    values = [(m.value, m.channel) for m in measures if m.name == of and m.value is not None]
    pick = max if upper else min
    value, channel = pick(values, key=lambda pair: pair[0], default=(None, None))
    here = Standing(limit.name, channel, value, limit.value, "max" if upper else "min")
    for factor in _beside(value, limit.value):
        turned = name_by(measures, _with(policy, _times(limit, factor)))
        if turned != verdict:
            return replace(here, factor=factor, turns_to=turned)
    return here


def _beside(value: float | None, limit: float) -> list[float]:
    """Short factors on both sides of the one that brings `limit` to `value`, nearest to 1 first.

    A verdict is the same for all limits between two values, so no others need be tried.
    """
    if value is None or not limit > 0 or not value > 0 or not 1e-290 < value / limit < 1e290:
        return []
    # Just below a power of ten a step is a tenth of one just above it.
    power = math.floor(math.log10(value / limit * (1 - 10.0**-_DIGITS))) - _DIGITS + 1
    steps = math.floor(value / limit / float(f"1e{power}"))
    factors = [float(f"{step}e{power}") for step in range(steps - 1, steps + 3)]
    return sorted(factors, key=lambda factor: abs(factor - 1))


def _rank(standing: Standing) -> tuple[bool, float]:
    """Nearest first; the length that is asked for comes last, unless the session is about that long.

    How long somebody recorded says nothing of how well: of a clean session it would always be the nearest.
    """
    distance = abs((standing.factor or math.inf) - 1)
    return standing.name == LEAST_USABLE["clean_s"] and distance > _LENGTH_MATTERS, distance


def _moved(
    move: float,
    limits: Mapping[str, tuple[Threshold, str]],
    measures: Sequence[Measure],
    policy: Policy,
    verdict: VerdictName,
) -> Moved:
    changed = {name: _times(limit, factor_of(limit.bound, move)) for name, (limit, _) in limits.items()}
    alone = {name: name_by(measures, _with(policy, limit)) for name, limit in changed.items()}
    together = name_by(measures, _with(policy, *changed.values()))
    return Moved(move, together, {name: turned for name, turned in alone.items() if turned != verdict})
