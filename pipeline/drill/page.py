"""The page of a drill: how far the check can be trusted on one's own device."""

from collections.abc import Mapping
from functools import partial
from typing import Any

from pipeline.drill.pictures import curves
from pipeline.drill.scoring import FOUND_SHARE, TOLERANCE_S, TOLERANCE_SHARE
from pipeline.report import words
from pipeline.report.parts import templates
from pipeline.report.svg import draw
from schemas.conditions import BY_NAME, CONDITIONS

_FEW = 10
"""Planted events below which a share says little."""

_WEAK = 0.8
"""Kinds of which fewer were found are named."""


def page(figures: Mapping[str, Any]) -> str:
    """The page as HTML.

    Parameters
    ----------
    figures : mapping
        What stands in ``drill.json``.
    """
    kinds = figures["kinds"]
    by_strength = [kind for kind in kinds if len(kind["by_strength"]) > 1]
    by_length = [kind for kind in kinds if len(kind["by_length"]) > 1]
    drawn = {
        name: draw(f"drill{name}", f"Share of planted faults found, by {name}", partial(curves, some, name))
        for name, some in (("strength", by_strength), ("length", by_length))
        if some
    }
    return (
        templates()
        .get_template("drill.html")
        .render(
            d=figures,
            rows=[_row(kind) for kind in kinds],
            taken=[_taken(kind) for kind in kinds if kind["conditions"] and kind["n_matter"]],
            conditions=[c.name for c in CONDITIONS],
            condition_words=words.CONDITION_WORDS,
            alarms=_false(figures),
            drawn=drawn,
            paper=paragraph(figures),
            host_h=figures["own_marks"]["hours"],
            interval=interval,
            rate=rate,
            rate_short=rate_short,
            found_share=FOUND_SHARE,
            tolerance=f"{TOLERANCE_S:g} s plus {100 * TOLERANCE_SHARE:g} %",
        )
    )


def paragraph(figures: Mapping[str, Any]) -> str:
    """What a researcher can put into a paper, with the numbers filled in."""
    overall, marked, false = figures["overall"], figures["marked"], figures["false_alarms"]
    n_hosts = len(figures["sessions"])
    text = [
        f"The automatic quality check (sessiongate {figures['version']}, policy "
        f"{figures['policy_sha256'][:12]}) was tested on our own device: {figures['n_events']:,} known "
        f"faults of {len(figures['kinds'])} kinds were planted (seed {figures['seed']}) in "
        f"{figures['n_copies']:,} copies of the raw dumps of {n_hosts} accepted "
        f"recording{'s' if n_hosts > 1 else ''} ({figures['own_marks']['hours']:.2f} h), and each copy was "
        "processed from its bytes to its verdict.",
        f"Of {overall['of']:,} faults of a size that matters, {overall['n']:,} "
        f"({interval(overall)}) were marked with their own condition for at least half of their length; "
        f"of the {marked['of']:,} among them that spoil samples, {words.share(marked['value'])} were marked "
        "with some condition that excludes them from analysis.",
    ]
    reached = [_reached(kind) for kind in figures["kinds"] if kind["limit_strength"]["value"] is not None]
    if reached:
        text.append(f"The smallest faults found with a probability of 95 % were: {'; '.join(reached)}.")
    whole = [
        f"{kind['words']} ({kind['found']['of']})"
        for kind in figures["kinds"]
        if kind["found"]["n"] == kind["found"]["of"] >= _FEW
    ]
    if whole:
        text.append(f"All were found of: {words.listed(whole)}.")
    weak = [
        f"{kind['words']} ({kind['found']['n']} of {kind['found']['of']})"
        for kind in figures["kinds"]
        if kind["found"]["of"] >= _FEW and kind["found"]["value"] < _WEAK
    ]
    if weak:
        text.append(f"Fewer than {100 * _WEAK:g} % were found of: {words.listed(weak)}.")
    text.append(
        f"In {false['hours']:.1f} h without a planted fault there were {false['faults']['n']} false alarms "
        f"({rate(false['faults'])}). Intervals are 95 % (Clopper and Pearson 1934 for shares, Garwood 1936 "
        "for rates, profile likelihood for limits)."
    )
    return words.joined(" ".join(text))


