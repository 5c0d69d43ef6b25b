"""What some windows of a stretch show, and what a loss at another time adds.

Quantiles are held against NumPy's, phases against what was put in; what a loss adds follows from Bayes' rule
with the odds that the module states.
"""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.detectors.shown import _turn
from pipeline.detectors.spread import HIGH, LINE_OCTAVES, LOW, MIDDLE, _counts
from pipeline.detectors.weigh import AGAIN_ODDS, _Likely, _with_others


def test_quantiles_of_stretches_are_those_of_numpy_within_a_step_of_the_count():
    chance = np.random.default_rng(5)
    values = chance.uniform(0, 13, 600)
    values[chance.random(600) < 0.1] = np.nan
    start = chance.integers(0, 500, 40)
    stop = start + chance.integers(20, 100, 40)
    (counted,) = _counts(values, LINE_OCTAVES, ((start, stop),))
    for part in (LOW, MIDDLE, HIGH):
        told = counted.at(part, LINE_OCTAVES, 4)
        true = [np.nanquantile(values[a:b], part) for a, b in zip(start, stop, strict=True)]
        # Between two of few values NumPy goes half way; windows are counted up to every half octave.
        assert np.abs(told - true).max() < 0.5 + 13 / 20


def test_a_stretch_of_too_few_known_windows_has_no_quantile():
    values = np.array([1.0, np.nan, 2.0, np.nan, 3.0, np.nan])
    (counted,) = _counts(values, LINE_OCTAVES, ((np.array([0]), np.array([6])),))
    assert np.isnan(counted.at(MIDDLE, LINE_OCTAVES, 4)).all()


def test_the_phase_of_a_line_is_followed_from_window_to_window_where_it_stands_above_the_noise():
    phase = np.array([0.0, 0.2, 0.4, 1.4, 1.6, 1.8])
    phasor = 3.0 * np.exp(1j * phase)
    phasor[5] = 0.1
    turn = _turn(SimpleNamespace(phasor=phasor, line_noise=1.0))
    assert np.angle(turn[1:5]) == pytest.approx([0.2, 0.2, 1.0, 0.2])
    assert np.isnan(turn[[0, 5]]).all()


def test_a_loss_makes_one_at_another_time_likelier_and_none_that_it_overlaps():
    sure, apart, within = _Likely(100, 200, 0, 9.0), _Likely(300, 350, 1, -1.0), _Likely(150, 220, 2, -1.0)
    again = {one.which: one.again for one in _with_others([sure, apart, within], 1000)}
    assert again[1] == pytest.approx(math.log(AGAIN_ODDS), abs=0.01)
    assert again[2] < 1.2  # that of the doubtful one alone
    assert again[0] < 1.2


def test_one_stretch_alone_gains_nothing():
    assert [one.again for one in _with_others([_Likely(10, 30, 0, 2.0)], 500)] == [0.0]
