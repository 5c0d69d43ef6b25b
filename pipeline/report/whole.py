"""The picture at the top of a session's page: which parts can be used, and what stands in the others."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.report import words
from pipeline.report.glance import Floats, Glance
from pipeline.report.parts import Activity
from schemas.conditions import BY_NAME, FAULT_MASK

WIDTH = 1000
_FIELD = (4.0, 60.0)  # top and bottom of the envelope in a box of 100
_ACTIVITY: Mapping[str, int] = {"rest": 4, "hand": 7, "arm": 11, "body": 15}
_LEAST = 2.0
_LEAST_SPAN = 0.1
"""Of the input range, what the picture spans at least: a quiet wearer's noise must not look like a storm."""
_LOST = BY_NAME["lost"].mask


def whole(quality: Mapping[str, Any], glance: Glance, activities: Sequence[Activity]) -> dict[str, str]:
    """Path data in a box of 1000 by 100, and ``said``, the picture in words.

    Paths: ``usable``, ``field`` (an envelope from its smallest to its largest value), ``lost``, ``faults``
    (others than lost) and ``activities``; one that would be empty is an empty string.
    """
    scale = WIDTH / glance.duration_s
    usable = np.asarray(quality["usable"], np.float64).reshape(-1, 2)
    faults = ", ".join(c["words"] for c in words.conditions_words(quality) if c["fault"])
    spans = words.intervals_words(quality["usable"], quality["duration_s"])
    return {
        "usable": _boxes(usable * scale, 0, 100),
        "field": _envelope(glance),
        "lost": _boxes(glance.runs(_LOST) * scale, 66, 12),
        "faults": _boxes(glance.runs(FAULT_MASK & ~_LOST) * scale, 66, 12),
        "activities": _activities(activities, glance.duration_s),
        "said": f"The whole recording. Can be used: {spans}. Faults: {faults or 'none'}.",
    }


def _boxes(runs: Floats, top: int, height: int) -> str:
    """Boxes from start to stop, each wide enough to be seen."""
    return "".join(
        f"M{start:.5g} {top}h{max(stop - start, _LEAST):.4g}v{height}h-{max(stop - start, _LEAST):.4g}z"
        for start, stop in runs.tolist()
    )


def _envelope(glance: Glance) -> str:
    """One closed shape for each run of columns in which something of the first field arrived."""
    shown = glance.of_kind("field") or glance.envelopes
    if not shown or np.isnan(shown[0].low).all():
        return ""
    low, high = shown[0].low, shown[0].high
    least, most = float(np.nanmin(low)), float(np.nanmax(high))
    channel = shown[0].channel
    span = max(most - least, _LEAST_SPAN * abs(channel.adc_high - channel.adc_low)) or 1.0
    top = (least + most + span) / 2
    pixels = (_FIELD[1] - _FIELD[0]) / span
    upper = _FIELD[0] + (top - high) * pixels
    lower = np.maximum(_FIELD[0] + (top - low) * pixels, upper + 0.8)
    step = WIDTH / len(low)
    edges = np.flatnonzero(np.diff(~np.isnan(low), prepend=False, append=False))
    parts = []
    for start, stop in edges.reshape(-1, 2).tolist():
        there = [f"{i * step:.5g} {upper[i]:.3g}" for i in range(start, stop)]
        back = [f"{(i + 1) * step:.5g} {lower[i]:.3g}" for i in reversed(range(start, stop))]
        parts.append(f"M{'L'.join([*there, *back])}z")
    return "".join(parts)


def _activities(activities: Sequence[Activity], duration_s: float) -> str:
    """Bars whose height says how much of the body moved."""
    parts = []
    for one in activities:
        start, stop = (min(max(t / duration_s, 0.0), 1.0) * WIDTH for t in (one.start_s, one.stop_s))
        if stop > start:
            height = _ACTIVITY.get(one.intensity, 7)
            width = max(stop - start - _LEAST, _LEAST / 2)  # so that neighbours stay apart
            parts.append(f"M{start:.5g} {100 - height}h{width:.4g}v{height}h-{width:.4g}z")
    return "".join(parts)