def interval(share: Mapping[str, Any]) -> str:
    """A share with its interval: '93.1 %, 95 % interval 90.2 to 95.4 %'."""
    if share["value"] is None:
        return "none planted"
    low, high = words.share(share["low"]), words.share(share["high"])
    return f"{words.share(share['value'])}, 95{words.THIN}% interval {low} to {high}"


def rate(false: Mapping[str, Any]) -> str:
    """A rate with its interval: '0.4 an hour, 95 % interval 0.1 to 1.2'."""
    short = rate_short(false)
    return short.replace(" (", f" an hour, 95{words.THIN}% interval ").rstrip(")")


def rate_short(false: Mapping[str, Any]) -> str:
    """The same for a table: '0.4 (0.1 to 1.2)'."""
    if false["value"] is None:
        return "no time to count in"
    ends = f"{words.number(false['low'], 2)} to {words.number(false['high'], 2)}"
    return f"{words.number(false['value'], 2)} ({ends})"


def _reached(kind: Mapping[str, Any]) -> str:
    limit, number = kind["limit_strength"], partial(words.number, digits=2)
    low = number(limit["low"]) if limit["low"] is not None else "less"
    high = number(limit["high"])
    return f"{kind['words']}, {number(limit['value'])} ({low} to {high}) as {kind['strength_is']}"


def _row(kind: Mapping[str, Any]) -> dict[str, Any]:
    """One row of the table of kinds."""
    strength = "" if not kind["strength_is"] else _limit(kind["limit_strength"], _unit(kind))
    length = "" if not kind["by_length"] else _limit(kind["limit_length_s"], "s")
    matters = []
    if kind["matters_strength"] is not None and kind["kind"] != "damaged":
        matters.append(f"{words.number(kind['matters_strength'])} {_unit(kind)}".strip())
    if kind["matters_s"]:
        matters.append(f"{words.number(kind['matters_s'])} s")
    if kind["least_moving_s"]:
        matters.append(f"{words.number(kind['least_moving_s'])} s of movement")
    is_fault = bool(kind["conditions"]) and BY_NAME[kind["conditions"][0]].fault
    return {
        **kind,
        "is_fault": is_fault,
        "strength": strength,
        "length": length,
        "from": words.joined(words.listed(matters)),
    }


def _unit(kind: Mapping[str, Any]) -> str:
    unit = str(kind["strength_unit"])
    return "×" if unit == "times" else unit


def _limit(limit: Mapping[str, Any], unit: str) -> dict[str, str]:
    """A limit in words: the number, and below it the interval or the reason."""
    number = partial(words.number, digits=2)
    tail = f"{words.THIN}{unit}" if unit else ""
    if limit["value"] is None:
        at_most = f"below {number(limit['high'])}{tail}" if limit["high"] is not None else "–"
        return {"value": at_most, "more": words.joined(limit["why"])}
    low = number(limit["low"]) if limit["low"] is not None else "less"
    high = number(limit["high"]) if limit["high"] is not None else "more"
    return {"value": f"{number(limit['value'])}{tail}", "more": f"{low} to {high}"}


def _taken(kind: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the confusion table: what covered half of the events of a kind."""
    of = kind["n_matter"]
    cells = [
        {
            "condition": name,
            **_cell(n, of),
            "right": name in kind["conditions"],
        }
        for name, n in kind["taken_for"].items()
    ]
    nothing = {"condition": "nothing", **_cell(kind["nothing"], of), "right": False}
    return {"words": kind["words"], "of": of, "cells": [*cells, nothing]}


def _cell(n: int, of: int) -> dict[str, Any]:
    """A share of events in whole per cent, and in words: what is neither none nor all never reads so."""
    percent = round(100 * n / of)
    told = "·" if not n else "<1" if not percent else ">99" if percent == 100 and n < of else str(percent)
    return {"n": n, "percent": percent, "told": told}


def _false(figures: Mapping[str, Any]) -> list[dict[str, Any]]:
    false, own = figures["false_alarms"]["by_condition"], figures["own_marks"]["by_condition"]
    return [
        {"condition": c.name, "fault": c.fault, "copies": false[c.name], "own": own[c.name]}
        for c in CONDITIONS
    ]
