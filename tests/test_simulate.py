"""The model against closed forms and published values, its dumps byte by byte, and the demo made from it."""

import binascii
import csv
import hashlib
import importlib.util
import math
import struct
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.signal import welch

from pipeline.errors import Problem
from pipeline.layouts import Layout, load_layout
from pipeline.simulate import (
    Activity,
    Beside,
    Body,
    Contact,
    Counts,
    Mains,
    Passer,
    Scenario,
    dumps,
    simulate,
)
from pipeline.simulate.body import body_v, coupled_v, kept_charge
from pipeline.simulate.contact import electrode_v
from pipeline.simulate.front_end import FrontEnd, at_rails, drive, high_pass, low_pass, quantise
from pipeline.simulate.mains import line_v, peak_at_electrode_v

DEMO = Path(__file__).parent.parent / "demo_raw"
STEP_S = 1 / 2000


def read_layout(name: str) -> Layout:
    problems: list[Problem] = []
    layout = load_layout(DEMO / "layouts" / f"{name}.toml", name, problems)
    assert layout is not None, problems
    return layout


RADIO, SERIAL = read_layout("radio"), read_layout("serial")


def run(seed: int = 1, layout: Layout = RADIO, **changes: object) -> Counts:
    plan = {"duration_s": 40.0, "sample_hz": layout.sample_hz, "channels": layout.sampled} | changes
    return simulate(Scenario(**plan), np.random.default_rng(seed))  # type: ignore[arg-type]


def field_v(made: Counts, layout: Layout = RADIO) -> np.ndarray:
    channel = layout.sampled[0]
    return made.counts[:, 0] * channel.scale + channel.offset


def movement_v(signal: np.ndarray, sample_hz: float) -> float:
    """Root mean square below 10 Hz, 1 Hz and slower left out."""
    frequency, power = welch(signal, sample_hz, nperseg=round(8 * sample_hz))
    band = (frequency > 1) & (frequency < 10)
    return math.sqrt(float(power[band].sum() * frequency[1]))


