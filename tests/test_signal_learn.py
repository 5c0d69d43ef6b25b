"""What is learnt from windows of one session, and tried on another."""

import numpy as np
import pytest
from signal_examples import ALL, made
from sklearn.metrics import balanced_accuracy_score
from sklearn.neighbors import KNeighborsClassifier
from sklearn.preprocessing import StandardScaler

from pipeline.signal.across import served, trials, typical
from pipeline.signal.learn import halves, learn, learn_nearest, learn_threshold, tried
from pipeline.signal.session import within
from pipeline.signal.windows import AMPLITUDE, no_windows


@pytest.mark.parametrize("seed", range(4))
def test_nearest_neighbour_is_that_of_the_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    features, classes = rng.normal(size=(80, 6)) * [1, 10, 100, 1e-3, 1, 1], rng.integers(0, 4, 80)
    others = rng.normal(size=(50, 6)) * [1, 10, 100, 1e-3, 1, 1]
    scaler = StandardScaler().fit(features)
    library = KNeighborsClassifier(n_neighbors=1).fit(scaler.transform(features), classes)
    expected = library.predict(scaler.transform(others))
    assert learn_nearest(features, classes)(others).tolist() == expected.tolist()


def test_a_constant_feature_says_nothing() -> None:
    features = np.random.default_rng(0).normal(size=(20, 6))
    features[:, 3] = 0.5
    rule = learn_nearest(features, np.arange(20) % 2)
    moved = features.copy()
    moved[:, 3] = 900.0
    assert rule(moved).tolist() == (np.arange(20) % 2).tolist()


@pytest.mark.parametrize("seed", range(4))
def test_threshold_has_the_most_balanced_accuracy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    features, classes = rng.normal(size=(60, 6)), (rng.random(60) < 0.3).astype(int)
    features[:, AMPLITUDE] += classes
    rule = learn_threshold(features, classes)
    found = balanced_accuracy_score(classes, rule(features))
    tries = np.concatenate(([-9], np.sort(features[:, AMPLITUDE]) + 1e-9))
    assert found == pytest.approx(
        max(balanced_accuracy_score(classes, features[:, AMPLITUDE] >= level) for level in tries)
    )


def test_threshold_lies_between_classes_that_part() -> None:
    features = np.zeros((6, 6))
    features[:, AMPLITUDE] = [1, 2, 3, 5, 6, 7]
    assert learn_threshold(features, np.array([0, 0, 0, 1, 1, 1])).level == 4.0


def test_halves_are_blocks_in_time_that_do_not_touch() -> None:
    windows = made(["rest", "body"], n_each=10)
    first, second = halves(windows)
    assert np.flatnonzero(first).tolist() == [0, 1, 2, 3, 4, 10, 11, 12, 13, 14]
    assert np.flatnonzero(second).tolist() == [6, 7, 8, 9, 16, 17, 18, 19]


def test_accuracy_is_counted_as_the_library_counts() -> None:
    learnt, other = made(ALL, 1), made(ALL, 2)
    rule, known = learn(learnt.features, learnt.label, "each_nearest")
    accuracy, balanced = tried(rule, known, other.features, other.label, "each_nearest")
    answers = rule(other.features)
    assert accuracy.value == pytest.approx((answers == other.label).mean())
    assert balanced.value == pytest.approx(balanced_accuracy_score(other.label, answers))
    assert accuracy.low < accuracy.value < accuracy.high


def test_within_a_session_and_why_not() -> None:
    assert within(made(ALL), "body_threshold")[0].value == 1.0
    assert 0.6 < within(made(ALL), "each_nearest")[0].value < 1.0
    assert within(made(["rest", "hand"]), "body_threshold")[0].absent == (
        "fewer than 5 windows of body movement to learn from"
    )
    assert within(made(["body"]), "body_threshold")[0].absent.startswith(
        "fewer than 5 windows of anything but"
    )
    assert within(made(["rest"]), "each_nearest")[0].absent.startswith("fewer than two classes")
    assert within(made(ALL, kept=False), "each_nearest")[0].absent == "no window was kept"


def test_the_first_session_that_can_teach_is_tried_on_the_later_ones() -> None:
    sessions = [
        ("throw-01", made(ALL, kept=False)),
        ("throw-02", made(ALL)),
        ("throw-03", made(ALL, 2)),
        ("throw-04", made(ALL, 3, gain=0.05)),
        ("throw-05", no_windows("the activity log says nothing of this session")),
    ]
    found = [t for t in trials("p1", sessions) if t.task == "body_threshold"]
    assert [(t.session, t.trained_on, t.when) for t in found] == [
        ("throw-02", "throw-02", "same"),
        ("throw-03", "throw-02", "later"),
        ("throw-04", "throw-02", "later"),
        ("throw-05", "throw-02", "later"),
    ]
    assert [t.accuracy.value for t in found] == [1.0, 1.0, 0.75, None]
    assert found[2].balanced.value == 0.5  # every body window of the weaker session lies below the threshold
    assert "log says nothing" in found[3].accuracy.absent


def test_a_single_session_has_no_later_one() -> None:
    by_when = {t.when: t for t in trials("p1", [("throw-01", made(ALL))]) if t.task == "each_nearest"}
    assert by_when["later"].accuracy.absent == "the participant has no later session"
    assert by_when["same"].accuracy.value is not None


def test_participants_count_alike_however_many_sessions_they_have() -> None:
    found = typical([("p1", (0.9, 0.5, 0.7)), ("p2", (1.0,)), ("p3", (0.2,) * 5), ("p4", ())])
    assert (found.value, found.n, found.least, found.most) == (0.7, 3, 0.2, 1.0)
    assert found.absent == "no interval: 3 participants, 6 are needed"
    assert typical([("p1", ())]).value is None


def test_what_a_participant_loses_is_counted_from_the_session_learnt_from() -> None:
    sessions = [("throw-02", made(ALL)), ("throw-03", made(ALL, 2)), ("throw-04", made(ALL, 3, gain=0.05))]
    (one,) = served(trials("p1", sessions), "body_threshold")
    assert (one.trained_on, one.same, one.later, one.drops) == ("throw-02", 1.0, (1.0, 0.75), (0.0, 0.25))
