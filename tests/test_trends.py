"""Trends over the days: claimed where they stand out, and never without enough sessions."""

import itertools
from typing import Any

import batch_examples as batch
import numpy as np
import pytest

from pipeline.report.trend_scales import HEIGHT, scale_of
from pipeline.report.trends import N_DRAWN, N_LEAST, holm, in_numbers, least_sessions, trends


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
    assert flat.startswith("6 sessions, a trend is not shown (τ")


def test_probability_of_a_rise_without_ties_is_exact() -> None:
    # Of the 7! orders of seven values two are as far from chance as all in order (counted here).
    orders = [
        sum(a < b for a, b in itertools.combinations(order, 2)) for order in itertools.permutations(range(7))
    ]
    p = sum(score in (0, 21) for score in orders) / len(orders)
    (text,) = told(trends(series([0.01 * i for i in range(7)])))
    assert text == f"7 sessions, rises (τ 1, corrected p {'below 0.001' if p < 0.001 else p})"


def test_ties_do_not_make_a_trend_likelier_than_counting_all_orders() -> None:
    # All 210 orders of two zeros, three 0.1 and two 0.2: how many have a score at least as large.
    orders = sorted(set(itertools.permutations((0.0, 0.0, 0.1, 0.1, 0.1, 0.2, 0.2))))
    scores = [sum((b > a) - (b < a) for a, b in itertools.combinations(order, 2)) for order in orders]
    for order, score in zip(orders, scores, strict=True):
        exact = sum(abs(other) >= abs(score) for other in scores) / len(scores)
        (text,) = told(trends(series(list(order))))
        assert exact < 0.06 or "not shown" in text, (order, exact, text)
    assert any("rises" in told(trends(series(list(order))))[0] for order in orders)


def test_many_devices_at_random_give_hardly_a_trend() -> None:
    # Family-wise error of Holm's correction: at most 0.05 by his theorem, here over 20 studies of 30 devices.
    rng = np.random.default_rng(11)
    wrong = 0
    for _ in range(20):
        study = [q for i in range(30) for q in series(rng.random(10).tolist(), f"strap-{i:02d}")]
        shown = trends(study)
        assert [row["n_tested"] for row in shown] == [30]
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


def test_from_how_many_sessions_on_a_claim_is_possible() -> None:
    # 2 of n! orders: 2/120 = 0.0167 at five, twice that with two series; 6 * 0.0167 = 0.1 is no claim.
    assert [least_sessions(k) for k in (0, 1, 2, 3, 6, 17, 18)] == [5, 5, 5, 6, 6, 6, 7]
    for k in (2, 3):
        study = [q for i in range(k) for q in series([0.1, 0.2, 0.3, 0.4, 0.5], f"strap-{i}")]
        (row,) = trends(study)
        assert bool(row["sentences"]) == (row["n_least"] == 5) == (k == 2)


def test_the_correction_is_for_the_series_of_one_question() -> None:
    # Six series in each of two questions would need 12 * 0.0028 at six sessions, which is still a claim; at
    # 20 in the other question and one here, only a correction within the question leaves a claim at five.
    study = series([0.1, 0.2, 0.3, 0.4, 0.5], "strap-x")
    others = [q for i in range(20) for q in series([0.2, 0.1, 0.3, 0.15, 0.25], f"strap-{i:02d}")]
    for quality in others:
        quality["measures"] = [{**quality["measures"][0], "name": "lost_fraction"}]
    by_title = {row["title"]: row for row in trends([*study, *others])}
    assert [s["name"] for s in by_title["Electrode off by device"]["sentences"]] == ["strap-x"]


def test_growth_by_a_fifth_shows_in_the_noise_whatever_the_limit() -> None:
    scale = scale_of("noise_v", np.array([1e-6, 1.0e-6, 1.2e-6]))
    assert scale.y(1e-6) - scale.y(1.2e-6) > HEIGHT / 4
    wide = scale_of("noise_v", np.array([1e-6, 1e-5]))
    assert wide.y(1e-6) - wide.y(1.2e-6) > HEIGHT / 20
    assert scale_of("noise_v", np.array([0.0, 0.0])).y(0.0) > 0
    assert scale_of("lost_fraction", np.array([0.0, 0.001])).high == 0.001


def test_every_dot_stands_in_numbers_with_its_session() -> None:
    study = series([0.1, None, 0.3])
    numbers = in_numbers(study, trends(study))
    assert [(row["session"], row["values"]) for row in numbers["rows"]] == [
        ("strap-a-0", ["10\u202f%"]), ("strap-a-1", ["–"]), ("strap-a-2", ["30\u202f%"]),
    ]  # fmt: skip
    assert trends(study)[0]["panels"][0]["worst"]["session"] == "strap-a-2"
