"""An invented batch of an invented pottery workshop: many sessions, one strap of which wears out."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import report_examples as examples

from pipeline.report.glance import Envelope, Glance
from pipeline.report.strip import strip_svg
from pipeline.verdict.moves import MOVES
from schemas.conditions import CONDITIONS

ROOMS, STRAPS = ("throwing room", "kiln room"), ("strap-a", "strap-b", "strap-c", "strap-d")
WORN = "strap-c"


def run_of(qualities: list[dict[str, Any]]) -> dict[str, Any]:
    """The record of a run over these sessions."""
    verdicts = [quality["verdict"] for quality in qualities]
    return {**examples.RUN, "counts": {name: verdicts.count(name) for name in set(verdicts)}}


def sessions(n: int, seed: int = 1) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Qualities and strips of `n` sessions over twelve days, in which one strap wears out."""
    rng = np.random.default_rng(seed)
    qualities, strips = [], {}
    for i in range(n):
        quality = _session(i, n, rng)
        qualities.append(quality)
        strips[quality["session"]] = _strip(quality, rng)
    return qualities, strips


def decided(qualities: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """A decision to use it, which is followed, about every second session."""
    review = {"decision": "accept", "reason": "looked at it", "initials": "VW", "date": "2026-03-04"}
    review |= {"stale": False, "why": "", "followed": True}
    return {quality["session"]: review for quality in qualities[::2]}


def _session(i: int, n: int, rng: np.random.Generator) -> dict[str, Any]:
    day, room = i * 12 // n, ROOMS[int(rng.integers(2))]
    strap = STRAPS[int(rng.integers(4))]
    faults = {
        "lost": _some(rng, 0.004),
        "saturated": _some(rng, 0.003),
        "contact_loss": _some(rng, 0.004 + (0.03 * day if strap == WORN else 0.0)),
        "mains": _some(rng, 0.05 if room == "kiln room" and rng.random() < 0.3 else 0.001),
        "low_coupling": _some(rng, 0.02),
    }
    bits = examples.quality_bits(3600, faults)
    bad = sum(b - a for name in ("lost", "saturated", "contact_loss", "mains") for a, b in faults[name])
    verdict = (
        "unreadable"
        if i % 61 == 40
        else "reject"
        if bad > 0.3
        else "accept_in_part"
        if bad > 0.04
        else "accept"
    )
    name = f"{'kiln' if room == 'kiln room' else 'throw'}-{i:04d}"
    rows = 0 if verdict == "unreadable" else 3600
    quality = examples.quality(name, verdict, rows, 1.0, bits[:rows])
    start = f"2026-03-{2 + day:02d}T{8 + i % 9:02d}:{i * 7 % 60:02d}:00+01:00"
    quality |= {"participant": f"potter-{i % 8 + 1}", "site": room, "device": strap, "started_at": start}
    quality |= {
        "warnings": ["clock"] if i % 23 == 3 else [],
        "not_assessed": ["gravity_m_s2"] if i % 17 == 5 else [],
    }
    for measure in quality["measures"]:
        if measure["name"] == "noise_v" and measure["value"] is not None:
            measure["value"] = float(6e-4 * rng.uniform(0.8, 1.25))
        if measure["name"] == "mains_rms_v" and measure["value"] is not None:
            measure["value"] = float((4e-3 if room == "kiln room" else 1e-3) * rng.uniform(0.6, 1.6))
    quality["margins"] = _margins(verdict, round(float(rng.uniform(0.3, 0.97)), 4))
    return quality


def _margins(verdict: str, factor: float) -> dict[str, Any]:
    """One limit, which turns the verdict if it is multiplied by `factor`."""
    others = {"accept": "accept_in_part", "accept_in_part": "accept", "reject": "accept_in_part"}
    turns_to = others.get(verdict)
    nearest = {"name": "contact_loss_fraction", "channel": "field", "value": 0.2 * factor, "limit": 0.2}
    nearest |= {"bound": "max", "factor": factor, "turns_to": turns_to}
    turned = {move: turns_to is not None and move <= factor for move in MOVES}
    moved = [
        {
            "factor": move,
            "verdict": turns_to if turned[move] else verdict,
            "by_limit": {"contact_loss_fraction": turns_to} if turned[move] else {},
        }
        for move in MOVES
    ]
    known = [nearest] if turns_to else []
    return {"limits": known, "nearest": nearest if turns_to else None, "moved": moved}


def _some(rng: np.random.Generator, share: float) -> tuple[tuple[float, float], ...]:
    """Up to six stretches that take about that share together."""
    n = int(rng.integers(1, 7))
    lengths = share / n * rng.uniform(0.2, 1.8, n)
    starts = rng.uniform(0, 1, n) * (1 - lengths)
    return tuple(zip(starts.tolist(), (starts + lengths).tolist(), strict=True))


def _strip(quality: Mapping[str, Any], rng: np.random.Generator) -> str:
    if quality["verdict"] == "unreadable":
        return strip_svg(quality, None, ())
    vigour = 0.02 + 0.1 * np.abs(np.sin(np.linspace(0, rng.uniform(4, 30), 160))) * rng.uniform(0.3, 1.5, 160)
    field = Envelope(examples.FIELD, -vigour * 0.3, vigour * 0.3)
    bits = np.zeros(160, np.uint32)
    for condition in CONDITIONS:
        share = quality["conditions"][condition.name]["fraction"] or 0.0
        for at in rng.integers(0, 160, round(share * 160)).tolist():
            bits[at] |= condition.mask
    glance = Glance(quality["duration_s"], (field,), bits, {}, {})
    return strip_svg(quality, glance, examples.activities(quality["duration_s"]))
