"""How close verdicts are to turning: on the page of a session, on that of the batch, as rows of a table."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report import words
from pipeline.report.words import counted, percent
from pipeline.verdict.moves import MOVES, factor_of, moved_limit
from schemas.measures import BY_NAME

MOST_SESSIONS = 60
"""Sessions that the page of the batch lists; all of them stand in margins.csv."""

FAR = 0.5
"""Share of a limit beyond which a verdict that needs such a move counts as far from turning."""

_TITLES: Mapping[str, str] = {
    "clean_fraction": "Clean share, to use it whole",
    "least_usable_s": "Clean time, to use any of it",
    "least_usable_fraction": "Clean share, to use any of it",
}
"""Limits that are called otherwise than their measures."""

_LENGTH = "least_usable_s"
"""The limit that tells how long somebody recorded, not how well."""

_FROM_BEST = sorted(words.VERDICTS, key=lambda name: -words.VERDICTS[name].rank)
_USED = ("accept", "accept_in_part")


def session_margins(quality: Mapping[str, Any]) -> dict[str, Any] | None:
    """What the page of a session shows of its margins; None where its file tells none.

    ``sentence`` and ``together`` say it; ``rows`` are the limits, with the value's place on a scale of 100
    whose middle is the limit: 0 is far within it, 100 twice the limit, or nothing at all where a least value
    is asked for; ``none`` are limits on what there is nothing of. ``moves`` are the verdicts with all limits
    moved.
    """
    margins = quality.get("margins")
    if margins is None:
        return None
    some = [row for row in margins["limits"] if row["value"] != 0 or row["bound"] == "min"]
    steps = _steps(quality)
    return {
        "unreadable": quality["verdict"] == "unreadable",
        "sentence": _nearest_words(margins["nearest"], quality["verdict"]),
        "together": _together_words(margins["moved"], quality["verdict"]),
        "rows": [_limit_row(row, margins["nearest"]) for row in sorted(some, key=_by_distance)],
        "none": [limit_title(row["name"]) for row in margins["limits"] if row not in some],
        "moves": [{**step, "words": words.VERDICTS[step["verdict"]]} for step in steps],
    }


def _distance(row: Mapping[str, Any]) -> float:
    """How far a limit is from turning the verdict; those that cannot come last, in their order."""
    return abs(row["factor"] - 1) if row["factor"] is not None else math.inf


def _by_distance(row: Mapping[str, Any]) -> tuple[bool, float]:
    """What was measured before the length, as :func:`pipeline.verdict.margins.margins` ranks them."""
    return row["name"] == _LENGTH and _distance(row) > FAR, _distance(row)


def margin_rows(quality: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of ``margins.csv``: one for each factor by which the limits are moved."""
    return [
        {
            "session": quality["session"],
            "factor": moved["factor"],
            "verdict": quality["verdict"],
            "moved": moved["verdict"],
            "alone": ";".join(f"{name}={verdict}" for name, verdict in moved["by_limit"].items()),
        }
        for moved in _moved(quality)
    ]


