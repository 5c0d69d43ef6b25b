"""Scoring of events and its intervals, against worked values.

Sources: EC57 and IEC 60601-2-47 for scores by episode and by duration (titles read, rules from memory);
sizes of samples by Clopper and Pearson, Biometrika 26:404, 1934; rates by Garwood, Biometrika 28:437, 1936.
"""

from math import comb, exp, factorial, inf, isnan, nan

import numpy as np
import pytest

from pipeline.detectors import Spans
from pipeline.drill.scoring import (
    Against,
    Event,
    Score,
    events_of,
    joined,
    rate_at_most,
    rate_per_hour,
    share,
    share_at_least,
    share_at_most,
    taken,
    total,
)


def stuck(*stretches: tuple[float, float], condition: str = "stuck") -> list[Event]:
    return [Event(condition, start, stop) for start, stop in stretches]


def scored(planted: list[Event], detected: list[Event], condition: str = "stuck") -> Score:
    return Against.of(planted, detected).score(condition)


# ---- events ------------------------------------------------------------------------------------------------


def test_worked_episodes_and_durations():
    """Truth [10,20) and [40,41), output [12,20) and [60,65): 8/11, 8/13, and one of two either way."""
    score = scored(stuck((10, 20), (40, 41)), stuck((12, 20), (60, 65)))
    assert score.duration_sensitivity == pytest.approx(8 / 11)
    assert score.duration_precision == pytest.approx(8 / 13)
    assert score.sensitivity.value == 0.5
    assert score.precision.value == 0.5
    assert [e.start_s for e in score.missed] == [40]
    assert [e.start_s for e in score.false] == [60]


@pytest.mark.parametrize(
    ("detected", "found"),
    [
        ([(10, 15)], True),
        ([(10, 14.99)], False),
        ([(10, 12.5), (17.5, 20)], True),
        ([(10, 12), (17.5, 20)], False),
        ([(0, 30)], True),
        ([(0, 10), (20, 30)], False),
        ([], False),
    ],
)
def test_half_of_an_event_must_be_covered(detected, found):
    assert bool(scored(stuck((10, 20)), stuck(*detected)).found) is found


@pytest.mark.parametrize(
    ("detected", "false"),
    [
        ((20.74, 21), False),
        ((20.76, 21), True),
        ((8, 9.26), False),
        ((8, 9.24), True),
        ((0, 40), False),
    ],
)
def test_a_detection_beside_an_event_is_false(detected, false):
    """10 s of event: 0.25 s plus 5 % are 0.75 s."""
    assert bool(scored(stuck((10, 20)), stuck(detected)).false) is false


def test_a_detection_of_another_condition_counts_for_nothing():
    planted, detected = stuck((10, 20)), stuck((10, 20), condition="saturated")
    assert scored(planted, detected).missed
    assert scored(planted, detected, "saturated").false
    against = Against.of(planted, detected)
    assert against.taken_for(planted[0]) == ("saturated",)
    assert against.beside(detected[0]) == tuple(planted)


def test_what_was_planted_there_too_is_no_confusion():
    planted = stuck((10, 20)) + stuck((12, 18), condition="saturated")
    detected = stuck((10, 20), condition="saturated")
    assert Against.of(planted, detected).taken_for(planted[0]) == ()


def test_runs_less_than_a_second_apart_are_one():
    events = joined(stuck((3, 4), (0, 1), (1.9, 2), (4.99, 6), (7, 8)))
    assert [(e.start_s, e.stop_s) for e in events] == [(0, 2), (3, 6), (7, 8)]
    assert joined(stuck((0, 9), (1, 2), (9.5, 10)))[0].stop_s == 10
    assert len(joined(stuck((0, 1)) + stuck((1, 2), condition="lost"))) == 2


def test_a_joined_event_is_of_its_longest_kind():
    parts = [
        Event("stuck", 0, 3, "held", 2.0),
        Event("stuck", 3, 4, "stuck", 9.0),
        Event("stuck", 4, 5, "held", 5.0),
    ]
    assert joined(parts) == (Event("stuck", 0, 5, "held", 5.0),)


def test_faint_events_are_neither_missed_nor_do_they_make_detections_false():
    planted = [Event("mains", 0, 5, "mains", 0.5), Event("mains", 10, 15, "mains", 2.0)]
    detected = stuck((0, 5), condition="mains")
    score = Against.of(planted, detected, lambda event, _: event.strength >= 1).score("mains")
    assert [e.start_s for e in score.faint] == [0]
    assert [e.start_s for e in score.missed] == [10]
    assert not score.false
    assert score.n_events == 1


