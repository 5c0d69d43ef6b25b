"""The rows of the batch page: what is shown of a session, and what it is sorted, grouped and filtered by."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report import words
from pipeline.report.analysed import analysed_of, length_s
from pipeline.report.margins import FAR, limit_title
from pipeline.report.review import Review
from pipeline.report.starts import stated_start
from pipeline.report.strip import as_markup

NEAR = 0.2
"""A verdict is close to turning where one limit, moved by at most this share of itself, turns it."""

_MATTER_WORDS = {"shared_dump": "shared dump", "start": "start time", "overlap": "overlap in time"}
"""What a session's row says of the matters across the study that concern it."""


def rows(
    qualities: Sequence[Mapping[str, Any]],
    strips: Mapping[str, str],
    matters: Sequence[Mapping[str, Any]],
    reviews: Mapping[str, Review | None],
) -> list[dict[str, Any]]:
    """One row for each session, what needs looking at first."""
    concerning = _concerning(matters)
    made = [
        _row(
            quality,
            strips.get(quality["session"]),
            concerning.get(quality["session"], []),
            reviews.get(quality["session"]),
        )
        for quality in sorted(qualities, key=_urgency)
    ]
    return sorted(made, key=lambda row: not row["doubtful"])


def _urgency(quality: Mapping[str, Any]) -> tuple[int, float, str]:
    duration_s = quality["duration_s"] or 0
    usable = length_s(quality["usable"]) / duration_s if duration_s else 0.0
    return words.VERDICTS[quality["verdict"]].rank, round(usable, 6), quality["session"]


def _concerning(matters: Sequence[Mapping[str, Any]]) -> dict[str, list[tuple[int, str]]]:
    """Session -> number and name of each matter across the study that concerns it."""
    concerning: dict[str, list[tuple[int, str]]] = {}
    for i, matter in enumerate(matters, 1):
        for session in dict.fromkeys(matter["sessions"]):
            named = (i, _MATTER_WORDS.get(matter["kind"], matter["kind"]))
            concerning.setdefault(session, []).append(named)
    return concerning


def _row(
    quality: Mapping[str, Any],
    strip: str | None,
    matters: Sequence[tuple[int, str]],
    review: Review | None,
) -> dict[str, Any]:
    duration_s = quality["duration_s"] or 0
    verdict = words.VERDICTS[quality["verdict"]]
    first, rest = words.split_sentence(quality["sentence"], quality["verdict"])
    day, time = _start_words(quality["started_at"])
    nearest = _nearest(quality)
    not_assessed = words.not_assessed(quality) if duration_s else []
    return {
        "session": quality["session"],
        "verdict": quality["verdict"],
        "symbol": verdict.symbol,
        "said": (first, rest if quality["verdict"] == "unreadable" else words.upper_first(rest)),
        "participant": quality["participant"],
        "site": quality["site"],
        "device": quality["device"],
        "started_at": quality["started_at"],
        "day": day,
        "time": time,
        "duration_s": duration_s,
        "usable_share": length_s(quality["usable"]) / duration_s if duration_s else None,
        "strip": as_markup(strip, _strip_label(quality)) if strip else "",
        "not_assessed": not_assessed,
        "warnings": quality.get("warnings", []) if duration_s else [],
        "matters": matters,
        "reasons": sorted({reason["measure"] for reason in quality["reasons"]}),
        "nearest": nearest,
        "analysed_share": _analysed_share(quality, review),
        "review": review,
        "review_plain": words.VERDICTS[review["decision"]].plain if review else "",
        "doubtful": _is_doubtful(quality, nearest, not_assessed, matters, review),
    }


def _analysed_share(quality: Mapping[str, Any], review: Review | None) -> float | None:
    """Share that is analysed where a person's decision is followed, else None."""
    if review is None or not review["followed"] or not quality["duration_s"]:
        return None
    return min(length_s(analysed_of(quality, review)) / float(quality["duration_s"]), 1.0)


def _start_words(started_at: str) -> tuple[str, str]:
    """Day and time as stated, or the text itself where it is no time."""
    start = stated_start(started_at)
    if start is None:
        return started_at, ""
    return f"{start.day} {start:%b %Y}", f"{start:%H:%M}"


def _strip_label(quality: Mapping[str, Any]) -> str:
    """What the strip shows, for whoever cannot see it."""
    times = [f"{one['words']} {words.span_words(one['seconds'])}" for one in words.conditions_words(quality)]
    return f"Recording with {words.listed(times)}" if times else "Recording without marks"


def _nearest(quality: Mapping[str, Any]) -> dict[str, Any] | None:
    """Which limit turns the verdict soonest, by how much it must move, and what the verdict turns to."""
    nearest = (quality.get("margins") or {}).get("nearest")
    if not nearest or not nearest["factor"]:
        return None
    factor = float(nearest["factor"])
    distance = abs(factor - 1)
    return {
        "limit": words.lower_first(limit_title(nearest["name"])),
        "moved": f"{'+' if factor > 1 else ''}{_percent(factor)}",
        "turns_to": words.VERDICTS[nearest["turns_to"]].plain,
        "distance": round(distance, 4),
        "near": distance <= NEAR,
        "far": distance > FAR,
    }


def _percent(factor: float) -> str:
    """By how much a limit must move: never none of it."""
    return words.percent(factor - 1, 1 if abs((factor - 1) * 100) < 1 else 2)


def _is_doubtful(
    quality: Mapping[str, Any],
    nearest: Mapping[str, Any] | None,
    not_assessed: Sequence[str],
    matters: Sequence[tuple[int, str]],
    review: Review | None,
) -> bool:
    """Whether a person should look before the verdict is followed, and nobody has yet.

    That is where the verdict is close to turning, where something does not fit across the study, and, of
    sessions that are used, where a limit could not be checked or a warning stands beside the verdict.
    """
    if review is not None:
        return not review["followed"]
    if matters or (nearest is not None and nearest["near"]):
        return True
    return words.is_analysed(quality) and bool(not_assessed or quality.get("warnings"))