def _moved(quality: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    margins = quality.get("margins") or {}
    moved: Sequence[Mapping[str, Any]] = margins.get("moved", ())
    return moved


def _steps(quality: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The verdict at every move from strict to loose, that without a move in between."""
    by_factor = {1.0: quality["verdict"]} | {moved["factor"]: moved["verdict"] for moved in _moved(quality)}
    return [
        {
            "factor": factor,
            "move": move_words(factor),
            "verdict": verdict,
            "turns": verdict != quality["verdict"],
        }
        for factor, verdict in sorted(by_factor.items())
    ]


def move_words(factor: float) -> str:
    """A move of all limits, as '20 % stricter'."""
    return (
        "as it is" if factor == 1 else f"{percent(abs(factor - 1))} {'stricter' if factor < 1 else 'looser'}"
    )


def limit_title(name: str) -> str:
    """What pages call a limit."""
    return _TITLES.get(name) or words.measure_title(name)


def _unit(name: str) -> str:
    return BY_NAME[name].unit if name in BY_NAME else "s" if name.endswith("_s") else "1"


def _amount(value: float, name: str) -> str:
    """A value with its unit; shares to three digits, since a step of one turns a verdict."""
    if _unit(name) == "1" and value >= 0.0001:
        return percent(value)
    return words.amount(value, _unit(name), name)


def limit_words(limit: float, bound: str, name: str) -> str:
    """A limit with its side, as 'at most 5 %'."""
    return f"at {'least' if bound == 'min' else 'most'} {_amount(limit, name)}"


def _quoted(verdict: str) -> str:
    return f"‘{words.VERDICTS[verdict].plain}’"


def _limit_row(row: Mapping[str, Any], nearest: Mapping[str, Any] | None) -> dict[str, Any]:
    value, limit = row["value"], row["limit"]
    at, off = _place(row)
    return {
        "title": limit_title(row["name"]),
        "channel": row["channel"],
        "value": None if value is None else _amount(value, row["name"]),
        "limit": limit_words(limit, row["bound"], row["name"]),
        "at": at,
        "off": off,
        "beyond": _is_beyond(row),
        "nearest": row == nearest,
        "turns_to": words.VERDICTS[row["turns_to"]].plain if row["turns_to"] else None,
        "turning": _turning_words(row) if row["turns_to"] else _why_none(row),
    }


def _is_beyond(row: Mapping[str, Any]) -> bool:
    value, limit = row["value"], row["limit"]
    return value is not None and bool(value < limit if row["bound"] == "min" else value > limit)


def _place(row: Mapping[str, Any]) -> tuple[float | None, bool]:
    """Where a value stands on the scale, and whether it would lie beyond its right end."""
    value, limit = row["value"], row["limit"]
    if value is None:
        return None, False
    if not limit:
        return (
            50.0 if row["bound"] == "max" and not value else 0.0 if row["bound"] == "min" else 100.0
        ), False
    if row["bound"] == "min" and _unit(row["name"]) == "1" and value >= 1:
        return 0.0, False  # no value could be further within
    reach = 2 - value / limit if row["bound"] == "min" else value / limit
    return round(min(max(reach, 0.0), 2.0) * 50, 1), reach > 2


def _turning_words(row: Mapping[str, Any]) -> str:
    """At which limit the verdict turns, and how far away that is."""
    shown = _amount(row["value"], row["name"])
    if row["factor"] < 1:
        at = f"below {shown}" if row["bound"] == "max" else f"at {shown} or less"
    else:
        at = f"above {shown}" if row["bound"] == "min" else f"at {shown} or more"
    return f"{at} ({_factor_words(row['factor'])})"


def _factor_words(factor: float) -> str:
    """What a factor does to a limit, as '12 % lower' or '4.3 times as high'."""
    if factor >= 2:
        return f"{words.number(factor, 2)} times as high"
    moved = abs(factor - 1)
    if moved * 100 < 0.1:
        return f"hardly {'lower' if factor < 1 else 'higher'}"
    shown = percent(moved, 2) if moved * 100 < 99 else f"more than {percent(0.99)}"
    return f"{shown} {'lower' if factor < 1 else 'higher'}"


def _why_none(row: Mapping[str, Any]) -> str:
    if row["value"] is None:
        return "it was not assessed, so no limit turns it"
    if row["bound"] == "min" and _unit(row["name"]) == "1" and row["value"] >= 1:
        return "all of it is clean, so no limit turns it"
    if not row["limit"]:
        return "a limit of nothing stays nothing, whatever it is multiplied by"
    if _is_beyond(row):
        return "others are beyond their limits, too: alone it turns nothing"
    return "moved alone, it turns nothing"


def _nearest_words(nearest: Mapping[str, Any] | None, verdict: str) -> str:
    """The single limit that needs the smallest move, in a sentence."""
    if verdict == "unreadable":
        return "No limit decided: nothing could be read."
    if nearest is None:
        return f"No single limit turns the verdict, wherever it is put: it stays {_quoted(verdict)}."
    if nearest["name"] == _LENGTH and _distance(nearest) > FAR:
        return (
            "No limit on what was found in it turns the verdict, wherever it is put; only if "
            f"{'more than ' if nearest['factor'] > 1 else 'no more than '}"
            f"{_amount(nearest['value'], _LENGTH)} of clean time were asked for, it would be "
            f"{_quoted(nearest['turns_to'])}."
        )
    title = limit_title(nearest["name"])
    whose = f" ({nearest['channel']})" if nearest["channel"] else ""
    limit = limit_words(nearest["limit"], nearest["bound"], nearest["name"])
    opening = (
        "The nearest limit"
        if _distance(nearest) <= FAR
        else "No single limit is near turning it. The nearest"
    )
    return (
        f"{opening} is ‘{title}’{whose}, {limit}: {_turning_words(nearest)}, "
        f"the verdict would be {_quoted(nearest['turns_to'])}."
    )


def _together_words(moved: Sequence[Mapping[str, Any]], verdict: str) -> str:
    """What moves of 10 to 50 % do, alone and together."""
    if verdict == "unreadable":
        return ""
    turned = [one for one in moved if one["verdict"] != verdict]
    alone = any(one["by_limit"] for one in moved)
    if not turned:
        others = "" if alone else ", nor does any of them alone"
        return f"All limits moved together by up to 50{words.THIN}% either way do not turn it{others}."
    told: dict[tuple[bool, str], list[float]] = {}
    for one in sorted(turned, key=lambda one: abs(one["factor"] - 1)):
        told.setdefault((one["factor"] > 1, one["verdict"]), []).append(one["factor"])
    said = [
        f"{_quoted(name)} {'from' if len(factors) > 1 else 'at'} {move_words(factors[0])}"
        f"{' on' if len(factors) > 1 else ''}"
        for (_, name), factors in told.items()
    ]
    return f"With all limits moved together it would be {words.listed(said)}."


def study_margins(qualities: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """What the page of the batch shows: how many verdicts turn when limits move, and which.

    ``steps`` count verdicts at every move of all limits; ``limits`` count, for each limit moved alone, the
    verdicts that turn; ``silent`` are limits that turn none; ``sessions`` those that turn at any move, the
    soonest first, and ``n_more`` how many of them are not listed. None where no file tells of margins.
    """
    told = [quality for quality in qualities if quality.get("margins") is not None]
    if not told:
        return None
    limits = _by_limit(told)
    sessions = sorted(
        filter(None, map(_turning_session, told)), key=lambda row: (row["soonest"], row["session"])
    )
    return {
        "sentences": _study_words(told),
        "verdicts": [{"name": name, "words": words.VERDICTS[name]} for name in _FROM_BEST],
        "moves": [move_words(factor) for factor in MOVES],
        "steps": _verdicts_by_step(told),
        "limits": [row for row in limits if row["any"]],
        "silent": [row["title"] for row in limits if not row["any"]],
        "any": bool(sessions),
        "sessions": sessions[:MOST_SESSIONS],
        "n_more": max(len(sessions) - MOST_SESSIONS, 0),
    }


def _verdicts_by_step(told: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """For each move, sessions of each verdict with their place on a bar of 100, and how many turned."""
    steps: dict[float, list[dict[str, Any]]] = {}
    for quality in told:
        for step in _steps(quality):
            steps.setdefault(step["factor"], []).append(step)
    rows = []
    for factor, several in sorted(steps.items()):
        counts = {name: sum(step["verdict"] == name for step in several) for name in _FROM_BEST}
        start, bars = 0.0, []
        for name, n in counts.items():
            width = n / len(several) * 100
            plain = words.upper_first(words.VERDICTS[name].plain)
            bars.append(
                {"verdict": name, "n": n, "plain": plain, "start": round(start, 2), "width": round(width, 2)}
            )
            start += width
        turned = sum(step["turns"] for step in several)
        rows.append({"move": move_words(factor), "factor": factor, "bars": bars, "turned": turned})
    return rows


def _by_limit(told: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Of each limit of any session: the verdicts that it turns alone at each move, and what it is then."""
    limits = {row["name"]: row for quality in told for row in quality["margins"]["limits"]}
    counts = dict.fromkeys(((name, factor) for name in limits for factor in MOVES), 0)
    for quality in told:
        for moved in _moved(quality):
            for name in moved["by_limit"]:
                counts[name, moved["factor"]] += 1
    return [
        {
            "title": limit_title(name),
            "limit": limit_words(row["limit"], row["bound"], name),
            "any": any(counts[name, factor] for factor in MOVES),
            "cells": [
                {"move": move_words(factor), "n": counts[name, factor], "limit": _limit_at(row, factor)}
                for factor in MOVES
            ],
        }
        for name, row in limits.items()
    ]


def _limit_at(row: Mapping[str, Any], move: float) -> str:
    unit = _unit(row["name"])
    limit = moved_limit(row["limit"], row["bound"], unit, factor_of(row["bound"], move))
    return _amount(limit, row["name"])


def _turning_session(quality: Mapping[str, Any]) -> dict[str, Any] | None:
    """A session that turns at any move, of all limits or of one."""
    steps = _steps(quality)
    moved = {one["factor"]: one["by_limit"] for one in _moved(quality)}
    turning = [s["factor"] for s in steps if s["turns"]] + [factor for factor, by in moved.items() if by]
    if not turning:
        return None
    alone: dict[tuple[str, str], list[str]] = {}
    for factor in sorted(moved, key=lambda factor: abs(factor - 1)):
        for name, verdict in moved[factor].items():
            alone.setdefault((name, verdict), []).append(move_words(factor))
    return {
        "session": quality["session"],
        "soonest": round(min(abs(factor - 1) for factor in turning), 6),
        "steps": [{**step, "words": words.VERDICTS[step["verdict"]]} for step in steps],
        "alone": [
            {"title": limit_title(name), "verdict": words.VERDICTS[verdict].plain, "move": moves[0]}
            for (name, verdict), moves in alone.items()
        ],
    }


def _study_words(told: Sequence[Mapping[str, Any]]) -> list[str]:
    """How many verdicts turn by how much, and whether what was left out hangs on it."""
    judged = [quality for quality in told if quality["verdict"] != "unreadable"]
    by_size = turned_by_size(judged)
    sizes = [size for size, _ in by_size]
    sentences = [
        f"Of {counted(len(judged), 'verdict')}, with all limits moved either way: {_tally(by_size, 'turn')}."
    ]
    out = [quality for quality in judged if quality["verdict"] not in _USED]
    used = [quality for quality in judged if quality["verdict"] in _USED]
    if out:
        by_size = [(size, sum(_is_used(quality, 1 + size) for quality in out)) for size in sizes]
        told_of = _tally(by_size, "would be used")
        sentences.append(f"Of {counted(len(out), 'session')} left out, with looser limits: {told_of}.")
    if used:
        by_size = [(size, sum(not _is_used(quality, 1 - size) for quality in used)) for size in sizes]
        told_of = _tally(by_size, "would be left out")
        sentences.append(f"Of {counted(len(used), 'session')} used, with stricter limits: {told_of}.")
    if len(told) > len(judged):
        n = len(told) - len(judged)
        sentences.append(f"{counted(n, 'session')} could not be read; no limit decided that.")
    return sentences


def turned_by_size(judged: Sequence[Mapping[str, Any]]) -> list[tuple[float, int]]:
    """For each size of a move, how many verdicts turn with all limits moved by it, either way."""
    sizes = sorted({round(abs(factor - 1), 6) for factor in MOVES})
    return [(size, sum(_turns(quality, (1 - size, 1 + size)) for quality in judged)) for size in sizes]


def _tally(by_size: Sequence[tuple[float, int]], what: str) -> str:
    """Counts at each size of a move, as 'none turns at 10 %, 2 at 20 % and 5 at 50 %'."""
    shown = [percent(size) for size, _ in by_size]
    first = what if what != "turn" or by_size[0][1] > 1 else "turns"
    if not any(n for _, n in by_size):
        return f"none {first} at up to {shown[-1]}"
    counts = [words.count(n) if n else "none" for _, n in by_size]
    told = [f"{n} at {size}" for n, size in zip(counts, shown, strict=True)]
    return words.listed([f"{counts[0]} {first} at {shown[0]}", *told[1:]])


def _turns(quality: Mapping[str, Any], factors: Sequence[float]) -> bool:
    wanted = {round(factor, 6) for factor in factors}
    return any(one["verdict"] != quality["verdict"] for one in _moved(quality) if one["factor"] in wanted)


def _is_used(quality: Mapping[str, Any], factor: float) -> bool:
    wanted = round(factor, 6)
    return any(one["verdict"] in _USED for one in _moved(quality) if one["factor"] == wanted)
