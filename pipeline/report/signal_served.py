"""What a participant's first session is worth in the later ones: words and rows, by participant."""

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

TASK_WORDS = {
    "body_threshold": "body or not, by a threshold",
    "body_nearest": "body or not, by the nearest neighbour",
    "still_nearest": "rest or hand, arm, body, by the nearest neighbour",
    "each_nearest": "each class, by the nearest neighbour",
}
_MOST_NAMED = 5
_MUCH = 0.15
"""Accuracy lost beyond that of the median participant that is worth a name: half as much again as practice
expects (ten points: common practice, no source)."""


def two(value: float) -> str:
    """A share to two digits; what is neither nothing nor all never reads so."""
    if 0 < value < 0.005:
        return "<0.01"
    return ">0.99" if 0.995 <= value < 1 else f"{value:.2f}"


def served_of(signal: Mapping[str, Any]) -> dict[str, Any]:
    """Sentences on what later sessions lose, and a row for each participant.

    Returns
    -------
    dict
        ``drops`` (sentences), ``worst`` (participants that lose much more than the median one, with the
        session learnt from), ``tasks`` (words) and ``rows`` (``participant``, ``trained_on``, ``cells``).
    """
    tasks = list(signal["drops"])
    rows: dict[str, dict[str, Any]] = {}
    for one in signal["served"]:
        row = rows.setdefault(one["participant"], {"participant": one["participant"], "cells": {}})
        row["cells"][one["task"]] = one
    return {
        "drops": [text for task in tasks if (text := _drop(task, signal["drops"][task]))],
        "worst": _worst(signal),
        "tasks": [TASK_WORDS[task] for task in tasks],
        "rows": [_row(row, tasks) for row in rows.values()],
    }


def _drop(task: str, measured: Mapping[str, Any]) -> str:
    """By how much later sessions are served worse, of the median participant."""
    if measured["value"] is None:
        return ""
    told = f"{TASK_WORDS[task]}: {_points(measured['value'])}"
    if measured["low"] is not None:
        told += f" (95 %: {_signed(measured['low'])} to {_signed(measured['high'])})"
    if measured["least"] is not None:
        told += f", single sessions from {_signed(measured['least'])} to {_signed(measured['most'])}"
    return told


def _points(drop: float) -> str:
    n = round(100 * drop)
    if not n:
        return "as high"
    return f"{abs(n)} {'point' if abs(n) == 1 else 'points'} {'lower' if n > 0 else 'higher'}"


def _signed(drop: float) -> str:
    """A drop as a change of accuracy: what is lost is below zero."""
    n = -round(100 * drop)
    return f"+{n}" if n > 0 else f"−{-n}" if n < 0 else "0"


def _lost(one: Mapping[str, Any]) -> float | None:
    """What the participant's median later session loses."""
    if one["same"] is None or not one["later"]:
        return None
    return float(one["same"] - median(one["later"]))


def _worst(signal: Mapping[str, Any]) -> list[dict[str, str]]:
    """Who loses much more than the median participant: by the task that loses most, the most first."""
    worst: dict[str, tuple[float, Mapping[str, Any]]] = {}
    for one in signal["served"]:
        lost, usual = _lost(one), signal["drops"][one["task"]]["value"]
        if lost is None or lost - usual < _MUCH or lost <= worst.get(one["participant"], (0.0,))[0]:
            continue
        worst[one["participant"]] = (lost, one)
    ordered = sorted(worst.values(), key=lambda item: (-item[0], item[1]["participant"]))
    return [
        {
            "participant": one["participant"],
            "trained_on": one["trained_on"],
            "lost": f"{_points(lost)} for {TASK_WORDS[one['task']]}",
        }
        for lost, one in ordered[:_MOST_NAMED]
    ]


def _row(row: Mapping[str, Any], tasks: Sequence[str]) -> dict[str, Any]:
    own = row["cells"]
    first = next((own[task]["trained_on"] for task in tasks if own[task]["trained_on"]), "")
    return {
        "participant": row["participant"],
        "trained_on": first,
        "cells": [_told(own[task], first) for task in tasks],
    }


def _told(one: Mapping[str, Any], first: str) -> dict[str, str]:
    """Accuracy of the same session, then of the median later one; where it was learnt, if elsewhere."""
    if one["same"] is None and not one["later"]:
        return {"text": "–", "trained_on": ""}
    later = two(median(one["later"])) if one["later"] else "no later session"
    same = "–" if one["same"] is None else two(one["same"])
    return {
        "text": f"{same} → {later}",
        "trained_on": "" if one["trained_on"] == first else one["trained_on"],
    }
