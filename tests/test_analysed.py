"""Which seconds are analysed: the verdict's, or those that a person's decision asks for."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.detectors import Detected, Spans
from pipeline.detectors.findings import Measure
from pipeline.report.analysed import analysed_of, length_s, without
from pipeline.verdict import builtin_policy
from pipeline.verdict.judge import Extent, judge

QUALITY: dict[str, Any] = {
    "usable": [],
    "clean": [[0.0, 20.0], [50.0, 60.0]],
    "whole": [[0.0, 30.0], [40.0, 90.0]],
}


@pytest.mark.parametrize(
    ("decision", "followed", "expected"),
    [
        ("accept", True, [[0.0, 30.0], [40.0, 90.0]]),
        ("accept_in_part", True, [[0.0, 20.0], [50.0, 60.0]]),
        ("reject", True, []),
        ("accept", False, []),
        ("accept_in_part", False, []),
    ],
)
def test_a_decision_that_is_followed_says_what_is_analysed(
    decision: str, followed: bool, expected: list[list[float]]
) -> None:
    assert analysed_of(QUALITY, {"decision": decision, "followed": followed}) == expected


def test_without_a_decision_the_verdict_says_it() -> None:
    assert analysed_of(QUALITY | {"usable": [[1, 2]]}, None) == [[1.0, 2.0]]
    refused = {"decision": "reject", "followed": False}
    assert analysed_of(QUALITY | {"usable": [[1, 2]]}, refused) == [[1.0, 2.0]]
    assert analysed_of(QUALITY | {"usable": [[1, 2]]}, {**refused, "followed": True}) == []


@st.composite
def stretches(draw: Any) -> list[list[float]]:
    edges = sorted(draw(st.sets(st.integers(0, 40), max_size=16)))
    return [[float(a), float(b)] for a, b in zip(edges[::2], edges[1::2], strict=False)]


@given(stretches(), stretches())
def test_what_is_taken_out_is_what_lies_in_both(one: list[list[float]], other: list[list[float]]) -> None:
    def seconds(intervals: list[list[float]]) -> set[int]:
        return {second for start, stop in intervals for second in range(int(start), int(stop))}

    left = without(one, other)
    assert seconds(left) == seconds(one) - seconds(other)
    assert length_s(left) == len(seconds(left))
    assert left == sorted(left)
    assert all(start < stop for start, stop in left)


# ---------------------------------------------------------------- what the verdict keeps for it


def test_a_rejected_session_keeps_its_clean_stretches_and_pauses_part_all() -> None:
    """Of 200 s at 10 Hz the first 180 are lost but for 20 s, and the device paused at 195 s."""
    lost = Spans(np.array([0, 500]), np.array([300, 1800]))
    extent = Extent(2000, 10.0, 200.0, (1950,))
    verdict = judge(
        Detected((), (Measure("lost_fraction", 0.8, "1"),), {"lost": lost}), extent, builtin_policy()
    )
    spans = {
        name: list(zip(spans.start.tolist(), spans.stop.tolist(), strict=True))
        for name, spans in (("usable", verdict.usable), ("clean", verdict.clean), ("whole", verdict.whole))
    }
    assert verdict.name == "reject"
    assert spans == {"usable": [], "clean": [(300, 500), (1800, 1950)], "whole": [(0, 1950), (1950, 2000)]}
