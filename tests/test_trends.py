"""Trends over the days: claimed where they stand out, and never without enough sessions."""

import itertools
from typing import Any

import batch_examples as batch
import numpy as np
import pytest

from pipeline.report.trends import N_DRAWN, N_LEAST, holm, n_tested, trends


def series(values: list[float | None], name: str = "strap-a") -> list[dict[str, Any]]:
    """Sessions of one device, a day apart, of which one measure is known."""
    return [
        {
            "session": f"{name}-{i}",
            "site": "kiln room",
            "device": name,
            "started_at": f"2026-03-{1 + i:02d}T09:00:00+01:00",
            "measures": [{"name": "contact_loss_fraction", "value": value, "limit": 0.2}],
        }
        for i, value in enumerate(values)
    ]


def told(shown: list[dict[str, Any]]) -> list[str]:
    return [panel["told"].replace("\u00a0", " ") for row in shown for panel in row["panels"]]


def test_the_strap_that_wears_out_stands_out_alone() -> None:
    found = [s for row in trends(batch.sessions(40)[0]) for s in row["sentences"]]
    assert {s["name"] for s in found} == {batch.WORN}
    assert found[0]["head"].startswith("electrode off rises from")
    assert found[0]["worse"]


@pytest.mark.parametrize("n", range(1, N_LEAST))
def test_no_trend_is_claimed_from_few_sessions(n: int) -> None:
    (text,) = told(trends(series([0.01 * i for i in range(n)])))
    assert text.endswith("no trend is claimed from fewer than 5 sessions")


def test_without_a_trend_there_is_a_reason() -> None:
    assert told(trends(series([0.1] * 6))) == ["6 sessions, all sessions have the same value"]
    assert told(trends(series([0.1, None, 0.2]))) == [
        "2 sessions, 1 without a value, no trend is claimed from fewer than 5 sessions"
    ]
    assert trends(series([None] * 6)) == []
    (flat,) = told(trends(series([0.1, 0.3, 0.2, 0.25, 0.15, 0.2])))
    assert flat.startswith("6 sessions, no trend (τ")


def test_probability_of_a_rise_without_ties_is_exact() -> None:
    # Of the 7! orders of seven values two are as far from chance as all in order (counted here).
    orders = [
        sum(a < b for a, b in itertools.combinations(order, 2)) for order in itertools.permutations(range(7))
    ]
    p = sum(score in (0, 21) for score in orders) / len(orders)
    (text,) = told(trends(series([0.01 * i for i in range(7)])))
    assert text == f"7 sessions, rises (τ 1, p {'below 0.001' if p < 0.001 else p})"


def test_ties_do_not_make_a_trend_likelier_than_counting_all_orders() -> None:
    # All 210 orders of two zeros, three 0.1 and two 0.2: how many have a score at least as large.
    orders = sorted(set(itertools.permutations((0.0, 0.0, 0.1, 0.1, 0.1, 0.2, 0.2))))
    scores = [sum((b > a) - (b < a) for a, b in itertools.combinations(order, 2)) for order in orders]
    for order, score in zip(orders, scores, strict=True):
        exact = sum(abs(other) >= abs(score) for other in scores) / len(scores)
        (text,) = told(trends(series(list(order))))
        assert exact < 0.06 or "no trend" in text, (order, exact, text)
    assert any("rises" in told(trends(series(list(order))))[0] for order in orders)


def test_many_devices_at_random_give_hardly_a_trend() -> None:
    # Family-wise error of Holm's correction: at most 0.05 by his theorem, here over 20 studies of 30 devices.
    rng = np.random.default_rng(11)
    wrong = 0
    for _ in range(20):
        study = [q for i in range(30) for q in series(rng.random(10).tolist(), f"strap-{i:02d}")]
        shown = trends(study)
        assert n_tested(shown) == 30
        wrong += any(row["sentences"] for row in shown)
    assert wrong <= 3  # binomial, 20 at 0.05: more than three in less than 2 %


def test_holm_by_hand() -> None:
    # Holm 1979: 4 * 0.005, 3 * 0.01, 2 * 0.03, then no smaller than the one before.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
    assert holm([0.7, 0.9]) == [1.0, 1.0]


def test_many_devices_are_not_all_drawn_but_what_stands_out_is() -> None:
    study = [q for i in range(40) for q in series([0.2, 0.1, 0.3, 0.15, 0.25, 0.2], f"strap-{i:02d}")]
    study += series([0.01 * i for i in range(12)], "strap-99")
    (row,) = trends(study)
    assert row["panels"][0]["name"] == "strap-99"
    assert len(row["panels"]) + row["n_more"] == 41
    assert len(row["panels"]) == N_DRAWN
