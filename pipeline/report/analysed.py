"""Which seconds of a session are analysed, after what a person decided about it."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

Intervals = list[list[float]]
"""Start and stop of stretches in seconds from the first sample, ascending; the stop is not part of them."""


def analysed_of(quality: Mapping[str, Any], review: Mapping[str, Any] | None) -> Intervals:
    """Which stretches of a session the analysis uses.

    Parameters
    ----------
    quality : mapping
        What stands in ``quality.json``; of its keys ``usable``, ``clean`` and ``whole``.
    review : mapping or None
        What `pipeline.report.review.review_of` says of a person's decision.

    Returns
    -------
    list of [start_s, stop_s]
        Where a decision is followed: all of the recording, its clean stretches, or none; else what the
        verdict lets through. No stretch reaches across a pause or a restart.
    """
    key = "usable"
    if review is not None and review["followed"]:
        key = {"accept": "whole", "accept_in_part": "clean", "reject": ""}[review["decision"]]
    return [[float(start), float(stop)] for start, stop in quality[key]] if key else []


def length_s(intervals: Sequence[Sequence[float]]) -> float:
    """Total length of stretches."""
    return math.fsum(stop - start for start, stop in intervals)


def within_s(intervals: Sequence[Sequence[float]], start_s: float, stop_s: float) -> float:
    """How much of the stretch from `start_s` to `stop_s` lies in `intervals`, each of which counts."""
    return math.fsum(max(min(stop, stop_s) - max(start, start_s), 0.0) for start, stop in intervals)


def without(intervals: Sequence[Sequence[float]], others: Sequence[Sequence[float]]) -> Intervals:
    """What of `intervals` lies in none of `others`; both ascending, and disjoint in themselves."""
    left: Intervals = []
    i = 0
    for start, stop in intervals:
        while i < len(others) and others[i][1] <= start:
            i += 1
        j = i
        while j < len(others) and others[j][0] < stop:
            if others[j][0] > start:
                left.append([start, others[j][0]])
            start = max(start, others[j][1])
            j += 1
        if start < stop:
            left.append([start, stop])
    return left
