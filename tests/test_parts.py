"""Long recordings are examined part by part: where they are cut, and how what was found becomes one."""

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from finished import finished
from make import (
    FIELD,
    SETTINGS,
    acceleration_axes,
    evidence_of,
    evidence_together,
    findings_of,
    recording_of,
    value_of,
)
from small import small_study
from wearing import HZ, Wearing, faults_in, marked_s, put, record_apart, record_wearing

from pipeline.detectors import Conversion, Converted, Detected, Finding, Measure, Paused, Spans, examine
from pipeline.detectors.parts import PART_S, Part, parts_of, united
from pipeline.recording import Recording, open_recording, write_samples
from pipeline.study import Activity
from pipeline.timebase.grid import Clock

WEARING = Wearing(
    seconds=480,
    walks=tuple((start + 20, start + 100) for start in range(0, 480, 120)),
    mains_at=((60, 90, 0.02), (400, 420, 0.1)),
    silent=((60, 90),),
    spikes_s=(60.0, 90.0),
)
"""Two faults in parts of two minutes each: the electrode is off from 60 to 90 s, mains strong from 400 s."""


def converted(recordings: list[Recording], activities=(), **counted) -> Converted:
    """What detectors are given of recordings that were converted without a fault."""
    conversions = [evidence.conversion for evidence in evidence_together(recordings, **counted)]
    return Converted(recordings, conversions, 50.0, activities)


def found_in(
    recordings: list[Recording], part_s: float = PART_S, activities: Sequence[Activity] = (), **counted
) -> tuple[Detected, ...]:
    """What is found in parts of that length."""
    session = converted(recordings, activities, **counted)
    return examine(session, parts_of(recordings, session.conversions[0], part_s), SETTINGS)


def spoilt(codes: np.ndarray) -> None:
    put(200.0, 203.0, FIELD.adc_max)(codes)
    put(300.0, 304.0, 1999)(codes)


@pytest.fixture(scope="module")
def recording(tmp_path_factory) -> Recording:
    path = tmp_path_factory.mktemp("parts") / "r.parquet"
    return record_wearing(path, WEARING, spoilt, lost=((30, 31), (340, 346)))


@pytest.fixture(scope="module")
def whole(recording) -> Detected:
    return found_in([recording])[0]


@pytest.fixture(scope="module")
def in_parts(recording) -> Detected:
    return found_in([recording], 120.0)[0]


# ---- a part of a recording -------------------------------------------------------------------------------


@pytest.mark.parametrize(("start", "stop"), [(0, 100), (1, 70_001), (65_000, 90_000), (119_999, 120_000)])
def test_a_part_holds_the_rows_and_the_seconds_that_it_had(recording, start, stop):
    names = ["field", "acc_y"]
    there = recording.read(names, 0, recording.n_rows)
    part = recording.part(start, stop)
    for block_rows in (1 << 18, 1000):
        blocks = list(part.blocks(names, block_rows))
        assert [block.start for block in blocks] == np.cumsum([0, *map(len, blocks[:-1])]).tolist()
        for name in names:
            joined = np.concatenate([block.columns[name] for block in blocks])
            np.testing.assert_array_equal(joined, there[name][start:stop])
    for first, last in ((0, stop - start), (17, 42), (0, 10**9)):
        for name, values in part.read(names, first, last).items():
            np.testing.assert_array_equal(values, there[name][start:stop][first:last])
    assert part.start_s == recording.at_s(start)
    assert part.stop_s == recording.until_s(stop)
    assert part.rows_at(np.array([recording.at_s(start + 3)])).tolist() == [min(3, stop - start)]


def test_a_part_of_a_part_hides_what_was_hidden(recording):
    hidden = replace(recording, hidden=np.array([[100, 200], [5000, 6000]]))
    part = hidden.part(50, 10_000).part(100, 5500)
    values = part.read(["field"], 0, part.n_rows)["field"]
    expected = recording.read(["field"], 150, 5550)["field"].copy()
    expected[0:50] = expected[4850:5400] = np.nan
    np.testing.assert_array_equal(values, expected)


