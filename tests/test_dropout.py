"""Rows that were not measured though their counters go on: filled, held, sent again, sampled too slowly.

Each is planted beside what it is most easily mistaken for. Signals are invented but where a source is named.
"""

from functools import partial

import numpy as np
import pytest
from make import (
    FIELD,
    absent_of,
    acceleration_axes,
    detected_in,
    findings_of,
    judged,
    n_marked,
    recording_of,
    value_of,
)
from repeating import evidence_alone, found_alone
from wheels import BASIC_MOTIONS, read_member

from pipeline.detectors import held_rows
from pipeline.detectors.findings import Detected
from pipeline.detectors.held_rows import held_share
from pipeline.recording import BLOCK_ROWS

HZ = 250.0
N = round(60 * HZ)


@pytest.fixture
def record(tmp_path):
    return partial(recording_of, tmp_path / "r.parquet")


def wearing(n: int = N, sd_counts: float = 3.0, seed: int = 1, hz: float = HZ) -> list[np.ndarray]:
    """Codes of the field and of three axes that move with it; noise in counts."""
    t, rng = np.arange(n) / hz, np.random.default_rng(seed)
    swing = np.sin(2 * np.pi * 1.9 * t) * (t % 20 > 8)
    return [
        np.rint(level + size * swing + sd_counts * rng.standard_normal(n)).astype(np.int64)
        for level, size in ((2048, 300), (0, 800), (1200, 500), (4000, 900))
    ]


def channels(hz: float = HZ):
    return [FIELD, *acceleration_axes(hz)]


def marked(detected: Detected) -> list[tuple[int, int]]:
    spans = detected.marks["stuck"]
    return list(zip(spans.start.tolist(), spans.stop.tolist(), strict=True))


def put(codes: list[np.ndarray], start: int, stop: int, row: list[int]) -> None:
    for column, value in zip(codes, row, strict=True):
        column[start:stop] = value


def test_nothing_is_said_of_rows_that_were_measured(record):
    detected = found_alone(record(channels(), wearing(), HZ))
    assert detected.findings == ()
    assert value_of(detected, "held_fraction") == pytest.approx(0, abs=1e-4)
    assert value_of(detected, "filled_fraction") == 0
    assert value_of(detected, "stuck_fraction") == 0


# ---- filled -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", [[0] * 4, [-1] * 4, [2048, 0, 0, 0], [4095, 32767, 32767, 32767]])
@pytest.mark.parametrize("n", [5, 400])
def test_rows_filled_with_a_constant_are_found_to_the_row(record, row, n):
    codes = wearing()
    put(codes, 5000, 5000 + n, row)
    detected = found_alone(record(channels(), codes, HZ))
    assert marked(detected) == [(5000, 5000 + n)]
    assert value_of(detected, "filled_fraction") == n / N
    assert value_of(detected, "stuck_fraction") == pytest.approx(n / N)
    assert value_of(detected, "longest_gap_s") == pytest.approx(n / HZ)
    severities = [f.severity for f in findings_of(detected, "dropout")]
    assert severities == (["note"] if n < HZ else ["warning", "fault"])
    assert f"{n} of {N} rows hold one constant" in findings_of(detected, "dropout")[0].explanation
    assert findings_of(detected, "stuck") == []


def test_any_constant_that_comes_back_is_a_filling(record):
    codes = wearing()
    for start in (3000, 9000):
        put(codes, start, start + 10, [1234, 4321, -77, 9])
    assert marked(found_alone(record(channels(), codes, HZ))) == [(3000, 3010), (9000, 9010)]


def test_what_is_filled_is_measured_as_lost_by_all_others(record):
    """Code 0 is the lower rail of the field: no overload, no settling, no gravity that is missing."""
    codes = wearing()
    put(codes, 5000, 5500, [0] * 4)
    detected = detected_in(record(channels(), codes, HZ))
    assert (
        n_marked(detected, "saturated") == n_marked(detected, "settling") == n_marked(detected, "lost") == 0
    )
    assert n_marked(detected, "stuck") == 500
    here = np.ones(N, bool)
    here[5000:5500] = False
    lost = detected_in(record(channels(), codes, HZ, here))
    for name in ("gravity_m_s2", "movement_rms_v", "noise_v", "mains_rms_v"):
        assert value_of(detected, name) == value_of(lost, name)


