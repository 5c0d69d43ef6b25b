"""The check over a study as rows of ``signal.csv``."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from pipeline.signal.learn import TASKS
from pipeline.signal.shares import Measured

_MEASURES = {"accuracy": "accuracy", "balanced": "balanced_accuracy"}
_POOLED = {"session": None, "participant": None, "trained_on": None, "level": None}


def signal_rows(signal: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of ``signal.csv`` by `schemas.columns.SIGNAL`; none where there is no log."""
    if signal["absent"]:
        return []
    return [
        *_areas(signal),
        *_medians(signal["medians"]),
        *_trials(signal),
        *_accuracies(signal),
        *_drops(signal["drops"]),
        *_wakeups(signal["wakeups"]),
    ]


def _areas(signal: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Of each session, then pooled."""
    for one in (*signal["sessions"], {"session": None, "participant": None, "areas": signal["areas"]}):
        same = {**_POOLED, "session": one["session"], "participant": one["participant"]}
        for pair, kinds in one["areas"].items():
            for kind, measured in kinds.items():
                named = {"measure": "auc", "of": pair, "by": "threshold", "windows": kind}
                yield {**same, **named, "unit": "1", **measured}


def _medians(medians: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for pair, kinds in medians.items():
        for kind, measured in kinds.items():
            named = {"measure": "auc_median", "of": pair, "by": "threshold", "windows": kind}
            yield {**_POOLED, **named, "unit": "1", **measured}


def _trials(signal: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for trial in signal["trials"]:
        for key, measure in _MEASURES.items():
            yield {
                "session": trial["session"] or None,
                "participant": trial["participant"],
                **_asked(trial["task"], measure),
                "trained_on": trial["trained_on"] or None,
                "level": None,
                "unit": "1",
                **trial[key],
            }


def _accuracies(signal: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Medians over participants; where a session's row has what was trained on, these say what was tried."""
    for task, by_when in signal["accuracy"].items():
        for when, both in by_when.items():
            for key, measure in _MEASURES.items():
                told = {"same": "the same session", "later": "an earlier session"}[when]
                yield {**_POOLED, **_asked(task, measure), "trained_on": told, "unit": "1", **both[key]}


def _drops(drops: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """From the same session to later ones."""
    for task, measured in drops.items():
        yield {**_POOLED, **_asked(task, "accuracy_drop"), "unit": "1", **measured}


def _asked(task: str, measure: str) -> dict[str, Any]:
    return {"measure": measure, "of": TASKS[task].of, "by": TASKS[task].by, "windows": "kept"}


def _wakeups(wakeups: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """By level; without any, one row that says why."""
    same = {**_POOLED, "by": "comparator", "windows": "kept"}
    if wakeups["absent"]:
        rest = {"measure": "false_wakeups", "of": "rest", "unit": "/h"}
        yield {**same, **rest, **asdict(Measured(0, absent=wakeups["absent"]))}
        return
    for one in wakeups["levels"]:
        same["level"] = one["level_v"]
        yield {**same, "measure": "false_wakeups", "of": "rest", "unit": "/h", **one["false"]}
        for key, measure in (("awake", "rest_awake"), ("chance", "rest_found")):
            yield {**same, "measure": measure, "of": "rest", "unit": "1", **one[key]}
        for name, missed in one["missed"].items():
            yield {**same, "measure": "movements_missed", "of": name, "unit": "1", **missed}
