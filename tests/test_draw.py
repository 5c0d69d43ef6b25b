"""Draws: what is said to be true of them is what stands in their codes, and everything in them varies."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulate import Activity, Lapse
from pipeline.simulate.code_faults import Dumped, equal_neighbours, stick
from pipeline.simulate.draw import HELD_BACK_FROM, KINDS, MATTERS, Drawn, draw, matters
from pipeline.simulate.session import simulate
from pipeline.simulate.truth import MAINS_SHARE
from pipeline.simulate.wearers import charged
from pipeline.simulate.witness import Seen, by_jumps, by_mains, by_movement, plainness, seen_in
from schemas.conditions import BY_NAME

SHORT = {"duration_s": 70.0}
BESIDE_BITS = {"dropout", "noise_floor", "gravity", "activity_mismatch"}
"""Detectors that give findings and mark no samples."""


def field(drawn: Drawn) -> tuple[np.ndarray, float]:
    """The field in volt at the electrode, and its range."""
    channel = drawn.scenario.channels[0]
    return drawn.counts[:, 0] * channel.scale + channel.offset, drawn.scenario.amplifier.range_v


def rows_of(drawn: Drawn, kind: str) -> list[slice]:
    hz = drawn.scenario.sample_hz
    return [slice(round(t.start_s * hz), round(t.stop_s * hz)) for t in drawn.truth if t.kind == kind]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_what_is_true_of_it(kind):
    drawn = draw(kind, 3, **SHORT)
    n = round(70 * drawn.scenario.sample_hz)
    assert drawn.counts.shape == (n, 4)
    assert drawn.present.shape == (n,)
    assert 50 <= drawn.scenario.sample_hz <= 1000
    for channel, codes in zip(drawn.scenario.channels, drawn.counts.T, strict=True):
        assert channel.adc_min <= codes.min() <= codes.max() <= channel.adc_max
    for truth in drawn.truth:
        assert truth.condition in BY_NAME or truth.condition in BESIDE_BITS
        assert 0 <= truth.start_s < truth.stop_s <= 70.001
        assert truth.kind in MATTERS
        assert np.isfinite(truth.strength)
    assert list(drawn.truth) == sorted(drawn.truth, key=lambda one: (one.start_s, one.condition))


def test_same_seed_gives_the_same_recording_and_another_one_another():
    first, again, other = draw("mixed", 5, **SHORT), draw("mixed", 5, **SHORT), draw("mixed", 6, **SHORT)
    np.testing.assert_array_equal(first.counts, again.counts)
    assert first.truth == again.truth
    assert first.scenario != other.scenario
    assert HELD_BACK_FROM == 1_000_000


def test_what_is_asked_for_is_done():
    drawn = draw("clean", 1, sample_hz=128.0, mains_hz=60.0, bits=11, accelerometer=False, **SHORT)
    channel = drawn.scenario.channels[0]
    assert drawn.scenario.sample_hz == 128
    assert drawn.mains_hz == 60
    assert channel.adc_max - channel.adc_min + 1 == 2048
    assert abs(drawn.scenario.mains.nominal_hz / 60 - 1) < 0.01  # EN 50160
    assert drawn.counts.shape == ((70 * 128), 1)
    assert len(drawn.scenario.channels) == 1


def test_without_an_accelerometer_only_mains_bears_witness():
    with_it, without = (draw("contact_open", 3, accelerometer=there, **SHORT) for there in (True, False))
    np.testing.assert_array_equal(with_it.counts[:, :1], without.counts)
    assert {truth.condition for truth in without.truth} <= {"contact_loss", "mains", "saturated"}
    strengths = [
        [truth.strength for truth in drawn.truth if truth.condition == "contact_loss"]
        for drawn in (with_it, without)
    ]
    assert all(more >= less for more, less in zip(*strengths, strict=True))


def test_wrong_questions_are_refused():
    with pytest.raises(ValueError, match="no kind 'glaze'; there are clean, lost"):
        draw("glaze", 1)
    with pytest.raises(ValueError, match="at least 60 s, not 20"):
        draw("clean", 1, duration_s=20)


def test_wearers_devices_and_rooms_keep_within_published_ranges():
    made = [draw("clean", seed, duration_s=60.0).scenario for seed in range(14)]
    assert len({scenario.sample_hz for scenario in made}) > 5
    assert len({scenario.channels[0].adc_max for scenario in made}) > 6
    for scenario in made:
        body, mains = scenario.body, scenario.mains
        assert 100e-12 < body.standing_farad < 400e-12  # JS-001 and Jonassen 1998
        assert 1e9 <= body.soles_ohm <= 1e12
        assert body.step_coulomb < 3.98e-7  # Jonassen: breakdown of air below a sole of 150 cm2
        nominal = round(mains.nominal_hz, -1)
        assert abs(mains.nominal_hz / nominal - 1) < 0.01  # EN 50160, 99.5 % of a year
        assert 0.9 <= mains.rms_v / (230 if nominal == 50 else 120) <= 1.1  # EN 50160
        assert all(mains.harmonics[n] <= most for n, most in ((3, 0.05), (5, 0.06), (7, 0.05)))  # EN 50160
        assert sum(share**2 for share in mains.harmonics.values()) ** 0.5 < 0.08  # EN 50160, all together
        assert 4e4 <= scenario.contact.skin_ohm <= 1.6e6  # dry carbon (Burke and Assambo)
        for activity in scenario.activities:
            if activity.intensity == "body":
                assert 1.35 <= activity.rate_hz <= 2.30  # Tudor-Locke and Rowe 2012


@pytest.mark.parametrize("seed", range(6))
def test_clean_recordings_hold_nothing_that_matters(seed):
    drawn = draw("clean", seed, duration_s=120.0)
    assert not [truth for truth in drawn.truth if matters(truth)]
    assert drawn.present.all()


# ---- codes ------------------------------------------------------------------------------------------------


def test_lost_rows_are_whole_frames_and_all_of_them_are_told():
    drawn = draw("lost", 2, **SHORT)
    told = np.ones(len(drawn.present), bool)
    for rows in rows_of(drawn, "lost"):
        told[rows] = False
    np.testing.assert_array_equal(drawn.present, told)
    lengths = [rows.stop - rows.start for rows in rows_of(drawn, "lost")]
    assert len({min(lengths)} & set(range(5, 26))) == 1
    assert all(length % min(lengths) == 0 for length in lengths)


@pytest.mark.parametrize("seed", range(3))
def test_stuck_channels_stand_still(seed):
    drawn = draw("stuck", seed, **SHORT)
    for rows in rows_of(drawn, "stuck"):
        assert any(np.ptp(column[rows]) == 0 for column in drawn.counts.T)


def test_a_run_that_noise_makes_by_itself_need_not_be_found():
    quiet, loud = 0.2, 5.0  # counts
    equal = [equal_neighbours(sd) for sd in (quiet, loud)]
    rng = np.random.default_rng(1)
    for sd, share in zip((quiet, loud), equal, strict=True):
        codes = np.rint(sd * rng.standard_normal(200_000))
        assert np.mean(codes[1:] == codes[:-1]) == pytest.approx(share, abs=0.003)
    codes = np.rint(50 * rng.standard_normal((60_000, 1))).astype(np.int64)
    dumped = Dumped(codes, np.ones(len(codes), bool), ())
    strengths = [stick(dumped, 250.0, [(10.0, 11.0)], [0], share).truth[0].strength for share in equal]
    assert strengths[0] == 0
    assert strengths[1] > 240


def test_ramps_of_an_amplifier_that_slews_are_told_of():
    told = [
        (drawn, truth)
        for drawn in (draw("hard_rails", seed, sample_hz=1000.0, **SHORT) for seed in range(24))
        for truth in drawn.truth
        if truth.kind == "slew"
    ]
    assert told
    for drawn, truth in told:
        volts, hz = field(drawn)[0], drawn.scenario.sample_hz
        rows = slice(round(truth.start_s * hz), round(truth.stop_s * hz))
        most = drawn.scenario.amplifier.slew_v_per_s / hz
        front = drawn.scenario.amplifier
        inside = np.abs(volts[rows]).max() < 0.95 * min(abs(end) for end in front.ends_v)
        if inside:
            np.testing.assert_allclose(np.abs(np.diff(volts[rows])), most, atol=8 * front.noise_v)
        assert not matters(truth)


@pytest.mark.parametrize("seed", range(6))
def test_held_rows_are_rows_that_came_before(seed):
    drawn = draw("held", seed, **SHORT)
    for rows in rows_of(drawn, "held"):
        before = drawn.counts[max(rows.start - 30, 0) : rows.stop]
        again = {tuple(row) for row in before[:-1].tolist()}
        held = [tuple(row) in again for row in drawn.counts[rows].tolist()]
        assert np.mean(held) > 0.01


def test_filled_rows_are_zero():
    drawn = draw("zero_filled", 2, **SHORT)
    assert rows_of(drawn, "zero_filled")
    for rows in rows_of(drawn, "zero_filled"):
        assert not drawn.counts[rows].any()


def test_stuck_axis_stands_still_for_the_whole_session():
    drawn = draw("axis_stuck", 1, **SHORT)
    assert sum(np.ptp(column) == 0 for column in drawn.counts.T) == 1


# ---- overloads, mains, contact ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["hard_rails", "soft_rails", "one_sided"])
@pytest.mark.parametrize("seed", range(4))
def test_saturated_rows_stand_at_an_end_that_the_others_do_not_pass(kind, seed):
    drawn = draw(kind, seed, sample_hz=250.0, **SHORT)
    volts, range_v = field(drawn)
    front = drawn.scenario.amplifier
    low, high = front.ends_v
    # Six deviations of all noise, and 0.4 % of the range: what "at a rail" means here.
    near = 0.004 * range_v + 2 * front.scale_v + 6 * (front.converter_noise_v + front.noise_v)
    for rows in rows_of(drawn, kind):
        assert np.minimum(abs(volts[rows] - low), abs(volts[rows] - high)).max() <= near
    assert volts.max() <= high + near
    assert volts.min() >= low - near
    channel = drawn.scenario.channels[0]
    if kind == "soft_rails":
        assert channel.amplifier_low is None
        assert channel.adc_low < low < high < channel.adc_high


@pytest.mark.parametrize("seed", range(4))
def test_strength_of_mains_is_what_a_fit_to_the_codes_gives(seed):
    drawn = draw("mains", seed, sample_hz=1000.0, bits=20, **SHORT)
    volts, range_v = field(drawn)
    front, line_hz = drawn.scenario.amplifier, drawn.scenario.mains.nominal_hz
    passing = 1.0
    if front.lowpass_hz is not None:
        passing = 1 / np.hypot(1, (line_hz / front.lowpass_hz) ** front.lowpass_order)
    for truth in drawn.truth:
        if truth.kind != "mains" or truth.stop_s - truth.start_s < 3 or not matters(truth):
            continue
        rows = slice(round((truth.start_s + 1) * 1000), round((truth.stop_s - 1) * 1000))
        n = 200
        part = volts[rows][: (rows.stop - rows.start) // n * n].reshape(-1, n)
        turn = np.exp(-2j * np.pi * line_hz * np.arange(n) / 1000) * np.hanning(n)
        peak = float(np.median(np.abs(part @ turn))) * 2 / np.hanning(n).sum() / passing
        # Harmonics of up to 4 % each add to the peak.
        assert 0.85 < truth.strength / (peak / (MAINS_SHARE * range_v)) < 1.2


WALK = Activity(10.0, 60.0, "carrying boards", "body", 1.9)
LAPSE = Lapse(20.0, 30.0)


def _lapsed(*activities, **mains):
    """A plain wearing with one loss of contact from 20 to 30 s."""
    drawn = draw("contact_open", 4, sample_hz=250.0, **SHORT)
    contact = replace(drawn.scenario.contact, off=(), lapses=(LAPSE,), fresh_potential_v=0.2)
    scenario = replace(
        drawn.scenario,
        activities=activities,
        contact=contact,
        mains=replace(drawn.scenario.mains, **mains),
    )
    if activities:
        scenario = charged(scenario, np.random.default_rng(2), 0.4)
    return scenario, _seen(scenario)


def _seen(scenario) -> Seen:
    field_channel = scenario.channels[0]
    codes = simulate(scenario, np.random.default_rng(1)).counts[:, 0]
    return seen_in(scenario, codes * field_channel.scale + field_channel.offset)


def test_movement_shows_a_loss_only_where_like_movement_is_felt_elsewhere():
    scenario, seen = _lapsed(WALK)
    assert by_movement(scenario, seen, LAPSE) == pytest.approx(10 / 3, rel=0.1)
    for activities in ((), (replace(WALK, start_s=20.0, stop_s=30.0),)):
        scenario, seen = _lapsed(*activities)
        assert by_movement(scenario, seen, LAPSE) == 0


def test_mains_shows_a_loss_unless_it_folds_onto_nothing():
    for bare_farad in (3e-15, 1e-20):  # more mains, and next to none
        scenario, seen = _lapsed(electrode_farad=bare_farad, coupling_farad=1e-13)
        assert by_mains(seen, LAPSE) > 1
    folded = replace(scenario, sample_hz=scenario.mains.nominal_hz)  # onto 0 Hz
    assert by_mains(_seen(folded), LAPSE) == 0


def test_a_loss_is_as_plain_as_the_second_of_its_marks():
    scenario, seen = _lapsed(electrode_farad=3e-15)
    marks = by_movement(scenario, seen, LAPSE), by_mains(seen, LAPSE), by_jumps(scenario, seen, LAPSE)
    assert marks[0] == 0
    assert min(marks[1:]) > 1
    assert plainness(scenario, seen, LAPSE) == min(marks[1:])
    smooth = replace(scenario, contact=replace(scenario.contact, lapses=()))
    assert by_jumps(smooth, _seen(smooth), LAPSE) < 0.5


def test_marks_are_those_of_the_codes():
    """What noise or a rail hides shows nothing, however plain it was at the electrode."""
    scenario, seen = _lapsed(WALK, electrode_farad=3e-15)
    noisy = replace(scenario, front=replace(scenario.amplifier, noise_v=scenario.amplifier.range_v / 3))
    assert plainness(scenario, seen, LAPSE) > 1
    assert plainness(noisy, _seen(noisy), LAPSE) < 1


def test_log_is_wrong_where_it_is_said_to_be():
    drawn = draw("log_at_rest", 2, duration_s=150.0)
    (truth,) = drawn.truth
    wrong = [one for one, other in zip(drawn.log, drawn.scenario.activities, strict=True) if one != other]
    assert [(one.start_s, one.intensity) for one in wrong] == [(truth.start_s, "rest")]
    shifted = draw("log_shifted", 2, duration_s=150.0)
    assert shifted.log != shifted.scenario.activities
    assert draw("clean", 2, **SHORT).log == draw("clean", 2, **SHORT).scenario.activities