def line_peak_v(signal: np.ndarray, sample_hz: float, line_hz: float = 50.0) -> float:
    """Median over one-second windows of the peak amplitude of a line."""
    n = int(sample_hz)
    turn = np.exp(-2j * np.pi * line_hz * np.arange(n) / sample_hz)
    return float(np.median(np.abs(signal[: len(signal) // n * n].reshape(-1, n) @ turn) * 2 / n))


WALK = (Activity(5.0, 40.0, "carrying boards", "body"),)


# ---- body -------------------------------------------------------------------------------------------------


def test_mains_divider_has_the_worked_value():
    # Capacitive divider: 230 V * 3 / 303 = 2.277 V.
    assert coupled_v(230, 3e-12, 300e-12) == pytest.approx(2.2772, abs=1e-4)
    # 5 pF on 200 pF at 230 V: 5.6 V.
    assert coupled_v(230, 5e-12, 200e-12) == pytest.approx(5.61, abs=0.005)


def test_floating_body_keeps_its_charge_whatever_the_capacitance_does():
    n = 4000
    capacitance = 200e-12 + 100e-12 * np.sin(np.arange(n) / 50) ** 2
    body = Body(soles_ohm=1e30, first_v=10.0)
    volts = body_v(body, capacitance, np.zeros(n), np.zeros(n), np.zeros(n), STEP_S)
    np.testing.assert_allclose(volts * capacitance, 10.0 * capacitance[0], rtol=1e-12)  # V = Q / C


def test_charge_leaks_by_the_time_constant_of_soles_and_body():
    # R C: 1e9 ohm and 150 pF give 0.15 s; after one time constant exp(-1) is left.
    n = 1000
    body = Body(soles_ohm=1e9, first_v=100.0)
    volts = body_v(body, np.full(n, 150e-12), np.zeros(n), np.zeros(n), np.zeros(n), STEP_S)
    assert volts[300] == pytest.approx(100 * math.exp(-1), rel=1e-9)


def test_charging_by_steps_ends_at_resistance_times_current():
    # Jonassen: the plateau of a walking person is V = R n dq; here 5e9 ohm * 2 / s * 4e-10 C = 4 V.
    n = 40000
    added = np.full(n, 2 * 4e-10 * STEP_S)
    volts = body_v(Body(), np.full(n, 280e-12), np.zeros(n), np.zeros(n), added, STEP_S)
    assert volts[-1] == pytest.approx(4.0, rel=1e-3)


def test_leak_goes_to_its_target():
    charge = kept_charge(0.0, np.full(5000, 0.99), np.full(5000, 3.0), np.zeros(5000))
    assert charge[-1] == pytest.approx(3.0)


def test_standing_capacitance_lies_in_the_published_range():
    # Jonassen, EOS/ESD Symposium 1998: 200 to 400 pF, standing, by charge sharing.
    assert 200e-12 < Body().standing_farad < 400e-12


# ---- front end --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("left", "after_s"), [(0.1, 2.29), (0.01, 4.58), (0.001, 6.87)])
def test_ac_coupling_settles_as_handbooks_say(left: float, after_s: float):
    # First order, 0.16 Hz: tau = 1 / (2 pi 0.16) = 0.995 s; 10 %, 1 %, 0.1 % after 2.3, 4.6, 6.9 tau.
    step = np.concatenate(([0.0], np.ones(20000)))
    out = high_pass(step, 0.16, STEP_S)
    assert out[1] == 1.0
    assert np.argmax(out[1:] < left) * STEP_S == pytest.approx(after_s, abs=0.006)


def test_low_pass_is_3_db_down_at_its_corner():
    time_s = np.arange(40000) / 20000
    out = low_pass(np.sin(2 * np.pi * 40 * time_s), 40.0, 1 / 20000)[20000:]
    assert np.sqrt(2) * out.std() == pytest.approx(1 / math.sqrt(2), rel=0.01)


@pytest.mark.parametrize(("over", "fraction"), [(1.1, 0.27356), (1.5, 0.53544), (2.0, 0.66667)])
def test_clipped_sine_stands_at_the_rails_as_arithmetic_says(over: float, fraction: float):
    # Rail fraction of a sine of amplitude A between rails +-c: 1 - (2 / pi) asin(c / A).
    assert fraction == pytest.approx(1 - 2 / math.pi * math.asin(1 / over), abs=1e-5)
    sine = over * np.sin(2 * np.pi * (np.arange(100_000) + 0.5) / 10_000)
    out = at_rails(sine, -1.0, 1.0, 1e-9)
    assert np.mean(np.abs(out) >= 1 - 1e-6) == pytest.approx(fraction, abs=2e-4)


def test_rail_gives_way_softly_and_is_never_passed():
    ramp = np.linspace(-2, 2, 4001)
    out = at_rails(ramp, -1.0, 1.0, 0.1)
    assert out.min() >= -1
    assert out.max() <= 1
    assert np.all(np.diff(out) >= 0)
    inside = np.abs(ramp) < 0.9
    np.testing.assert_array_equal(out[inside], ramp[inside])


def test_quantisation_noise_is_a_step_over_the_root_of_twelve():
    # Bennett, Bell System Technical Journal 27, 1948: q / sqrt(12) = 0.28868 q.
    signal = np.random.default_rng(3).uniform(100, 900, 200_000)
    error = quantise(signal, 1.0, 0.0, 0, 1023) - signal
    assert error.std() == pytest.approx(1 / math.sqrt(12), rel=0.01)


def test_converter_holds_its_end_codes():
    np.testing.assert_array_equal(quantise(np.array([-9.0, 0.2, 9.0]), 0.01, 0.0, 0, 255), [0, 20, 255])


def test_line_above_half_the_rate_folds():
    # |60 - 64 * round(60 / 64)| = 4 Hz: no filter stands before the sampling.
    time_s = np.arange(64 * 8 * 30) / 512
    front = FrontEnd(1e-6, 0.0, -(1 << 20), 1 << 20, -1.0, 1.0, None, None, noise_v=0.0)
    out = drive(front, 0.1 * np.sin(2 * np.pi * 60 * time_s), 1 / 512, 8)
    frequency, power = welch(out, 64, nperseg=640)
    assert frequency[np.argmax(power)] == pytest.approx(4.0)
    assert line_peak_v(out, 64, 4.0) == pytest.approx(0.1, rel=0.01)


# ---- mains and contact ------------------------------------------------------------------------------------


def test_line_keeps_within_en_50160():
    # EN 50160, synchronous grid: 49.5 to 50.5 Hz; 3rd harmonic at most 5 %, 5th 6 %, 7th 5 %.
    time_s = np.arange(200_000) * STEP_S
    line = line_v(Mains(), time_s, np.random.default_rng(2))
    up = np.flatnonzero((line[:-1] < 0) & (line[1:] >= 0))
    assert 49.5 < (len(up) - 1) / (time_s[up[-1]] - time_s[up[0]]) < 50.5
    assert line.std() == pytest.approx(230, rel=0.03)
    limits = {3: 0.05, 5: 0.06, 7: 0.05}
    assert all(share <= limits[order] for order, share in Mains().harmonics.items())


def test_touching_electrode_follows_the_skin_and_an_open_one_does_not():
    time_s = np.arange(20_000) * STEP_S
    skin = 0.05 * np.sin(2 * np.pi * 2 * time_s)
    for off, least, most in (((), 0.99, 1.01), (((-1.0, 11.0),), 0.0, 0.01)):
        contact = Contact(off=off, skin_potential_v=0.0)
        out = electrode_v(contact, skin, np.zeros(20_000), 0.0, time_s, np.random.default_rng(1))
        assert least <= out[4000:].std() / skin.std() <= most


# ---- whole sessions ---------------------------------------------------------------------------------------


def test_walking_shows_the_published_cadence_in_field_and_acceleration():
    # MacDougall and Moore 2005: 2.00 Hz (SD 0.13); Murray 1964: 1.95 Hz (SD 0.19).
    made = run(activities=WALK)
    for signal in (field_v(made)[2500:], made.counts[2500:, 3]):
        frequency, power = welch(signal, 250, nperseg=4000)
        assert 1.76 < frequency[np.argmax(power * (frequency > 1))] < 2.14


def test_intensities_move_the_field_in_their_order():
    levels = []
    for name in ("rest", "hand", "arm", "body"):
        made = run(activities=(Activity(0.0, 40.0, name, name, 1.0 if name == "arm" else 1.95),))
        levels.append(movement_v(field_v(made)[2500:], 250))
    rest, hand, arm, body = levels
    assert hand < 3 * rest + 1e-3  # finger work hardly shows (the project's own premise, no source)
    assert 2 * hand < arm < body
    assert 0.01 < body < 0.1


def test_earthed_soles_take_away_movement_and_mains():
    free, tied = (run(activities=WALK, body=Body(soles_ohm=ohm)) for ohm in (5e9, 2e6))
    assert movement_v(field_v(tied)[2500:], 250) < 0.05 * movement_v(field_v(free)[2500:], 250)
    assert line_peak_v(field_v(tied), 250) < 0.4 * line_peak_v(field_v(free), 250)
    assert [truth.condition for truth in tied.truth] == ["low_coupling"]
    assert not free.truth


@pytest.mark.parametrize("layout", [RADIO, SERIAL])
def test_electrode_off_loses_movement_and_gains_mains(layout: Layout):
    made = run(layout=layout, activities=WALK, contact=Contact(off=((15.0, 30.0),)))
    signal, hz = field_v(made, layout), layout.sample_hz
    on, off = signal[int(6 * hz) : int(15 * hz)], signal[int(21 * hz) : int(29 * hz)]
    assert movement_v(off, hz) < 0.1 * movement_v(on, hz)
    assert line_peak_v(off, hz) > 2.5 * line_peak_v(on, hz)
    assert any((t.condition, t.start_s, t.stop_s) == ("contact_loss", 15.0, 30.0) for t in made.truth)


def test_kiln_reaches_the_electrode_with_the_amplitude_worked_out():
    mains = Mains(beside=(Beside(0.0, 40.0, 2.2e-12),))
    made = run(mains=mains)
    expected = peak_at_electrode_v(mains, Body(), 2.2e-12)
    assert 0.06 < expected < 0.09
    through = 1 / math.hypot(1, 50 / 40)  # first-order low-pass of 40 Hz at 50 Hz
    assert line_peak_v(field_v(made)[500:-500], 250) == pytest.approx(expected * through, rel=0.05)
    assert made.truth[0].condition == "mains"


def test_passer_moves_the_field_and_not_the_wrist():
    still, passed = run(), run(passers=(Passer(20.0),))
    near = slice(4250, 5750)
    assert np.ptp(field_v(passed)[near]) > 5 * np.ptp(field_v(still)[near])
    # 13 mg: below it a worn accelerometer lies still (van Hees et al. 2014).
    assert passed.counts[near, 3].std() * RADIO.sampled[3].scale < 0.13
    assert [truth.condition for truth in passed.truth] == ["uncorroborated"]


def test_overload_stands_at_the_rails_and_is_told():
    made = run(activities=WALK, body=Body(soles_ohm=2e10, step_coulomb=3e-9))
    told_s = sum(truth.stop_s - truth.start_s for truth in made.truth if truth.condition == "saturated")
    assert told_s / 40 > 0.2
    assert field_v(made).max() == pytest.approx(0.28, abs=3e-3)  # (2.9 V - 1.5 V) / 5


def test_gravity_is_felt_at_rest():
    felt = run().counts[:, 1:] * RADIO.sampled[1].scale
    assert np.median(np.linalg.norm(felt, axis=1)) == pytest.approx(9.80665, rel=0.05)


def test_same_seed_gives_the_same_codes():
    np.testing.assert_array_equal(run(5, activities=WALK).counts, run(5, activities=WALK).counts)
    assert not np.array_equal(run(5, activities=WALK).counts, run(6, activities=WALK).counts)


def test_other_channels_are_refused():
    with pytest.raises(ValueError, match="one field and three acceleration"):
        run(channels=RADIO.sampled[:2])


# ---- dumps ------------------------------------------------------------------------------------------------

CODES = np.arange(80, dtype=np.int64).reshape(20, 4) - 7


def test_packet_has_every_part_in_its_place():
    first, second = dumps.encode_packets(CODES, RADIO, first_sequence=65535, first_tick=(1 << 32) - 1)
    assert first[:2] == b"\xa5\x5a"
    assert struct.unpack("<HI", first[2:8]) == (65535, (1 << 32) - 1)
    assert struct.unpack("<HI", second[2:8]) == (0, 1309)  # 10 samples: 1310.72 ticks of 32768 Hz; both wrap
    np.testing.assert_array_equal(np.frombuffer(first[8:88], "<i2").reshape(10, 4), CODES[:10])
    assert struct.unpack("<H", first[88:])[0] == binascii.crc_hqx(first[2:88], 0)
    assert binascii.crc_hqx(b"123456789", 0) == 0x31C3  # CRC-16/XMODEM, catalogue of parametrised CRCs


def test_lines_carry_counters_and_codes():
    lines = dumps.encode_lines(CODES, SERIAL, first_sequence=65535, first_tick=(1 << 32) - 8000)
    assert lines[0] == b"seq;ticks;field;acc_x;acc_y;acc_z\r\n"
    assert lines[1] == b"65535;4294959296;-7;-6;-5;-4\r\n"
    assert lines[2] == b"0;0;-3;-2;-1;0\r\n"


def test_layouts_of_the_other_framing_are_refused():
    with pytest.raises(ValueError, match="fixed count"):
        dumps.encode_packets(CODES, SERIAL)
    with pytest.raises(ValueError, match="framing 'text'"):
        dumps.encode_lines(CODES, RADIO)


def test_faults_do_what_they_say():
    frames = [bytes([i]) for i in range(100)]
    rng = np.random.default_rng(4)
    assert 60 < len(dumps.lose(frames, 0.2, rng)) < 95
    assert dumps.lose_stretches(frames, [(1.0, 3.0)], 10.0) == frames[:10] + frames[30:]
    assert dumps.late(frames, 5, 2)[4:9] == [b"\x04", b"\x06", b"\x07", b"\x05", b"\x08"]
    assert dumps.repeated(frames, 5, 1, 1)[4:9] == [b"\x04", b"\x05", b"\x06", b"\x05", b"\x07"]
    chatter = dumps.with_chatter(frames, [b"boot", b"ready"], rng)
    assert [frame for frame in chatter if len(frame) == 1] == frames
    assert chatter.index(b"boot") < chatter.index(b"ready")
    data = bytes(1000)
    assert set(np.flatnonzero(np.frombuffer(dumps.with_flips(data, 10, 20, 5, rng), "u1"))) <= set(
        range(10, 20)
    )
    assert len(dumps.with_noise(data, 500, 30, rng)) == 1030
    stretches = dumps.bursts(50, 140, 0.4, 1, 8, rng)
    assert all(50 <= start < stop <= 140 for start, stop in stretches)
    assert 0.2 < sum(stop - start for start, stop in stretches) / 90 <= 0.45


# ---- the demo ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module
    spec.loader.exec_module(module)
    return module


def test_demo_is_made_byte_for_byte(demo: ModuleType):
    made = demo.make_tables()
    for plan in demo.PLANS:
        made |= demo.make_dumps(plan)
    kept = {path.relative_to(DEMO).as_posix() for path in (DEMO / "dumps").rglob("*.*")}
    assert kept == {name for name in made if name.startswith("dumps/")}
    for name, data in made.items():
        there = hashlib.sha256((DEMO / name).read_bytes()).hexdigest()
        assert hashlib.sha256(data).hexdigest() == there, name
    assert sum(map(len, made.values())) < 8_000_000


def test_readme_names_every_session_with_its_verdict(demo: ModuleType):
    rows = [line.split("|") for line in (DEMO / "README.md").read_text("utf-8").splitlines()]
    told = {row[1].strip(): row[6].strip() for row in rows if len(row) == 8}
    for plan in demo.PLANS:
        assert told[plan.session] == plan.verdict


def test_planted_stretches_lie_within_their_sessions():
    with (DEMO / "activities.csv").open(newline="") as text:
        ends = {row["session"]: float(row["stop_s"]) for row in csv.DictReader(text)}
    with (DEMO / "planted.csv").open(newline="") as text:
        planted = list(csv.DictReader(text))
    assert {row["session"] for row in planted} == set(ends)
    for row in planted:
        if row["condition"]:
            assert 0 <= float(row["start_s"]) < float(row["stop_s"]) <= ends[row["session"]]


def test_truth_of_the_model_bears_out_what_is_planted(demo: ModuleType):
    for name, condition in (("kiln-04", "mains"), ("kiln-05", "contact_loss")):
        plan = next(plan for plan in demo.PLANS if plan.session == name)
        layout = demo.layout_of(plan)
        made = run(
            layout=layout,
            duration_s=plan.work[-1][1],
            activities=plan.activities,
            body=plan.body,
            mains=plan.mains,
            contact=plan.contact,
        )
        told = [t for t in made.truth if t.condition == condition]
        assert len(told) == len(plan.planted) == 1
        # The kiln comes near within a second, and mains is judged in windows of 0.2 s.
        assert (told[0].start_s, told[0].stop_s) == pytest.approx(plan.planted[0][1:], abs=0.5)