def test_a_field_that_rests_in_the_middle_is_not_filled(record):
    codes = [np.full(N, 2048), np.full(N, 2048)]
    for one, seed in zip(codes, (1, 2), strict=True):
        one += np.rint(0.1 * np.random.default_rng(seed).standard_normal(N)).astype(np.int64)
        one += np.rint(30 * np.sin(2 * np.pi * np.arange(N) / HZ / 20)).astype(np.int64)
    fields = [FIELD, acceleration_axes()[0]]
    assert value_of(found_alone(record(fields, codes, HZ)), "filled_fraction") == 0


# ---- held -------------------------------------------------------------------------------------------------


def held_at_random(codes: list[np.ndarray], start: int, stop: int, share: float, seed: int = 3) -> None:
    for row in np.flatnonzero(np.random.default_rng(seed).random(stop - start) < share) + start:
        for column in codes:
            column[row] = column[row - 1]


def test_single_rows_held_here_and_there_are_a_warning_and_no_mark(record):
    codes = wearing()
    held_at_random(codes, 1, N, 0.1)
    recording = record(channels(), codes, HZ)
    detected = detected_in(recording)
    (finding,) = findings_of(detected, "dropout")
    assert (finding.severity, finding.measure) == ("warning", "held_fraction")
    assert finding.value == pytest.approx(0.1, abs=0.01)
    assert "Sample-and-hold" in finding.explanation
    assert n_marked(detected, "stuck") == 0
    assert judged(detected, recording).name == "accept"


def test_a_stretch_in_which_many_rows_are_held_is_marked(record):
    codes = wearing()
    held_at_random(codes, 5000, 7500, 0.3)
    ((start, stop),) = marked(found_alone(record(channels(), codes, HZ)))
    assert (start, stop) == pytest.approx((5000, 7500), abs=30)


def coarse_at_rest(field_noise: float, hz: float = 50.0, seed: int = 7) -> list[np.ndarray]:
    """A wearer at rest: axes repeat nine times in ten by themselves, and by chance all of them at once."""
    n, rng = round(120 * hz), np.random.default_rng(seed)
    axes = [np.rint(level + 0.2 * rng.standard_normal(n)) for level in (0.3, 1200.3, 4000.3)]
    field = np.rint(2048 + field_noise * rng.standard_normal(n))
    return [column.astype(np.int64) for column in (field, *axes)]


@pytest.mark.parametrize("seconds", [2, 5, 20])
def test_rows_held_at_rest_are_told_by_a_field_whose_noise_lets_it_repeat_nowhere(record, seconds):
    codes = coarse_at_rest(40.0)
    stop = 2000 + 50 * seconds
    held_at_random(codes, 2000, stop, 0.35)
    ((start, end),) = marked(found_alone(record(channels(50.0), codes, 50.0)))
    assert (start, end) == pytest.approx((2000, stop), abs=50)  # chance repeats, too


@pytest.mark.parametrize("field_noise", [0.05, 0.3, 1.0, 40.0])
def test_of_rows_that_were_measured_at_rest_none_is_held(record, field_noise):
    detected = found_alone(record(channels(50.0), coarse_at_rest(field_noise), 50.0))
    assert marked(detected) == []


def test_a_noisy_field_at_its_end_beside_axes_at_rest_is_not_held(record):
    codes = coarse_at_rest(40.0)
    peaks = np.minimum(codes[0] + (1200 * np.sin(2 * np.pi * 1.3 * np.arange(len(codes[0])) / 50)), 3000)
    codes[0][2000:3000] = peaks[2000:3000]
    assert marked(found_alone(record(channels(50.0), codes, 50.0))) == []


def test_a_thin_stretch_is_not_cut_to_where_chance_made_it_thick(record):
    codes = wearing(hz=50.0, n=6000)
    held_at_random(codes, 2000, 4000, 0.06, seed=4)
    assert marked(found_alone(record(channels(50.0), codes, 50.0))) == []


def test_a_stretch_is_one_however_long_the_blocks_are(record, monkeypatch):
    codes = wearing()
    held_at_random(codes, 5000, 7500, 0.3)
    recording = record(channels(), codes, HZ)
    (whole,) = findings_of(found_alone(recording), "dropout", "fault")
    monkeypatch.setattr(held_rows, "BLOCK_ROWS", 700)
    (cut,) = findings_of(found_alone(recording), "dropout", "fault")
    assert (cut.start_s, cut.stop_s) == pytest.approx((whole.start_s, whole.stop_s), abs=0.1)
    assert cut.value == pytest.approx(whole.value, abs=0.01)


