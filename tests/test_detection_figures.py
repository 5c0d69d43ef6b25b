"""How well detectors and verdict do on recordings that they were not tuned on: a small sample.

`tests/benchmarks/detection.py --measure` has the figures that are reported, with intervals; here a sample
that a test can afford must not contradict the bars. Its seeds are held back: nothing was tuned on them, and
they are none of the benchmark's. All recordings are invented.
"""

import pytest
from trial_tables import hours_of, n_false_faults, score_of
from trials import Trial, must_find, trial

from pipeline.drill.scoring import Event, Score, share_at_most, taken

FIRST_SEED = 1_500_000
RECORDINGS = {
    "clean": 10,
    "lost": 8,
    "stuck": 10,
    "held": 10,
    "zero_filled": 8,
    "hard_rails": 8,
    "soft_rails": 8,
    "one_sided": 6,
    "mains": 10,
    "contact_open": 8,
    "contact_intermittent": 8,
    "contact_partial": 8,
    "contact_drying": 6,
    "low_coupling": 8,
    "mixed": 8,
}
"""How many recordings of 240 s of each kind."""

SOFT = ("soft_rails", "one_sided")


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    """All of them; rate, grid and converter are those of the seed."""
    return [trial(kind, FIRST_SEED + i) for kind, n in RECORDINGS.items() for i in range(n)]


def allows(n: int, of: int, bar: float) -> bool:
    """Whether `n` of `of` is what a share of `bar` gives in 19 of 20 samples, or more."""
    return share_at_most(n, of) >= bar


def assert_none(score: Score, at_least: int) -> None:
    assert score.n_events >= at_least
    assert (score.missed, score.false) == ((), ())


def test_the_sample_covers_rates_grids_and_converters(trials):
    assert {one.mains_hz for one in trials} == {50.0, 60.0}
    assert {one.bits for one in trials} >= {10, 12, 16, 24}
    rates = {one.sample_hz for one in trials}
    assert min(rates) == 50
    assert max(rates) == 1000


def test_dropouts_are_all_found_and_none_is_false(trials):
    assert_none(score_of(trials, "lost"), 50)


def test_values_that_repeat_are_all_found_and_none_is_false(trials):
    """Stuck, sampled and held, repeated frames, gaps filled with zero."""
    assert_none(score_of(trials, "stuck"), 50)


def test_hard_rails_are_all_found_and_none_is_false(trials):
    assert_none(score_of([one for one in trials if one.kind not in SOFT], "saturated"), 50)


def test_soft_rails(trials):
    score = score_of([one for one in trials if one.kind in SOFT], "saturated")
    assert score.n_events >= 25
    assert allows(len(score.found), score.n_events, 0.98), score.missed
    assert allows(len(score.true), len(score.true) + len(score.false), 0.98), score.false


def test_mains_above_its_limit(trials):
    score = score_of(trials, "mains")
    assert score.n_events >= 15
    assert allows(len(score.found), score.n_events, 0.98), score.missed
    assert allows(len(score.true), len(score.true) + len(score.false), 0.98), score.false


def test_lost_contact(trials):
    """Stretches of over two seconds."""
    score = score_of(trials, "contact_loss")
    assert score.n_events >= 40
    assert allows(len(score.found), score.n_events, 0.97), score.missed
    assert allows(len(score.true), len(score.true) + len(score.false), 0.97), score.false


@pytest.mark.parametrize(
    "pair",
    [
        ("contact_loss", "low_coupling"),
        ("low_coupling", "contact_loss"),
    ],
)
def test_lost_contact_and_low_coupling_are_told_apart(trials, pair):
    counted = taken((one.against for one in trials), *pair)
    assert allows(counted.n_events - counted.n_taken, counted.n_events, 0.98), counted


def test_clean_recordings_carry_no_fault(trials):
    clean = [one for one in trials if one.kind == "clean"]
    assert hours_of(clean) > 0.6
    assert n_false_faults(clean) == 0


def test_verdicts_are_those_that_the_truth_deserves(trials):
    """Of sessions that are not near a limit, where a little more or less would make another verdict right."""
    far = [one for one in trials if not one.near_limit]
    assert len(far) >= 90
    wrong = [(one.place, one.verdict, one.true_verdict) for one in far if one.verdict != one.true_verdict]
    assert allows(len(far) - len(wrong), len(far), 0.98), wrong


# ---- what is asked for -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sample_hz", "mains_hz", "asked"),
    [(250, 50, True), (50, 50, False), (100, 50, False), (101, 50, False), (64, 60, True), (60, 60, False)],
)
def test_mains_is_not_asked_for_where_it_folds_onto_0_hz_or_half_the_rate(sample_hz, mains_hz, asked):
    event = Event("mains", 10, 20, "mains", 3.0)
    assert must_find(event, [event], sample_hz, mains_hz) is asked


def test_what_a_graver_fault_hides_is_not_asked_for():
    event, off = Event("mains", 10, 20, "mains", 3.0), Event("contact_loss", 14, 30, "contact_open", 1.0)
    assert not must_find(event, [event, off], 250, 50)
    assert must_find(event, [event, Event("contact_loss", 16, 30, "contact_open", 1.0)], 250, 50)
    assert must_find(off, [event, off], 250, 50)


def test_faint_events_are_not_asked_for():
    event = Event("mains", 10, 20, "mains", 1.1)
    assert not must_find(event, [event], 250, 50)
