"""A person's decision beside the computed verdict, and whether it still is about what stands there."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from pipeline.report import words
from pipeline.report.analysed import analysed_of, length_s
from pipeline.study.review import Decision
from schemas.keys import REVIEW_COLUMNS, SEEN

Review = Mapping[str, Any]
"""What :func:`review_of` gives."""

HEADER = ",".join(key.name for key in (*REVIEW_COLUMNS, SEEN))
"""First line of ``review.csv``."""

PARTS = ("the recording or its layout", "the policy", "the activity log", "the version of sessiongate")
"""What each part of the code of what was looked at tells of, in order."""

STALE = {True: "yes", False: "no", None: "unknown"}
"""How tables tell whether a decision is stale."""


def seen_code(quality: Mapping[str, Any]) -> str:
    """Short code of what is looked at: the recording's dumps and layouts, the policy, the log, the version.

    Eight digits of SHA-256 each, behind ``r``, ``p`` and ``a``, and behind ``v`` the first two numbers of the
    version; the letters keep tables from taking it for a number.
    """
    made_by = quality["made_by"]
    recording = [sorted(made_by["dumps"].items()), made_by["layout_sha256"]]
    version = ".".join(made_by["version"].split(".")[:2])
    log = made_by.get("activities_sha256", "")
    return f"r{_short(recording)}-p{_short(made_by['policy_sha256'])}-a{_short(log)}-v{version}"


def _short(content: Any) -> str:
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:8]


def review_of(quality: Mapping[str, Any], decision: Decision | None) -> dict[str, Any] | None:
    """What pages and tables say of a person's decision about a session.

    Parameters
    ----------
    quality : mapping
        What stands in ``quality.json``.
    decision : Decision or None
        What ``review.csv`` says of the session.

    Returns
    -------
    dict or None
        ``decision``, ``reason``, ``initials``, ``date``; ``stale``: True where what was looked at has changed
        since, None where nobody can tell; ``why``, in a sentence, empty where nothing is to be
        said; ``followed``: whether the analysis goes by it. A stale decision is about something else, and
        what is not there cannot be used: the computed verdict stands then.
    """
    if decision is None:
        return None
    stale, why = _staleness(decision.seen, seen_code(quality))
    followed = not stale
    if followed and (hindrance := _hindrance(quality, decision.decision)):
        followed, why = False, hindrance
    return {
        "decision": decision.decision,
        "reason": decision.reason,
        "initials": decision.initials,
        "date": decision.date,
        "stale": stale,
        "why": why,
        "followed": followed,
    }


def _hindrance(quality: Mapping[str, Any], decision: str) -> str:
    """Why the analysis cannot go by a decision, or ''."""
    if decision != "reject" and quality["verdict"] == "unreadable":
        return "Nothing could be read, so nothing can be used, whatever was decided."
    if decision == "accept_in_part" and not quality["clean"]:
        return "No stretch is clean, so no part can be used; the computed verdict stands."
    return ""


def _staleness(seen: str, now: str) -> tuple[bool | None, str]:
    if not seen:
        return None, "It does not say what was looked at, so nobody can tell whether that has changed since."
    if seen == now:
        return False, ""
    parts = seen.split("-")
    changed = [what for was, is_now, what in zip(parts, now.split("-"), PARTS, strict=False) if was != is_now]
    if not changed:  # an older code, which tells of its first parts only
        rest = words.listed(PARTS[len(parts) :])
        return None, f"Its code is an older one, which does not tell whether {rest} have changed since."
    have = "have" if len(changed) > 1 else "has"
    text = f"{words.upper_first(words.listed(changed))} {have} changed since it was decided"
    return True, f"{text}; the computed verdict stands until somebody looks again."


def session_review(quality: Mapping[str, Any], review: Review | None) -> dict[str, Any]:
    """What ``review.html`` shows of one session.

    Returns
    -------
    dict
        ``review`` as given, with ``words`` for its decision, or None; ``computed``, the verdict in words;
        ``uses``, what the analysis uses where a decision is followed, else empty;
        ``agrees``; ``header`` and ``line`` of ``review.csv``, ready to copy, to be filled in where it says
        so in capitals.
    """
    shown = None
    if review is not None:
        shown = {**review, "words": words.VERDICTS[review["decision"]]}
    return {
        "review": shown,
        "computed": words.VERDICTS[quality["verdict"]],
        "uses": _uses_words(quality, review) if review is not None and review["followed"] else "",
        "agrees": review is not None and review["decision"] == quality["verdict"],
        "header": HEADER,
        "line": f"{quality['session']},DECISION,REASON,INITIALS,YYYY-MM-DD,{seen_code(quality)}",
        "decisions": [(key, words.VERDICTS[key].plain) for key in ("accept", "accept_in_part", "reject")],
    }


def _uses_words(quality: Mapping[str, Any], review: Review) -> str:
    """What is analysed, as '42 s of 60 s: 0:00 to 0:42'."""
    used = analysed_of(quality, review)
    if not used:
        return "none of it"
    duration_s = float(quality["duration_s"] or 0)
    if review["decision"] == "accept":
        return f"all of it, {words.span_words(length_s(used))}"
    of_all = f"{words.span_words(length_s(used))} of {words.span_words(duration_s)}"
    return f"{of_all}: {words.intervals_words(used, duration_s, 3)}"


def review_columns(review: Review | None) -> dict[str, Any]:
    """The review columns of a session's row; nulls where nobody decided."""
    if review is None:
        return {}
    return {
        **{f"review_{name}": review[name] for name in ("decision", "reason", "initials", "date")},
        "review_stale": STALE[review["stale"]],
    }
