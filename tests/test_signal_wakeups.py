"""A comparator that wakes a device: what it wakes at, what it misses, and the intervals of both."""

import numpy as np
import pytest
from signal_examples import made

from pipeline.signal.pooled import Clusters
from pipeline.signal.study import rate
from pipeline.signal.wakeups import is_awake, wakes
from pipeline.signal.windows import EXCURSION


def test_a_comparator_wakes_at_its_level_and_sleeps_below_half_of_it() -> None:
    excursion = np.array([0.2, 1.0, 0.6, 0.5, 0.49, 0.9, np.nan, 1.2, np.nan, 0.8, 0.1])
    expected = [0, 1, 1, 1, 0, 0, 0, 1, 1, 1, 0]
    assert is_awake(excursion, np.array([1.0, 2.0])).astype(int).tolist() == [expected, [0] * 11]


def test_false_wake_ups_and_missed_movements_are_counted() -> None:
    windows = made(["rest", "body", "rest", "hand"], n_each=10)
    excursion = np.full(40, 0.1)
    excursion[[2, 5]] = 1.0  # two wake-ups at rest
    excursion[10:20] = 3.0
    excursion[20:23] = 0.8  # still awake from the movement, which is no wake-up
    windows.features[:, EXCURSION] = excursion
    found = wakes(windows, np.array([1.0, 2.0, 5.0]))
    assert found.rest_h == pytest.approx(40 / 3600)
    assert found.false.tolist() == [2, 0, 0]
    assert found.n.tolist() == [1, 0, 1]
    assert found.missed.tolist() == [[1, 0, 0], [1, 0, 0], [1, 0, 1]]
    # at 1 V it is awake in windows 2 and 5 and in three after the movement; either stretch of rest has some
    assert (found.n_rest, found.awake.tolist()) == (20, [5, 0, 0])
    assert (found.n_rests, found.chance.tolist()) == (2, [2, 0, 0])


def test_a_comparator_that_hardly_sleeps_is_no_better_than_chance() -> None:
    """Awake from the first window to the last: it wakes once, misses nothing and tells nothing."""
    windows = made(["rest", "body", "rest", "hand"], n_each=10)
    windows.features[:, EXCURSION] = 3.0
    found = wakes(windows, np.array([1.0]))
    assert (found.false.tolist(), found.missed.tolist()) == ([1], [[0, 0, 0]])
    assert found.awake.tolist() == [found.n_rest]
    assert found.chance.tolist() == [found.n_rests]


def test_few_wake_ups_have_the_interval_of_a_count() -> None:
    """13 and 2 in 574 s: 6.922 to 22.230 and 0.242 to 7.225 (Garwood 1936) over 0.15944 h."""
    hours = np.full(6, 574 / 3600 / 6)
    six = Clusters.of([f"p{i}" for i in range(6)])
    found = rate(six, np.array([3.0, 2.0, 2.0, 2.0, 2.0, 2.0]), hours)
    assert (found.low, found.high) == pytest.approx((43.41, 139.42), abs=0.01)
    assert found.interval == "exact Poisson"
    assert (found.least, found.most) == pytest.approx((2 / hours[0], 3 / hours[0]))
    found = rate(six, np.array([2.0, 0.0, 0.0, 0.0, 0.0, 0.0]), hours)
    assert (found.low, found.high) == pytest.approx((1.52, 45.31), abs=0.01)


def test_wake_ups_of_few_participants_have_a_range_as_all_else_has() -> None:
    hours = np.full(5, 0.5)
    found = rate(Clusters.of([f"p{i}" for i in range(5)]), np.array([4.0, 3.0, 3.0, 3.0, 0.0]), hours)
    assert (found.value, found.low, found.high) == (13 / 2.5, None, None)
    assert (found.least, found.most) == (0.0, 8.0)
    assert found.absent == "no interval: 5 participants, 6 are needed"


def test_wake_ups_of_unlike_participants_have_the_wider_interval() -> None:
    many, hours = Clusters.of([f"p{i}" for i in range(8)]), np.full(8, 0.5)
    alike = rate(many, np.full(8, 5.0), hours)
    unlike = rate(many, np.array([40.0, *[0.0] * 7]), hours)
    assert alike.interval == "exact Poisson"  # 40 in 4 h either way
    assert alike.value == unlike.value == 10.0
    assert unlike.interval == "bootstrap of 8 participants"
    assert unlike.high - unlike.low > alike.high - alike.low


def test_what_is_not_kept_is_not_counted() -> None:
    windows = made(["rest", "body"], n_each=10, kept=False)
    found = wakes(windows)
    assert (found.rest_h, int(found.false.sum()), found.n.tolist()) == (0.0, 0, [0, 0, 0])
