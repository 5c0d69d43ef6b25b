"""The tables beside the page: what was planted, and what was found."""

from collections.abc import Iterable

from pipeline.drill.kinds import BY_NAME
from pipeline.drill.trial import Outcome, Tried
from pipeline.writing import csv_text

PLANTED = (
    "copy",
    "session",
    "kind",
    "condition",
    "channels",
    "start_s",
    "stop_s",
    "asked_s",
    "strength",
    "strength_unit",
    "moving_s",
    "matters",
    "found",
    "marked_as",
)
FOUND = ("copy", "session", "planted_kind", "condition", "start_s", "stop_s", "is")


def planted_csv(outcomes: Iterable[Outcome]) -> str:
    """One row for each planted event."""
    return csv_text(PLANTED, [_planted(outcome, tried) for outcome in outcomes for tried in outcome.tried])


def found_csv(outcomes: Iterable[Outcome]) -> str:
    """One row for each run of a bit in a copy, and what it is: see :class:`pipeline.drill.trial.Seen`."""
    rows = [
        [
            outcome.name,
            outcome.session,
            outcome.kind,
            seen.event.condition,
            f"{seen.event.start_s:.4f}",
            f"{seen.event.stop_s:.4f}",
            seen.is_,
        ]
        for outcome in outcomes
        for seen in outcome.seen
    ]
    return csv_text(FOUND, rows)


def _planted(outcome: Outcome, tried: Tried) -> list[str]:
    planted, kind = tried.planted, BY_NAME[outcome.kind]
    event = planted.event
    return [
        outcome.name,
        outcome.session,
        outcome.kind,
        event.condition,
        ";".join(planted.channels),
        f"{event.start_s:.4f}",
        f"{event.stop_s:.4f}",
        f"{planted.asked_s:.4f}",
        f"{event.strength:.5g}" if kind.has_strength else "",
        kind.strength_unit,
        "" if planted.moving_s is None else f"{planted.moving_s:g}",
        "yes" if planted.matters(kind) else "no",
        "yes" if tried.found else "no",
        ";".join(tried.as_),
    ]
