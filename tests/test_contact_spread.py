"""What some windows of a stretch show, and what a loss at another time adds.

Quantiles are held against NumPy's, phases against what was put in; what a loss adds follows from Bayes' rule
with the odds that the module states.
"""

import math

import numpy as np
import pytest

from pipeline.detectors.beside import Sums
from pipeline.detectors.innocent import (
    GROUNDED,
    GROUNDED_ODDS,
    STEADY,
    STEADY_ODDS,
    UNCHANGED,
    UNCHANGED_ODDS,
    innocent_of,
)
from pipeline.detectors.shown import Recorded, _phase_step, _turn, shown_in
from pipeline.detectors.spread import HIGH, LINE_OCTAVES, LOW, MIDDLE, _counts
from pipeline.detectors.wearer import Wearer
from pipeline.detectors.weigh import (
    AGAIN_ODDS,
    ALONE_ODDS,
    _Likely,
    _with_others,
)


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
    turn = _turn(phasor, 1.0)
    assert np.angle(turn[1:5]) == pytest.approx([0.2, 0.2, 1.0, 0.2])
    assert np.isnan(turn[[0, 5]]).all()


@pytest.mark.parametrize(("ratio", "turns_rad"), [(4.0, 0.0), (4.0, 0.6), (0.25, 1.5)])
def test_a_lamp_changes_the_size_of_a_line_and_an_open_electrode_its_phase_too(ratio, turns_rad):
    """Behind 1 Gohm and 5 pF a line of 50 Hz turns by atan(1 / (2 pi 50 Hz RC)) = 0.57 rad (worked value)."""
    assert math.atan(1 / (2 * math.pi * 50 * 1e9 * 5e-12)) == pytest.approx(0.567, abs=1e-3)
    phasor = np.exp(0.05j * np.arange(200))  # a line 0.04 Hz off
    phasor[100:] *= ratio * np.exp(1j * turns_rad)
    step = _phase_step(phasor, 0.01, window_s=0.2)
    known = np.flatnonzero(~np.isnan(step))
    assert known.min() > 90
    assert known.max() < 110
    assert step[known].max() == pytest.approx(turns_rad, abs=0.15)


def test_of_a_line_nothing_is_known_at_a_rail_nor_of_one_that_changes_behind_it():
    """At a rail what is left of a line has a phase of its own."""
    phasor = np.exp(0.05j * np.arange(200))
    phasor[100:] *= 4 * np.exp(0.6j)
    phasor[95:105] = 0.3
    at_rail = np.zeros(200, bool)
    at_rail[95:105] = True
    nothing = np.zeros(200)
    shown = shown_in(
        Recorded(nothing, np.abs(phasor), phasor, phasor, 0.01, nothing, nothing, at_rail, 1.0, 1.0, 0.2),
        Wearer(None, *[np.zeros(200, bool)] * 6),
    )
    assert np.isnan(shown.turn[95:106]).all()
    assert np.isnan(shown.swing[95:106]).all()
    assert np.angle(shown.turn[1:95]) == pytest.approx(0.05)
    assert np.isnan(shown.phase_step).all()


def test_evenness_of_a_phase_leaves_out_what_is_not_known():
    phasor = np.exp(0.05j * np.arange(200))
    phasor[::3] = 0.0
    sums = Sums(_turn(phasor, 0.01).imag)
    assert sums.mean(np.array([0]), np.array([200])) == pytest.approx(math.sin(0.05))


def test_a_loss_makes_one_at_another_time_likelier_and_none_that_it_overlaps():
    sure, apart, within = _Likely(100, 200, 0, 9.0), _Likely(300, 350, 1, -1.0), _Likely(150, 220, 2, -1.0)
    again = {one.which: one.again for one in _with_others([sure, apart, within], 1000)}
    assert again[1] == pytest.approx(math.log(AGAIN_ODDS), abs=0.01)
    assert again[0] == again[2] < 0.1  # that of the doubtful one alone


def test_one_stretch_alone_is_a_little_less_likely():
    assert [one.again for one in _with_others([_Likely(10, 30, 0, 2.0)], 500)] == [math.log(ALONE_ODDS)]


class _Felt:
    """As much of the signs as says whether anything tells what the wearer does."""

    def __init__(self, is_felt: bool = True) -> None:
        self.shown = self
        self.is_felt = is_felt


def told(**marks: list[float]) -> dict[str, np.ndarray]:
    """Marks of stretches, all others unknown."""
    (n,) = {len(values) for values in marks.values()}
    names = ("line_phase_most", "silent", "line_before", "line_behind", "line_range", "line_plain")
    unknown = {name: np.full(n, np.nan) for name in (*names, "line_change", "far_both")}
    return unknown | {name: np.array(values) for name, values in marks.items()}


def test_a_line_that_keeps_its_phase_speaks_against_a_loss_but_for_movement_that_falls_silent():
    marks = told(line_phase_most=[0.1, 0.1, 0.4, math.nan], silent=[0.0, 0.9, 0.0, 0.0])
    assert innocent_of(_Felt(), marks)[STEADY].tolist() == [STEADY_ODDS, 0, 0, 0]


def test_it_speaks_less_where_nothing_could_be_seen_to_fall_silent():
    """Of the losses that trees are fitted on 5 % keep the phase without an accelerometer, 3 % with one."""
    marks = told(line_phase_most=[0.1], silent=[0.0])
    assert STEADY_ODDS < innocent_of(_Felt(False), marks)[STEADY][0] < 0


def test_a_plain_line_that_stays_as_it_is_speaks_against_a_loss():
    marks = told(
        line_before=[0.1, 0.5, 0.1, math.nan, 0.1],
        line_behind=[-0.1, 0.1, math.nan, math.nan, 0.1],
        line_range=[0.3, 0.3, 0.3, 0.3, 0.3],
        line_plain=[4.0, 4.0, 4.0, 4.0, 1.0],
        far_both=[-0.2, -0.2, math.nan, -0.2, -0.2],
    )
    odds = innocent_of(_Felt(), marks)[UNCHANGED]
    assert odds.tolist() == [UNCHANGED_ODDS, 0, UNCHANGED_ODDS, 0, 0]


def test_silence_with_less_mains_and_nothing_at_an_end_speaks_for_soles():
    """Tied to ground movement and mains both go down, nothing at the onset (common practice, no source)."""
    marks = told(
        silent=[3.0, 3.0, 3.0, 0.2, 3.0],
        line_change=[-1.0, 1.0, -1.0, -1.0, math.nan],
        far_both=[-1.0, -1.0, 1.0, -1.0, -1.0],
    )
    assert innocent_of(_Felt(), marks)[GROUNDED].tolist() == [GROUNDED_ODDS, 0, 0, 0, 0]