# ---- where to cut ----------------------------------------------------------------------------------------


def test_a_recording_of_half_a_day_is_one_part(recording):
    assert len(parts_of([recording], converted([recording]).conversions[0])) == 1
    assert len(parts_of([recording], converted([recording]).conversions[0], part_s=480.0)) == 1


def cuts_s(recording: Recording, part_s: float, **counted) -> list[float]:
    parts = parts_of([recording], evidence_of(recording, **counted).conversion, part_s)
    assert parts[0].rows[0][0] == 0
    assert parts[-1].rows[0][1] == recording.n_rows
    for one, other in pairwise(parts):
        assert one.rows[0][1] == other.rows[0][0]
    return [part.rows[0][0] / HZ for part in parts[1:]]


def test_cuts_keep_away_from_losses_rails_and_pauses(tmp_path):
    made = record_wearing(
        tmp_path / "r.parquet", Wearing(seconds=400), put(203.0, 204.0, 4095), lost=((99, 101), (104, 105))
    )
    pause = ((round(301.0 * HZ), 30.0, "ticks"),)
    assert cuts_s(made, 100.0, breaks=pause) == pytest.approx([110, 209, 306], abs=0.01)


def test_where_nothing_is_clear_a_cut_lies_in_no_gap(tmp_path):
    lost = tuple((at, at + 1) for at in range(3, 400, 4))
    made = record_wearing(tmp_path / "r.parquet", Wearing(seconds=400), lost=lost)
    assert cuts_s(made, 200.0) == pytest.approx([200.0], abs=0.01)
    made = record_wearing(tmp_path / "r.parquet", Wearing(seconds=402), lost=lost)
    assert cuts_s(made, 201.5) == pytest.approx([201.0], abs=0.01)


def test_more_channels_make_shorter_parts(tmp_path):
    channels = [replace(FIELD, name=f"field_{i}") for i in range(8)]
    rng = np.random.default_rng(1)
    counts = [2048 + rng.integers(-9, 9, 120 * HZ) for _ in channels]
    made = recording_of(tmp_path / "r.parquet", channels, counts, HZ)
    assert cuts_s(made, 120.0) == pytest.approx([60.0], abs=0.1)


# ---- what is found ---------------------------------------------------------------------------------------


def test_what_is_found_in_parts_is_what_is_found_in_the_whole(whole, in_parts):
    assert faults_in(in_parts) == faults_in(whole) == {
        "lost", "saturated", "settling", "mains", "contact_loss", "stuck",
    }  # fmt: skip
    for condition in ("lost", "saturated", "stuck"):
        assert marked_s(in_parts, condition) == marked_s(whole, condition)
    for condition in ("settling", "mains", "contact_loss"):
        for one, other in zip(marked_s(in_parts, condition), marked_s(whole, condition), strict=True):
            assert one == pytest.approx(other, abs=1.0)


@pytest.mark.parametrize(
    "measure", ["lost_fraction", "saturated_fraction", "stuck_fraction", "longest_gap_s"]
)
def test_what_is_counted_comes_out_the_same_in_parts(whole, in_parts, measure):
    """Pooled shares are sums of counts over sums of counts: arithmetic."""
    assert value_of(in_parts, measure) == pytest.approx(value_of(whole, measure), rel=1e-12)


@pytest.mark.parametrize(
    ("measure", "within"),
    [
        ("mains_rms_v", 0.05), ("noise_v", 0.05), ("movement_rms_v", 0.05), ("moving_fraction", 0.02),
        ("mains_fraction", 0.05), ("gravity_m_s2", 0.001), ("contact_loss_fraction", 0.05),
        ("mains_hz", 0.001),
    ],
)  # fmt: skip
def test_other_measures_are_near_those_of_the_whole(whole, in_parts, measure, within):
    assert value_of(in_parts, measure) == pytest.approx(value_of(whole, measure), rel=within)


