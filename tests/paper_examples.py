"""An invented batch with decisions of people, for the tests of what goes into the paper."""

from typing import Any

import report_examples as examples

from pipeline.report.methods import Facts
from pipeline.report.review import review_of, seen_code
from pipeline.study import Decision
from pipeline.verdict import builtin_policy

STUDY = "A pottery workshop (invented)"
FACTS = Facts(STUDY, "0.1.0", {"strap": "ab" * 32}, builtin_policy())


def quality_of(
    name: str, verdict: str, duration_s: float = 60.0, used: float = 0.7, **others: Any
) -> dict[str, Any]:
    """An invented session of which, where it is used in part, `used` is clean."""
    read = verdict != "unreadable"
    bits = examples.quality_bits(int(duration_s * 250) if read else 0, {})
    quality = examples.quality(name, verdict, len(bits), 250.0, bits)
    quality["duration_s"] = duration_s if read else 0.0
    edges = [0.0, duration_s * used * 0.5, duration_s * (1 - used * 0.5), duration_s]
    quality["usable"] = {
        "accept": [[0.0, duration_s]],
        "accept_in_part": [edges[:2], edges[2:]],
    }.get(verdict, [])
    quality["clean"] = [part for part in (edges[:2], edges[2:]) if part[1] > part[0]] if read else []
    quality["whole"] = [[0.0, duration_s]] if read else []
    cut = {"accept_in_part": [edges[1:3]], "reject": [[0.0, duration_s]]}.get(verdict, [])
    quality["left_out"] = [{"start_s": a, "stop_s": b, "text": "lost"} for a, b in cut]
    return quality | others


def reviewed(
    qualities: list[dict[str, Any]], decisions: dict[str, str], seen: str | None = None
) -> dict[str, Any]:
    """Decisions by session, about what stands there."""
    reviews = {}
    for quality in qualities:
        name = quality["session"]
        if name in decisions:
            code = seen_code(quality) if seen is None else seen
            made = Decision(name, decisions[name], "strap over the sleeve", "AB", "2026-03-04", code, 2)
            reviews[name] = review_of(quality, made) or {}
    return reviews


BATCH = [
    quality_of("throw-01", "accept", participant="p1"),
    quality_of("throw-02", "accept", participant="p2"),
    quality_of("kiln-03", "accept_in_part", 100.0, 0.8, participant="p2"),
    quality_of("kiln-04", "reject", 100.0, 0.2, participant="p3"),
    quality_of("glaze-02", "unreadable", participant="p4"),
]
