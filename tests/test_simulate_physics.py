"""Parts of the model against worked values: closed forms from handbooks, and published figures."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulate import Accelerometer, Activity, Body, Contact, Lapse, Mains, Spark, Tied
from pipeline.simulate.accelerometer import sense
from pipeline.simulate.body import (
    body_v,
    coupled_v,
    kept_charge,
    leakage_ohm,
    left_of_movement,
    spark_charge,
)
from pipeline.simulate.contact import node_v, passed, touch
from pipeline.simulate.front_end import (
    FrontEnd,
    at_rails,
    between_rails,
    converted,
    drive,
    high_pass,
    low_pass,
    quantise,
    second_order,
    slewed,
)
from pipeline.simulate.mains import Beside, coupling, line_v
from pipeline.simulate.movement import move
from pipeline.simulate.shapes import paced

STEP_S = 1 / 2000
RNG = np.random.default_rng


def harmonics(signal: np.ndarray, cycles: int) -> np.ndarray:
    """Mean, then amplitudes (with sign, as sines) of the first seven harmonics of whole cycles."""
    phase = 2 * np.pi * cycles * np.arange(len(signal)) / len(signal)
    shape = [np.sin(n * phase) if n % 2 else np.cos(n * phase) for n in range(1, 8)]
    return np.array([signal.mean(), *(2 * (signal * one).mean() for one in shape)])


# ---- rails and filters ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("over", "first", "third", "fifth"),
    [(1.1, 1.06430, 0.02883, -0.02083), (1.5, 1.17135, 0.15004, -0.01667), (5.0, 1.26470, 0.31565, 0.16919)],
)
def test_clipped_sine_has_the_harmonics_of_its_fourier_series(over, first, third, fifth):
    # b1 = (2A/pi)(a + r sqrt(1 - r2)), bn = (2A/pi)[sin((n-1)a)/(n(n-1)) + sin((n+1)a)/(n(n+1))], a = asin r,
    # r = c/A: Fourier series of a clipped sine, worked out.
    sine = over * np.sin(2 * np.pi * 10 * np.arange(200_000) / 200_000)
    found = harmonics(at_rails(sine, -1.0, 1.0, 1e-9), 10)
    assert found[1] == pytest.approx(first, abs=1e-4)
    assert found[3] / found[1] == pytest.approx(third, abs=1e-4)
    assert found[5] / found[1] == pytest.approx(fifth, abs=1e-4)
    assert np.abs(found[[0, 2, 4, 6]]).max() < 1e-4  # even ones vanish


def test_one_sided_clipping_brings_even_harmonics_and_an_offset():
    # One rail at c = 1, A = 2: fraction acos(1/2)/pi = 1/3; series: mean -0.21800, second 0.27566.
    sine = 2 * np.sin(2 * np.pi * 10 * np.arange(200_000) / 200_000)
    out = at_rails(sine, -9.0, 1.0, 1e-9)
    assert np.mean(out >= 1 - 1e-6) == pytest.approx(1 / 3, abs=1e-4)
    found = harmonics(out, 10)
    assert found[0] == pytest.approx(-0.21800, abs=1e-4)
    assert abs(found[2]) == pytest.approx(0.27566, abs=1e-4)


def test_coupling_passes_the_impulse_of_ecg_standards():
    # 3 mV for 100 ms through 0.05 Hz leave 92.8 uV (worked out); standards let 0.1 mV be left (from memory).
    signal = np.zeros(4000)
    signal[1000:1200] = 3e-3
    assert high_pass(signal, 0.05, STEP_S)[1200] == pytest.approx(-92.8e-6, rel=0.01)


@pytest.mark.parametrize(("corner_hz", "percent_s"), [(0.05, 14.66), (0.5, 1.466), (1.0, 0.733)])
def test_coupling_settles_to_one_per_cent_after_4_6_time_constants(corner_hz, percent_s):
    # exp(-t / tau) = 0.01: t = 4.605 / (2 pi fc).
    out = high_pass(np.concatenate(([0.0], np.ones(40_000))), corner_hz, STEP_S)
    assert np.argmax(out[1:] < 0.01) * STEP_S == pytest.approx(percent_s, abs=0.01)


@pytest.mark.parametrize(("filtered", "db_a_decade"), [(low_pass, 20.0), (second_order, 40.0)])
def test_low_passes_fall_by_their_order_above_a_corner_of_3_db(filtered, db_a_decade):
    # Butterworth: |H|2 = 1 / (1 + (f/fc)^(2n)): 3.01 dB at the corner, 20 n dB a decade far above.
    step_s = 1 / 100_000
    time_s = np.arange(100_000) * step_s
    db = {
        hz: 20 * np.log10(filtered(np.sin(2 * np.pi * hz * time_s), 20.0, step_s)[50_000:].std() * np.sqrt(2))
        for hz in (2.0, 20.0, 200.0, 2000.0)
    }
    assert db[2.0] == pytest.approx(0.0, abs=0.05)
    assert db[20.0] == pytest.approx(-3.01, abs=0.05)
    assert db[200.0] - db[2000.0] == pytest.approx(db_a_decade, abs=0.6)


def test_slow_amplifier_takes_its_time_and_follows_what_is_slower():
    step = np.concatenate((np.zeros(100), np.ones(1000)))
    out = slewed(step, 10.0 * STEP_S)  # 10 V/s: 1 V takes 0.1 s
    assert np.argmax(out >= 1 - 1e-9) - 100 == pytest.approx(0.1 / STEP_S, abs=1)
    ramp = np.arange(1000) * 9.0 * STEP_S
    np.testing.assert_array_equal(slewed(ramp, 10.0 * STEP_S), ramp)


def test_noise_behind_the_rails_shows_at_the_rails_and_noise_before_them_does_not():
    front = FrontEnd(1e-6, 0.0, -500_000, 500_000, -0.2, 0.2, None, None, noise_v=1e-3, knee_v=1e-9)
    driven = np.full(20_000, 0.4)
    out = between_rails(front, driven, RNG(1))
    assert np.ptp(out) == 0.0
    noisy = converted(replace(front, converter_noise_v=2e-4), out, RNG(1))
    assert noisy.std() == pytest.approx(2e-4, rel=0.03)


def test_dead_channel_has_its_own_noise_alone():
    front = FrontEnd(1e-6, 0.0, -500_000, 500_000, -0.2, 0.2, noise_v=1e-3, dead=True)
    out = between_rails(front, drive(front, np.sin(np.arange(40_000) / 50), STEP_S, 2), RNG(1))
    assert out.std() == pytest.approx(1e-3, rel=0.02)


# ---- noise and codes --------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", range(10, 25))
def test_quantisation_noise_at_every_width(bits):
    # Bennett 1948: q / sqrt(12); a sine of full scale then has 6.0206 N + 1.7609 dB.
    scale = 1.2 / 2**bits
    sine = (0.6 - scale) * np.sin(0.377 * np.arange(200_000))
    codes = quantise(sine, scale, -0.6, 0, 2**bits - 1)
    error = codes * scale - 0.6 - sine
    assert error.std() == pytest.approx(scale / np.sqrt(12), rel=0.02)
    assert 20 * np.log10(sine.std() / error.std()) == pytest.approx(6.0206 * bits + 1.7609, abs=0.2)


# ---- capacitors and charges -------------------------------------------------------------------------------


def test_recursion_is_what_it_says_for_any_leak():
    rng = RNG(4)
    keep = np.concatenate((rng.uniform(0, 1, 500), [0.0, 1.0, 1e-300], 1 - rng.uniform(0, 1e-9, 500)))
    rest, added = rng.normal(size=len(keep)), rng.normal(size=len(keep))
    now, expected = 0.7, []
    for kept, target, brought in zip(keep, rest, added, strict=True):
        expected.append(now)
        now = target + (now - target) * kept + brought
    np.testing.assert_allclose(kept_charge(0.7, keep, rest, added), expected, rtol=1e-11, atol=1e-12)


@pytest.mark.parametrize(
    ("source_v", "coupling_farad", "body_farad", "expected_v"),
    [
        (230, 3e-12, 300e-12, 2.28),
        (120, 3e-12, 300e-12, 1.19),
        (230, 5e-12, 200e-12, 5.6),
        (230, 5e-14, 1e-9, 0.0115),
    ],
)
def test_mains_reaches_a_floating_body_by_the_ratio_of_capacitors(
    source_v, coupling_farad, body_farad, expected_v
):
    # V C_P / (C_P + C_B) (Haberman, Cassino and Spinelli 2011), the values worked out; the whole line is run.
    assert coupled_v(source_v, coupling_farad, body_farad) == pytest.approx(expected_v, rel=0.006)
    n = 40_000
    line = np.sqrt(2) * source_v * np.sin(2 * np.pi * 50 * np.arange(n) * STEP_S)
    farad = np.full(n, coupling_farad)
    volts = body_v(Body(soles_ohm=1e15), np.full(n, body_farad), farad * line, farad, np.zeros(n), STEP_S)
    assert volts.std() == pytest.approx(expected_v, rel=0.006)


def test_sensor_ground_floats_at_what_three_capacitors_leave_it():
    # C V = Q for body and sensor ground, each to the other and to the surroundings, no charge on the ground.
    body = Body()
    matrix = np.array(
        [
            [body.torso_farad + 2 * body.sole_farad + body.strap_farad, -body.strap_farad],
            [-body.strap_farad, body.strap_farad + body.ground_farad],
        ]
    )
    charge = 1e-9
    on_body, on_ground = np.linalg.solve(matrix, [charge, 0.0])
    assert charge / body.standing_farad == pytest.approx(on_body, rel=1e-12)
    assert (on_body - on_ground) / on_body == pytest.approx(body.seen, rel=1e-12)


def test_spark_brings_its_charge_and_nothing_else():
    time_s = np.arange(4000) * STEP_S
    body = Body(soles_ohm=1e30, sparks=(Spark(1.0, 2e-9),))
    farad = 200e-12 + 50e-12 * np.sin(time_s) ** 2
    volts = body_v(body, farad, np.zeros(4000), np.zeros(4000), spark_charge(body, time_s), STEP_S)
    charge = volts * farad
    assert np.abs(charge[:1990]).max() == 0
    np.testing.assert_allclose(charge[2010:], 2e-9, rtol=1e-12)


def test_open_electrode_keeps_its_charge_while_the_skin_moves():
    # Input without leak: two capacitors in series, so that it follows the skin by C_gap / (C_gap + C_in).
    time_s = np.arange(8000) * STEP_S
    contact = Contact(input_ohm=1e30, gap_farad=0.2e-12, input_farad=4.8e-12, lapses=(Lapse(-1.0, 9.0),))
    skin = np.sin(2 * np.pi * time_s)
    out = node_v(contact, touch(contact, time_s, RNG(1)), skin, np.zeros(8000), 0.0, time_s)
    np.testing.assert_allclose(out - out[0], (skin - skin[0]) * 0.2 / 5.0, atol=1e-12)


@pytest.mark.parametrize(("ohm", "corner_hz"), [(1e9, 31.83), (1e10, 3.183)])
def test_drying_contact_passes_less_above_its_corner(ohm, corner_hz):
    # R of the contact into 5 pF of the input: 1 / (2 pi R C), where 0.7071 is left.
    time_s = np.arange(80_000) * STEP_S / 4
    contact = Contact(input_ohm=1e15, input_farad=5e-12, lapses=(Lapse(-1.0, 99.0, "partial", ohm, 1e-18),))
    sits = touch(contact, time_s, RNG(1))
    assert passed(contact, sits, corner_hz)[0] == pytest.approx(1 / np.sqrt(2), rel=1e-3)
    wave = np.sin(2 * np.pi * corner_hz * time_s)
    out = node_v(contact, sits, wave, np.zeros(80_000), 0.0, time_s)[40_000:]
    assert out.std() / wave.std() == pytest.approx(1 / np.sqrt(2), rel=0.02)


def test_drying_goes_on_for_its_whole_stretch_and_ends_with_it():
    time_s = np.arange(200_000) * STEP_S
    contact = Contact(lapses=(Lapse(10.0, 90.0, "drying", 1e12, 1e-13),))
    sits = touch(contact, time_s, RNG(1))
    half_way = round(50.0 / STEP_S)
    assert sits.siemens[half_way] == pytest.approx((1 / 3e5 * 1e-12) ** 0.5, rel=1e-3)  # in decades
    assert sits.farad[half_way] == pytest.approx((10e-9 * 1e-13) ** 0.5, rel=1e-3)
    assert np.all(np.diff(passed(contact, sits, 2.0)[20_000:180_000]) <= 1e-9)
    assert sits.siemens[0] == sits.siemens[-1] == 1 / 3e5


def test_intermittent_contact_is_open_for_its_share():
    time_s = np.arange(1_000_000) * STEP_S
    contact = Contact(lapses=(Lapse(0.0, 500.0, "intermittent", open_share=0.3, dwell_s=0.2),))
    assert np.mean(touch(contact, time_s, RNG(2)).siemens == 0) == pytest.approx(0.3, abs=0.03)


def test_shifted_electrode_brings_a_step_and_keeps_its_contact():
    time_s = np.arange(4000) * STEP_S
    contact = Contact(skin_potential_v=0.1, lapses=(Lapse(1.0, 1.0, "shift", potential_v=0.05),))
    sits = touch(contact, time_s, RNG(1))
    assert sits.potential_v[[0, 1999, 2000, -1]] == pytest.approx([0.1, 0.1, 0.15, 0.15])
    assert sits.siemens.min() == 1 / contact.skin_ohm


def test_leaking_soles_take_movement_away_below_their_corner():
    # 1 / (2 pi R C): 1e9 ohm (the limit of ANSI/ESD S20.20) and 150 pF give 1.061 Hz.
    assert left_of_movement(np.array([1e9]), 150e-12, 1.061)[0] == pytest.approx(1 / np.sqrt(2), rel=1e-3)
    time_s = np.arange(100_000) * STEP_S
    body = Body(soles_ohm=1e10, tied=(Tied(10.0, 40.0, 1e6, 5.0),))
    ohm = leakage_ohm(body, time_s)
    assert (ohm[2000], ohm[-2]) == pytest.approx((1e10, 1e10))
    assert ohm[50_000] == pytest.approx(1e6)
    assert ohm[round(12.5 / STEP_S)] == pytest.approx(1e8, rel=0.01)  # half way, in decades


# ---- mains, movement, accelerometer -----------------------------------------------------------------------


def test_lamp_is_on_within_a_cycle_and_a_wearer_takes_a_second():
    time_s = np.arange(40_000) * STEP_S
    for edge_s in (0.02, 1.0):
        near = Mains(coupling_farad=0.0, beside=(Beside(5.0, 15.0, 1e-12, edge_s),))
        farad = coupling(near, time_s)
        assert np.flatnonzero(farad > 0.99e-12)[0] * STEP_S == pytest.approx(
            5 + 0.94 * edge_s, abs=0.01 + 0.01 * edge_s
        )


@pytest.mark.parametrize("nominal_hz", [50.0, 60.0])
def test_line_drifts_within_what_the_norm_allows(nominal_hz):
    # EN 50160: means over 10 s within 1 % for 99.5 % of a year; 230 V within 10 %.
    time_s = np.arange(600_000) * STEP_S
    line = line_v(Mains(nominal_hz=nominal_hz, harmonics={}), time_s, RNG(3))
    up = np.flatnonzero((line[:-1] < 0) & (line[1:] >= 0)) * STEP_S
    per_ten = np.histogram(up, np.arange(0, 301, 10))[0] / 10
    assert np.abs(per_ten / nominal_hz - 1).max() < 0.01
    assert line.std() == pytest.approx(230, rel=0.1)


@pytest.mark.parametrize("rate_hz", [1.77, 1.95, 2.0])
def test_steps_come_at_the_cadence_asked_for(rate_hz):
    # 1.95 Hz (SD 0.19, Murray 1964), 2.00 Hz (SD 0.13, MacDougall and Moore 2005), 1.77 Hz preferred.
    times_s = paced(0.0, 300.0, rate_hz, 0.03, RNG(5))
    assert len(times_s) / 300 == pytest.approx(rate_hz, rel=0.02)


def test_steps_postures_and_limbs_keep_the_body_within_100_to_400_pf():
    # JS-001: 100 pF; Jonassen 1998: 200 to 400 pF standing.
    time_s = np.arange(120_000) * STEP_S
    body = Body(posture_farad=8e-12)
    acts = tuple(Activity(i * 10.0, i * 10.0 + 10, "wedging", "arm" if i % 2 else "body") for i in range(6))
    farad = move(body, acts, time_s, RNG(6)).capacitance
    assert 100e-12 < farad.min() < farad.max() < 400e-12
    assert farad.max() - farad.min() > 40e-12


def test_accelerometer_feels_gravity_unless_it_is_told_not_to():
    still, level = np.zeros((20_000, 3)), np.zeros((20_000, 2))
    ideal = Accelerometer((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 0.01)
    felt = sense(ideal, still, level, RNG(1))
    assert np.linalg.norm(felt.mean(axis=0)) == pytest.approx(
        9.80665, rel=1e-4
    )  # standard gravity (CGPM 1901)
    assert np.abs(sense(replace(ideal, gravity=False), still, level, RNG(1)).mean(axis=0)).max() < 1e-3
    swapped = sense(replace(ideal, axes=(1, 0, 2)), still, level, RNG(1))
    np.testing.assert_array_equal(swapped, felt[:, [1, 0, 2]])
    stuck = sense(replace(ideal, stuck_axis=2), still, level, RNG(1))
    assert np.ptp(stuck[:, 2]) == 0
    assert np.ptp(stuck[:, 0]) > 0