def test_each_measure_and_each_line_comes_once(whole, in_parts):
    assert [(m.name, m.channel) for m in in_parts.measures] == [(m.name, m.channel) for m in whole.measures]
    keys = [(line.channel, line.nominal_hz, line.harmonic) for line in in_parts.lines]
    assert len(keys) == len(set(keys))


def test_findings_stand_at_the_seconds_of_the_session(whole, in_parts):
    for detector in ("saturation", "stuck", "mains", "contact_loss"):
        parts, of_whole = (findings_of(found, detector, "fault") for found in (in_parts, whole))
        assert len(of_whole) > 0
        for one, other in zip(parts, of_whole, strict=True):
            assert (one.start_s, one.stop_s) == pytest.approx((other.start_s, other.stop_s), abs=1.0)


def test_a_fault_across_a_cut_is_marked_without_a_seam(tmp_path):
    made = record_wearing(
        tmp_path / "r.parquet",
        replace(WEARING, seconds=240, mains_at=((80, 160, 0.1),), silent=(), spikes_s=()),
    )
    found = found_in([made], 120.0)[0]
    assert marked_s(found, "mains") == [pytest.approx((80, 160), abs=0.5)]


def test_a_gap_longer_than_is_searched_for_a_cut_is_measured_whole(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.detectors.parts.SEARCHED_S", 20.0)
    made = record_wearing(tmp_path / "r.parquet", replace(WEARING, seconds=240), lost=((100, 150),))
    found = found_in([made], 120.0)[0]
    assert value_of(found, "longest_gap_s") == pytest.approx(50.0)
    assert value_of(found, "lost_fraction") == pytest.approx(50 / 240)
    assert marked_s(found, "lost") == [(100.0, 150.0)]


def test_pauses_and_restarts_belong_to_the_part_in_which_they_are(recording):
    counted = {"breaks": ((round(400 * HZ), 12.5, "ticks"),)}
    (found,) = found_in([recording], 120.0, **counted)
    assert value_of(found, "longest_gap_s") == pytest.approx(12.5)
    told = [f for f in findings_of(found, "dropout") if "recorded nothing for 12.5 s" in f.explanation]
    assert [(f.start_s, f.stop_s) for f in told] == [(pytest.approx(387.5), pytest.approx(400.0))]


def test_an_entry_of_the_log_that_cannot_be_is_told_at_its_seconds(recording):
    log = (
        Activity(0, 20, "sorting", "rest", 0), Activity(20, 100, "carrying", "body", 0),
        Activity(140, 220, "carrying", "body", 0), Activity(260, 340, "watching kiln", "rest", 0),
        Activity(350, 700, "glazing", "hand", 0),
    )  # fmt: skip
    (found,) = found_in([recording], 120.0, log)
    told = findings_of(found, "activity_mismatch", "warning")
    assert any(f.measure == "outside_s" and f.stop_s == 700 for f in told)
    resting = [f for f in told if "'watching kiln' is rest by the log" in f.explanation]
    assert [(f.start_s, f.stop_s) for f in resting] == [
        (pytest.approx(260, abs=2), pytest.approx(340, abs=8))
    ]


@pytest.mark.parametrize("axes_s", [None, (10.0, 100.0), (150.0, 230.0), (100.0, 240.0)])
def test_recordings_of_two_rates_are_cut_at_the_same_time(tmp_path, axes_s):
    recordings = record_apart(tmp_path, replace(WEARING, seconds=240), 250.0, 31.25, axes_s=axes_s)
    whole = found_in(recordings)
    found = found_in(recordings, 120.0)
    assert [faults_in(one) for one in found] == [faults_in(one) for one in whole]
    for measure in ("lost_fraction", "longest_gap_s"):
        for one, other in zip(found, whole, strict=True):
            told = {(m.channel): m.value for m in one.measures if m.name == measure}
            assert told == {
                m.channel: pytest.approx(m.value, abs=0.001) for m in other.measures if m.name == measure
            }


# ---- how values become one -------------------------------------------------------------------------------


def united_found(found: Sequence[Detected]) -> Detected:
    """What was found in parts of 1,000 rows."""
    clock = Clock("nominal", np.array([0.0, HZ]), np.array([0.0, 1.0]), HZ, None)
    recording = Recording(Path("nowhere"), (), HZ, 0, clock, {})
    rows = [Part(((1000 * i, 1000 * (i + 1)),)) for i in range(len(found))]
    return united(rows, [(one,) for one in found], [recording], SETTINGS)[0]


def united_of(*parts: tuple[Measure, ...]) -> dict[tuple[str, str | None], Measure]:
    found = united_found([Detected((), own) for own in parts])
    return {(m.name, m.channel): m for m in found.measures}


def test_shares_are_counted_together_by_what_they_are_of():
    """Weighted mean of proportions: (0.5 * 10 + 0.1 * 90) / 100, worked by hand."""
    one, other = (Measure("low_coupling_fraction", v, "1", "f", "", n) for v, n in ((0.5, 10), (0.1, 90)))
    (measure,) = united_of((one,), (other,)).values()
    assert (measure.value, measure.out_of) == (pytest.approx(0.14), 100)


@pytest.mark.parametrize(
    ("name", "values", "expected"),
    [
        ("movement_rms_v", (3.0, 4.0), 12.5**0.5),
        ("longest_saturated_s", (0.2, 7.0, 0.1), 7.0),
        ("mains_rms_v", (1.0, 9.0, 2.0), 2.0),
        ("noise_v", (0.05, 0.0001), 0.05),
        ("log_shift_s", (0.0, -700.0), -700.0),
        ("rate_hz", (250.1, 250.1), 250.1),
    ],
)
def test_each_measure_has_its_rule(name, values, expected):
    """By hand: root of the mean square, the largest, the one in the middle, the same."""
    (measure,) = united_of(*((Measure(name, value, "V", "f"),) for value in values)).values()
    assert measure.value == pytest.approx(expected)


def test_a_part_that_knows_nothing_says_nothing_unless_all_do():
    unknown, known = Measure("noise_v", None, "V", "f", "no rest"), Measure("noise_v", 0.1, "V", "f")
    assert united_of((unknown,), (known,), (unknown,))["noise_v", "f"] == known
    assert united_of((unknown,), (unknown,))["noise_v", "f"].absent == "no rest"


def test_what_is_said_of_all_channels_holds_for_one_that_differs_elsewhere():
    all_of_it, own = (
        Measure("lost_fraction", 0.1, "1", None, "", 100),
        Measure("lost_fraction", 0.5, "1", "f", "", 100),
    )
    found = united_of((all_of_it,), (all_of_it, own))
    assert found["lost_fraction", None].value == pytest.approx(0.1)
    assert found["lost_fraction", "f"].value == pytest.approx(0.3)


def test_what_one_part_could_not_tell_and_another_did_is_told():
    unknown = Measure("contact_loss_fraction", None, "1", "f", "the wearer hardly moved")
    known = Measure("contact_loss_fraction", 0.2, "1", None, "", 50)
    assert united_of((unknown,), (known,)) == {("contact_loss_fraction", None): known}


def test_findings_that_say_the_same_of_neighbouring_parts_are_one():
    def note(start_s: float, stop_s: float, text: str = "mains_hz is wrong") -> Finding:
        return Finding("mains", "f", start_s, stop_s, "warning", "mains_hz", 60.0, 50.0, "Hz", text)

    parts = [note(0, 4), note(4, 8), note(8, 12, "another"), note(12, 16)]
    marks = {"lost": Spans(np.array([999]), np.array([1000]))}, {"lost": Spans(np.array([0]), np.array([1]))}
    found = [Detected((f,), (), mark) for f, mark in zip(parts, (*marks, {}, {}), strict=True)]
    one = united_found(found)
    assert [(f.start_s, f.stop_s) for f in one.findings] == [(0, 8), (8, 12), (12, 16)]
    assert one.marks["lost"].pairs() == [(999, 1001)]


def test_every_pause_is_kept_by_one_part():
    pauses = Paused(10, 1.0), Paused(50, 2.0), Paused(99, 3.0)
    conversion = Conversion(1, 1, 0, 0, 0, 0, 0, 1, "nominal", None, None, 250.0, breaks=pauses)
    halves = conversion.part(0, 50), conversion.part(50, 100)
    assert [half.breaks for half in halves] == [(Paused(10, 1.0),), (Paused(0, 2.0), Paused(49, 3.0))]


def test_a_session_in_parts_comes_to_the_same_verdict_and_its_page_says_so(tmp_path, monkeypatch):
    """A session of the demo, in parts of a minute."""
    study = small_study(tmp_path / "study", ("throw-02",))
    whole = finished(study, tmp_path / "whole") / "throw-02"
    monkeypatch.setattr("pipeline.steps.detect.parts_of", partial(parts_of, part_s=60.0))
    in_parts = finished(study, tmp_path / "parts") / "throw-02"
    one, other = (json.loads((folder / "quality.json").read_text()) for folder in (whole, in_parts))
    assert other["verdict"] == one["verdict"]
    assert {r["measure"] for r in other["reasons"]} == {r["measure"] for r in one["reasons"]}
    (note,) = set(other["notes"]) - set(one["notes"])
    assert note.startswith("The recording was examined in")
    page = (in_parts / "report.html").read_text()
    assert "examined in 3 parts" in page.replace("\xa0", " ")
    assert other["n_samples"] == one["n_samples"]


def test_an_uncertainty_is_that_of_the_part_whose_value_is_taken():
    parts = [
        (Measure("step_lag_s", lag, "s"), Measure("step_lag_uncertainty_s", doubt, "s"))
        for lag, doubt in ((0.0, 0.2), (0.5, 0.01))
    ]
    assert [m.value for m in united_of(*parts).values()] == [0.5, 0.01]


def test_a_gap_across_a_cut_is_that_of_its_channel_alone(tmp_path):
    channels = [FIELD, *acceleration_axes()]
    rng = np.random.default_rng(2)
    path = tmp_path / "r.parquet"
    rows = np.arange(240 * HZ)
    values = {c.name: (2048 + rng.integers(-9, 9, len(rows))) * c.scale for c in channels}
    there = np.ones((len(rows), 4), bool)
    there[100 * HZ : 170 * HZ, 2] = False
    there[20 * HZ : 25 * HZ, 1] = False
    blocks = iter([(there, {**values, "sample": rows, "time_s": rows / HZ})])
    write_samples(
        path, channels, blocks, {"sample_hz": "250.0", "clock_rows": "[0, 250]", "clock_s": "[0, 1]"}
    )
    recording = open_recording(path)
    cut = [Part(((0, 120 * HZ),)), Part(((120 * HZ, 240 * HZ),))]
    whole, in_parts = found_in([recording])[0], examine(converted([recording]), cut, SETTINGS)[0]
    for name in ("lost_fraction", "longest_gap_s"):
        one, other = ({m.channel: m.value for m in f.measures if m.name == name} for f in (whole, in_parts))
        assert other == {channel: pytest.approx(value, abs=0.01) for channel, value in one.items()}


def test_a_place_that_is_the_next_clear_one_of_two_is_one_cut(tmp_path):
    made = record_wearing(tmp_path / "r.parquet", Wearing(seconds=400), lost=((95, 290),))
    assert cuts_s(made, 100.0) == [pytest.approx(295.0, abs=0.1), pytest.approx(300.0, abs=6)]
