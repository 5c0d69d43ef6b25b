"""Sessions as quality.json has them, and decisions about them. All are invented."""

from typing import Any

import report_examples as examples

from pipeline.report.review import seen_code
from pipeline.study import Decision

OTHER = "r00000000-p00000000-a00000000-v0.0"
"""A code of something else."""


def quality_of(verdict: str = "accept_in_part", name: str = "kiln-03") -> dict[str, Any]:
    bits = examples.quality_bits(15_000 if verdict != "unreadable" else 0, {"lost": ((0.2, 0.3),)})
    quality = examples.quality(name, verdict, len(bits), 250.0, bits)
    for measure in quality["measures"]:
        if measure["name"] == "clean_s" and len(bits):
            measure["value"] = 54.0
    return quality


QUALITY = quality_of()


def decision(
    quality: dict[str, Any], what: str = "reject", *, seen: str | None = None, **others: str
) -> Decision:
    known = {"reason": "strap over the sleeve", "initials": "AB", "date": "2026-03-04", **others}
    return Decision(
        quality["session"], what, **known, seen=seen_code(quality) if seen is None else seen, line=2
    )