@pytest.mark.parametrize("every", [2, 3, 8])
@pytest.mark.parametrize("sd_counts", [3.0, 0.3])
def test_a_stretch_sampled_more_slowly_is_marked(record, every, sd_counts):
    codes = wearing(sd_counts=sd_counts)
    rows = np.arange(5000, 7400)
    for column in codes:
        column[rows] = column[5000 + (rows - 5000) // every * every]
    ((start, stop),) = marked(found_alone(record(channels(), codes, HZ)))
    assert (start, stop) == pytest.approx((5000, 7400), abs=40)


@pytest.mark.parametrize("rows", [5, 25, 60])
@pytest.mark.parametrize("times", [1, 4])
def test_frames_sent_again_with_counters_of_their_own_are_marked(record, rows, times):
    codes = wearing()
    for column in codes:
        column[5000 : 5000 + rows * times] = np.tile(column[5000 - rows : 5000], times)
    detected = found_alone(record(channels(), codes, HZ))
    assert marked(detected) == [(5000, 5000 + rows * times)]
    (finding,) = findings_of(detected, "dropout")
    assert (finding.severity, finding.measure) == ("fault", "held_s")
    assert finding.value == pytest.approx(rows * times / HZ)


def test_a_gap_bridged_by_the_row_before_it_is_marked(record):
    codes = wearing()
    for column in codes:
        column[5000:5010] = column[4999]
    assert marked(found_alone(record(channels(), codes, HZ))) == [(5000, 5010)]


def test_rows_held_at_a_beat_are_found_of_a_wearer_at_rest(record):
    """Only the field changes then: eleven times in 88 rows, though beside them it never repeats for long."""
    codes = [wearing(sd_counts=300.0)[0], *(np.full(N, level) for level in (0, 1200, 4000))]
    rows = np.arange(88)
    codes[0][5000:5088] = codes[0][5000 + rows // 8 * 8]
    ((start, stop),) = marked(found_alone(record(channels(), codes, HZ)))
    assert (abs(start - 5000), abs(stop - 5088)) <= (8, 8)


def test_a_frame_sent_again_is_found_of_a_wearer_at_rest(record):
    codes = [wearing()[0], *(np.full(N, level) for level in (0, 1200, 4000))]
    codes[0][5000:5065] = np.tile(codes[0][4987:5000], 5)
    assert marked(found_alone(record(channels(), codes, HZ))) == [(5000, 5065)]


def test_coarse_axes_at_rest_beside_a_field_at_its_end_are_no_gap(record):
    """All rows are alike for a while, but the rail explains the field, and rest the axes."""
    codes, rng = wearing(), np.random.default_rng(4)
    codes[1:] = [level + (rng.random(N) < 0.03) for level in (0, 1200, 4000)]
    for start in (4000, 6000, 8000):
        codes[0][start : start + 12] = FIELD.adc_max
        for axis in codes[1:]:
            axis[start - 2 : start + 14] = axis[start - 2]
    assert n_marked(detected_in(record(channels(), codes, HZ)), "stuck") == 0


def test_quiet_rows_that_repeat_by_chance_are_not_held(record):
    codes = wearing(sd_counts=0.25)
    detected = found_alone(record(channels(), codes, HZ))
    assert value_of(detected, "held_fraction") > 0.05
    assert detected.findings == ()
    assert n_marked(detected, "stuck") == 0


def test_one_channel_alone_tells_nothing_of_held_rows(record):
    codes = wearing(sd_counts=0.4)[:1]
    held_at_random(codes, 5000, 7500, 0.3)
    assert n_marked(found_alone(record([FIELD], codes, HZ)), "stuck") == 0


def test_mains_in_step_with_the_rate_is_no_frame_sent_again(record):
    t = np.arange(N) / HZ
    line = np.rint(2048 + 40 * np.sin(2 * np.pi * 50 * t)).astype(np.int64)
    still = [np.full(N, level) for level in (0, 1200, 4000)]
    detected = found_alone(record(channels(), [line, *still], HZ))
    assert n_marked(detected, "stuck") == 0


def test_rows_are_followed_from_block_to_block(record):
    n = BLOCK_ROWS + 3000
    codes, at = wearing(n), BLOCK_ROWS
    put(codes, at - 7, at + 9, [0] * 4)
    for column in codes:
        column[at + 1000 : at + 1020] = column[at + 980 : at + 1000]
        column[at - 20 : at - 10] = column[at - 30 : at - 20]
    assert marked(found_alone(record(channels(), codes, HZ))) == [
        (at - 20, at - 10),
        (at - 7, at + 9),
        (at + 1000, at + 1020),
    ]


def test_how_much_is_held_is_told_apart_from_what_repeats_by_itself():
    rng = np.random.default_rng(8)
    for share in (0.0, 0.1, 0.5):
        own = rng.random((3, 40_000)) < np.array([[0.2], [0.5], [0.8]])
        alike = own | (rng.random(40_000) < share)
        rows = np.array([alike.all(axis=0).mean()])
        (found,) = held_share(alike.mean(axis=1)[:, None], rows, np.array([40_000]))
        assert found == pytest.approx(share, abs=0.02)


# ---- slow, lost, published --------------------------------------------------------------------------------


@pytest.mark.parametrize(("true_hz", "every"), [(125.0, 2), (50.0, 5), (100.0, 2.5), (200.0, 1.25)])
def test_a_device_that_is_slow_throughout_is_told_its_rate(record, true_hz, every):
    codes, rows = wearing(), np.arange(N)
    slow = [column[np.floor(np.floor(rows / every) * every).astype(int)] for column in codes]
    recording = record(channels(), slow, HZ)
    detected = found_alone(recording)
    (finding,) = findings_of(detected, "dropout")
    assert (finding.measure, finding.severity) == ("sampled_hz", "warning")
    assert finding.value == pytest.approx(true_hz, rel=0.01)
    assert finding.limit == HZ
    assert "field, acc_x, acc_y, acc_z: a value stands for" in finding.explanation
    assert n_marked(detected, "stuck") == 0


def test_a_slow_accelerometer_is_told_alone(record):
    codes = wearing()
    codes[1:] = [np.repeat(column[::5], 5)[:N] for column in codes[1:]]
    (finding,) = findings_of(found_alone(record(channels(), codes, HZ)), "dropout")
    assert finding.explanation.startswith("acc_x, acc_y, acc_z: a value stands for 5 of the rows")
    assert finding.value == pytest.approx(50.0)


def test_a_slope_is_no_slow_sampling(record):
    """Without noise a slope changes at a beat, too, but by one count at a time."""
    ramp = np.arange(N) // 7
    assert found_alone(record([FIELD], [ramp % 4000], HZ)).findings == ()


def test_one_of_five_lost_is_not_two_hundred_of_a_thousand(record):
    """RFC 3550, 6.4.4: a fraction has a denominator, which tells one from the other."""
    for n in (5, 1000):
        codes, here = wearing(n), np.ones(n, bool)
        here[1 : 1 + n // 5] = False
        evidence = evidence_alone(record(channels(), codes, HZ, here))
        assert evidence.recording.n_rows == n
        detected = found_alone(evidence.recording)
        assert value_of(detected, "lost_fraction") == 0.2
        assert f"{n // 5} of {n} samples are missing" in findings_of(detected, "dropout")[0].explanation
        assert value_of(detected, "longest_gap_s") == pytest.approx(n // 5 / HZ)


def test_of_rows_that_never_arrived_whole_nothing_is_said(record):
    detected = found_alone(record(channels(), wearing(500), HZ, np.zeros(500, bool)))
    assert value_of(detected, "held_fraction") is None
    assert absent_of(detected, "held_fraction") == "no second without what is marked arrived whole"
    assert value_of(detected, "stuck_fraction") is None


@pytest.mark.parametrize("member", BASIC_MOTIONS, ids=["train", "test"])
def test_a_watch_that_was_polled_out_of_step_holds_a_tenth_of_its_rows(record, member):
    """BasicMotions (UEA archive): 9.7 to 11.8 % of the rows repeat in all six channels."""
    text = read_member(member).decode().split("@data")[1].strip()
    cases = [line.split(":")[:6] for line in text.splitlines()]
    series = np.array([[list(map(float, one.split(","))) for one in case] for case in cases])
    rows = np.rint(series.transpose(0, 2, 1).reshape(-1, 6) * 1e6).astype(np.int64)
    axes = acceleration_axes(10.0)
    scaled = [
        type(axes[0])(name, "acceleration", "m/s2", 1e-6, 0.0, 10.0, -(2**31), 2**31 - 1)
        for name in ("acc_x", "acc_y", "acc_z", "gyro_x", "gyro_y", "gyro_z")
    ]
    detected = found_alone(record(scaled, list(rows.T), 10.0))
    assert 0.097 <= value_of(detected, "held_fraction") <= 0.118
    findings = findings_of(detected, "dropout")
    assert [(f.measure, f.severity) for f in findings] == [("held_fraction", "warning")]
    assert n_marked(detected, "stuck") == n_marked(detected, "lost") == 0