def test_an_event_of_no_length_is_found_where_a_detection_lies():
    assert scored(stuck((5, 5)), stuck((4, 6))).found
    assert scored(stuck((5, 5)), stuck((5, 5.5))).found
    assert scored(stuck((5, 5)), stuck((6, 7))).missed


def test_events_of_the_runs_of_a_bit():
    spans = Spans(np.array([0, 50]), np.array([10, 75]))
    assert events_of("lost", spans, 25.0, 1.0) == (Event("lost", 1.0, 1.4), Event("lost", 3.0, 4.0))


def test_scores_add_up():
    one, two = scored(stuck((10, 20)), stuck((10, 20))), scored(stuck((10, 20)), stuck((0, 1)))
    both = total([one, two])
    assert (len(both.found), len(both.missed), len(both.true), len(both.false)) == (1, 1, 1, 1)
    assert both.duration_sensitivity == 0.5
    assert both.false_per_hour(0.5).value == 2.0


def test_events_taken_for_another_condition():
    loose = stuck((10, 20), (40, 50), condition="contact_loss")
    tied = stuck((10, 20), condition="low_coupling")
    both = taken([Against.of(loose, tied), Against.of(loose, loose)], "contact_loss", "low_coupling")
    assert (both.n_taken, both.n_events, both.share.value) == (1, 4, 0.25)


def test_nothing_planted_and_nothing_detected_has_no_share():
    score = scored([], [])
    assert isnan(score.sensitivity.value)
    assert isnan(score.duration_precision)
    assert (score.precision.low, score.precision.high) == (0.0, 1.0)


# ---- intervals ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n_missed", "of", "at_least", "digits"),
    [
        (0, 60, 0.951, 3),
        (0, 100, 0.9705, 4),
        (0, 200, 0.985, 3),
        (0, 300, 0.990, 3),
        (0, 500, 0.994, 3),
        (0, 1000, 0.997, 3),
        (1, 300, 0.984, 3),
        (15, 300, 0.924, 3),
    ],
)
def test_published_sizes_of_samples(n_missed, of, at_least, digits):
    assert round(share_at_least(of - n_missed, of), digits) == at_least


def test_no_miss_has_a_closed_form():
    """None of n: the bound is alpha to the power of 1 / n, and the rule of three is near it."""
    assert share_at_least(60, 60) == pytest.approx(0.05 ** (1 / 60))
    assert share_at_most(0, 60) == pytest.approx(1 - 0.05 ** (1 / 60))
    assert share(60, 60).low == pytest.approx(0.025 ** (1 / 60))
    assert share_at_most(0, 1000) == pytest.approx(3 / 1000, rel=0.01)


def test_two_sided_bounds_solve_the_binomial():
    """Each bound is where the tail of the binomial is 2.5 % (the definition, by direct sums)."""
    n, k = 20, 7
    interval = share(k, n)
    upper_tail = sum(comb(n, i) * interval.low**i * (1 - interval.low) ** (n - i) for i in range(k, n + 1))
    lower_tail = sum(comb(n, i) * interval.high**i * (1 - interval.high) ** (n - i) for i in range(k + 1))
    assert upper_tail == pytest.approx(0.025)
    assert lower_tail == pytest.approx(0.025)
    assert interval.value == 0.35


def test_rates_solve_the_poisson():
    interval = rate_per_hour(3, 10.0)
    below = sum(exp(-m) * m**i / factorial(i) for m in [interval.high * 10] for i in range(4))
    above = 1 - sum(exp(-m) * m**i / factorial(i) for m in [interval.low * 10] for i in range(3))
    assert below == pytest.approx(0.025)
    assert above == pytest.approx(0.025)
    assert interval.value == pytest.approx(0.3)


def test_no_false_alarm_has_a_closed_form():
    assert rate_per_hour(0, 10.0).low == 0.0
    assert rate_per_hour(0, 10.0).high == pytest.approx(-np.log(0.025) / 10)
    assert rate_at_most(0, 10.0) == pytest.approx(-np.log(0.05) / 10)
    assert rate_at_most(0, 0.0) == inf
    assert isnan(rate_per_hour(0, 0.0).value)


@pytest.mark.parametrize(("n", "of", "level"), [(-1, 3, 0.95), (4, 3, 0.95), (1, 3, 1.0), (1, 3, 0.0)])
def test_no_share_is_refused(n, of, level):
    with pytest.raises(ValueError, match="is no share"):
        share(n, of, level)


def test_strength_is_unknown_of_detections():
    (event,) = joined([Event("lost", 0, 1, "lost", nan)])
    assert isnan(event.strength)
