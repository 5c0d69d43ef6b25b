"""Invented sessions of an invented pottery workshop, for the tests of the pages."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from pipeline.detectors import Detected, Spans
from pipeline.detectors.findings import Measure
from pipeline.layouts import Channel
from pipeline.recording import BLOCK_ROWS, write_samples
from pipeline.verdict import builtin_policy
from pipeline.verdict.judge import Extent, judge, unreadable
from pipeline.verdict.margins import margins as margins_of
from schemas.columns import FINDINGS
from schemas.conditions import BY_NAME, CONDITIONS, FAULT_MASK
from schemas.measures import MEASURES
from schemas.tables import arrow_table


@dataclass(frozen=True)
class Doing:
    start_s: float
    stop_s: float
    activity: str
    intensity: str


FIELD = Channel("field", "field", "V", 3.0 / 4095 / 5, -0.3, 250.0, 0, 4095, "electrode on the wrist")
ACCELERATION = tuple(
    Channel(f"acc_{axis}", "acceleration", "m[g]", 0.244140625, 0.0, 250.0, -32768, 32767) for axis in "xyz"
)
CHANNELS = (FIELD, *ACCELERATION)
ACTIVITIES = (
    ("sitting still", "rest"),
    ("wedging clay", "arm"),
    ("throwing a bowl", "hand"),
    ("trimming", "hand"),
    ("carrying boards to the kiln room", "body"),
    ("glazing", "arm"),
)
RUN: Mapping[str, Any] = {
    "study": "A pottery workshop (invented)",
    "version": "0.1.0",
    "policy_sha256": "cd" * 32,
    "started": "2026-03-03T01:00:00+00:00",
    "finished": "2026-03-03T01:04:10+00:00",
}
"""The record of a run, but for its counts of verdicts."""


def activities(duration_s: float) -> list[Doing]:
    edges = np.linspace(0.01, 0.98, len(ACTIVITIES) + 1) * duration_s
    return [
        Doing(float(a), float(b) - duration_s * 0.004, name, intensity)
        for a, b, (name, intensity) in zip(edges[:-1], edges[1:], ACTIVITIES, strict=True)
    ]


def quality_bits(n: int, faults: Mapping[str, tuple[tuple[float, float], ...]]) -> np.ndarray:
    """Bits for each sample from condition -> shares of the recording."""
    bits = np.zeros(n, np.uint32)
    for name, stretches in faults.items():
        for start, stop in stretches:
            bits[int(start * n) : int(stop * n)] |= np.uint32(BY_NAME[name].mask)
    return bits


def rows(
    bits: np.ndarray, sample_hz: float, seed: int, mains_hz: float = 50.0
) -> Iterator[tuple[np.ndarray, dict[str, np.ndarray]]]:
    """Blocks for `write_samples`: slow field that follows movement, mains, noise."""
    rng = np.random.default_rng(seed)
    n = len(bits)
    for start in range(0, n, BLOCK_ROWS):
        sample = np.arange(start, min(start + BLOCK_ROWS, n))
        time_s = sample / sample_hz
        vigour = 0.15 + np.clip(np.sin(time_s * 2 * np.pi / (n / sample_hz) * 2.3), 0, 1)
        own = bits[sample]
        field = 0.03 * vigour * np.sin(2 * np.pi * 1.3 * time_s + 2 * np.sin(time_s / 3))
        field += 0.004 * np.sin(2 * np.pi * mains_hz * time_s) + rng.normal(0, 0.0006, len(sample))
        field[(own & BY_NAME["mains"].mask) != 0] *= 1.8
        field[(own & BY_NAME["saturated"].mask) != 0] = 0.28
        field[(own & BY_NAME["contact_loss"].mask) != 0] *= 0.02
        columns = {"sample": sample, "time_s": time_s, "field": field.astype(np.float32), "quality": own}
        for i, channel in enumerate(ACCELERATION):
            moved = 300 * vigour * np.sin(2 * np.pi * (1.1 + 0.2 * i) * time_s) + (980 if i == 2 else 60 * i)
            columns[channel.name] = (moved + rng.normal(0, 8, len(sample))).astype(np.float32)
        yield (own & BY_NAME["lost"].mask) == 0, columns


def session(
    folder: Path,
    name: str = "kiln-03",
    verdict: str = "accept_in_part",
    duration_s: float = 60.0,
    sample_hz: float = 250.0,
    seed: int = 1,
    faults: Mapping[str, tuple[tuple[float, float], ...]] | None = None,
) -> dict[str, Any]:
    """Write samples and findings of an invented session into `folder`; return its quality."""
    faults = faults or {}
    n = 0 if verdict == "unreadable" else int(duration_s * sample_hz)
    bits = quality_bits(n, faults)
    folder.mkdir(parents=True, exist_ok=True)
    write_samples(
        folder / "samples.parquet",
        CHANNELS,
        rows(bits, sample_hz, seed),
        {"sample_hz": repr(sample_hz)},
        with_quality=True,
    )
    found = [
        {
            "session": name,
            "detector": {"saturated": "saturation", "lost": "dropout"}.get(condition, condition),
            "channel": None if condition == "lost" else "field",
            "start_s": start * duration_s,
            "stop_s": stop * duration_s,
            "severity": "fault" if BY_NAME[condition].fault else "note",
            "measure": "length_s",
            "value": (stop - start) * duration_s,
            "limit": 0.5 if BY_NAME[condition].fault else None,
            "unit": "s",
            "explanation": f"The signal is {condition.replace('_', ' ')} here; look at the strap.",
        }
        for condition, stretches in faults.items()
        for start, stop in stretches
    ]
    found.append(
        {
            "session": name,
            "detector": "clock",
            "channel": None,
            "start_s": 0.0,
            "stop_s": duration_s,
            "severity": "warning",
            "measure": "rate_error_ppm",
            "value": 412.0,
            "limit": 200.0,
            "unit": "[ppm]",
            "explanation": "The device took 250.1 samples a second, the layout says 250: correct tick_hz.",
        }
    )
    pq.write_table(arrow_table(FINDINGS, found if n else []), folder / "findings.parquet")
    return quality(name, verdict, n, sample_hz, bits)


def quality(name: str, verdict: str, n: int, sample_hz: float, bits: np.ndarray) -> dict[str, Any]:
    """What the judge would say; numbers that no page depends on are invented."""
    duration_s = n / sample_hz
    good = (bits & FAULT_MASK) == 0
    edges = np.diff(good.astype(np.int8), prepend=0, append=0)
    clean = [
        [float(a) / sample_hz, float(b) / sample_hz]
        for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True)
        if b - a > 5 * sample_hz
    ]
    usable = {"accept": [[0.0, duration_s]], "accept_in_part": clean}.get(verdict, [])
    edges_s = [0.0, *(edge for interval in usable for edge in interval), duration_s]
    usable_s = sum(b - a for a, b in usable)
    present = {c.name: int(((bits & c.mask) != 0).sum()) for c in CONDITIONS}
    reasons = {
        "accept": [],
        "accept_in_part": [
            {"measure": "saturated_fraction", "text": "field at a rail for 3.1 % of the time"}
        ],
        "reject": [
            {"measure": "contact_loss_fraction", "text": "the electrode was off for most of the time"}
        ],
        "unreadable": [
            {
                "measure": "damaged_fraction",
                "text": "dumps/kiln.bin, byte 0: expected frames that begin with A5 5A; found none in "
                "74,112 bytes. Choose the layout that describes this file.",
            }
        ],
    }[verdict]
    whole = f"{usable_s:.0f} s of {duration_s:.0f} s"
    sentence = {
        "accept": f"Can be used: {whole} are clean, every measure within its limit.",
        "accept_in_part": f"Use in part: {whole} in {len(usable)} stretches: the signal stood at a rail for "
        "21 s, 3.5 % (limit 2 %).",
        "reject": f"Do not use: only {whole} are clean: the electrode was off the skin for most of it.",
        "unreadable": "Could not be read: dumps/kiln.bin, byte 0: expected frames that begin with A5 5A; "
        "found none in 74,112 bytes. Choose the layout that describes this file.",
    }[verdict]
    return {
        "session": name,
        "participant": "potter-2",
        "site": "kiln room",
        "device": "strap-b",
        "layout": "strap-radio",
        "started_at": "2026-03-02T09:30:00+00:00",
        "title": "A pottery workshop (invented)",
        "time_zone": "Europe/Lisbon",
        "verdict": verdict,
        "sentence": sentence,
        "reasons": reasons,
        "usable": usable,
        "clean": clean,
        "whole": [[0.0, duration_s]] if duration_s else [],
        "left_out": [
            {"start_s": a, "stop_s": b, "text": f"samples were lost for {b - a:.1f} s"}
            for a, b in zip(edges_s[::2], edges_s[1::2], strict=True)
            if b > a
        ],
        "warnings": ["clock", "gravity"],
        "not_assessed": ["gravity_m_s2"],
        "duration_s": duration_s,
        "nominal_hz": sample_hz,
        "n_samples": n,
        "measures": _measures(verdict, duration_s, usable_s, present, n),
        "conditions": {
            name: {"samples": k, "seconds": k / sample_hz, "fraction": k / n if n else None}
            for name, k in present.items()
        },
        "mains_lines": [] if verdict == "unreadable" else _mains_lines(sample_hz),
        "ledger": {
            "dumps/kiln.bin": {
                "decoded": 0 if verdict == "unreadable" else 1_203_410,
                "duplicate": 0 if verdict == "unreadable" else 3_200,
                "damaged": 0 if verdict == "unreadable" else 14_800,
                "unrecognised": 74_112 if verdict == "unreadable" else 37,
                "padding": 0 if verdict == "unreadable" else 90_000,
            }
        },
        "frames": {
            "decoded": n // 10,
            "expected": n // 10,
            "lost": 12,
            "duplicate": 3,
            "late": 0,
            "damaged": 9,
        },
        "clock": {"source": "ticks", "rate_hz": sample_hz * 1.00002, "residual_s": 0.00021, "restarts": 0},
        "notes": ["dumps/kiln.bin: the last frame ends after 17 of 74 bytes."],
        "made_by": {
            "version": "0.1.0",
            "layout_sha256": "ab" * 32,
            "policy_sha256": "cd" * 32,
            "activities_sha256": "09" * 32,
            "dumps": {"dumps/kiln.bin": "ef" * 32},
        },
    }


def margins(verdict: str) -> dict[str, Any]:
    """How close the verdict of an invented session is to turning, by judging one that ends so."""
    lost_s, values = {
        "accept": (0, {"lost_fraction": 0.046, "mains_fraction": 0.02, "stuck_fraction": 0.0}),
        "accept_in_part": (20, {"lost_fraction": 0.1, "saturated_fraction": 0.011, "mains_fraction": None}),
        "reject": (160, {"contact_loss_fraction": 0.8}),
        "unreadable": (0, {}),
    }[verdict]
    measures = tuple(Measure(name, value, "1", "field") for name, value in values.items())
    marks = {"lost": Spans(np.array([0]), np.array([lost_s * 10]))} if lost_s else {}
    judged = judge(Detected((), measures, marks), Extent(2000, 10.0, 200.0), builtin_policy())
    assert verdict in (judged.name, "unreadable")
    how_close = margins_of(unreadable("no frame") if verdict == "unreadable" else judged, builtin_policy())
    return asdict(how_close)


def _measures(
    verdict: str, duration_s: float, usable_s: float, present: Mapping[str, int], n: int
) -> list[dict[str, Any]]:
    unread = verdict == "unreadable"
    values: dict[str, float | None] = {measure.name: None for measure in MEASURES}
    if not unread:
        values |= {f"{name}_fraction": k / n for name, k in present.items() if f"{name}_fraction" in values}
        values |= {"duration_s": duration_s, "usable_s": usable_s, "usable_fraction": usable_s / duration_s}
        values |= {
            "longest_gap_s": 0.8,
            "damaged_fraction": 0.0113,
            "rate_hz": 250.005,
            "rate_error_ppm": 20.0,
        }
        values |= {"mains_rms_v": 0.0028, "mains_peak_v": 0.0041, "mains_hz": 49.98, "movement_rms_v": 0.0123}
        values |= {"noise_v": 0.00061, "mains_to_movement": 0.23, "moving_fraction": 0.61}
    limits = {
        "lost_fraction": ("max", 0.05),
        "saturated_fraction": ("max", 0.02),
        "mains_fraction": ("max", 0.5),
    }
    limits |= {
        "contact_loss_fraction": ("max", 0.2),
        "usable_fraction": ("min", 0.5),
        "gravity_m_s2": ("max", 10),
    }
    rows = []
    for measure in MEASURES:
        limit_is, limit = limits.get(measure.name, (None, None))
        value = values[measure.name]
        within = None
        if value is not None and limit is not None:
            within = value <= limit if limit_is == "max" else value >= limit
        rows.append(
            {
                "name": measure.name,
                "title": measure.title,
                "unit": measure.unit,
                "channel": None,
                "value": value,
                "absent": "the wearer never stood still for ten seconds" if value is None else "",
                "limit": limit,
                "limit_is": limit_is,
                "within": within,
                "limit_reason": "beyond it the rest is too little to describe a shift" if limit else "",
            }
        )
    return rows


def _mains_lines(sample_hz: float) -> list[dict[str, Any]]:
    lines = []
    for harmonic in range(1, 6):
        true_hz = 50.0 * harmonic
        folded_hz = abs(true_hz - round(true_hz / sample_hz) * sample_hz)
        assessable = folded_hz > 1
        lines.append(
            {
                "channel": "field",
                "nominal_hz": 50.0,
                "harmonic": harmonic,
                "folded_hz": folded_hz,
                "found_hz": folded_hz - 0.02 if assessable else None,
                "rms": 0.0028 / harmonic**2 if assessable else None,
                "unit": "V",
                "assessable": assessable,
                "why": "" if assessable else "it folds to within 1 Hz of 0 Hz",
            }
        )
    return lines
