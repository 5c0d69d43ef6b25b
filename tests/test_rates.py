"""A field and an accelerometer at rates of their own: what is found by each, and on one clock together."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from make import (
    FIELD,
    POLICY,
    SETTINGS,
    acceleration_axes,
    counts_of,
    evidence_together,
    findings_of,
    recording_of,
    value_of,
)
from wearing import Wearing, record_apart, record_wearing

from pipeline.detectors import Detected, on_main, run_detectors
from pipeline.layouts import Channel
from pipeline.recording import Recording, rate_suffixes
from pipeline.verdict.judge import Extent, Verdict, judge
from schemas.conditions import CONDITIONS

RATES = [(250.0, 50.0), (250.0, 31.25), (125.0, 400.0), (80.0, 100.0)]
"""Field and accelerometer, in Hz: the faster one is the main recording."""


def found_in(recordings: Sequence[Recording]) -> tuple[Detected, ...]:
    return run_detectors(evidence_together(recordings), SETTINGS)


def verdict_on(recordings: Sequence[Recording], found: Sequence[Detected]) -> Verdict:
    main = recordings[0]
    whole = on_main(found, recordings, SETTINGS)
    return judge(whole, Extent(main.n_rows, main.sample_hz, main.duration_s), POLICY)


def seconds_of(detected: Detected, recording: Recording, condition: str) -> list[tuple[float, float]]:
    spans = detected.marks[condition]
    edges = zip(spans.start.tolist(), spans.stop.tolist(), strict=True)
    return [(recording.at_s(start), recording.until_s(stop)) for start, stop in edges]


def of_field(recordings: Sequence[Recording], found: Sequence[Detected]) -> tuple[Recording, Detected]:
    return next(pair for pair in zip(recordings, found, strict=True) if pair[0].of_kind("field"))


def marked(detected: Detected) -> set[str]:
    return {c.name for c in CONDITIONS if c.name in detected.marks and detected.marks[c.name].n_samples}


@pytest.mark.parametrize(("field_hz", "axes_hz"), RATES)
def test_nothing_is_found_where_nothing_is_wrong(tmp_path, field_hz, axes_hz):
    recordings = record_apart(tmp_path, Wearing(), field_hz, axes_hz)
    found = found_in(recordings)
    assert [marked(one) for one in found] == [set(), set()]
    whole = on_main(found, recordings, SETTINGS)
    assert [f for f in whole.findings if f.severity != "note"] == []
    assert value_of(whole, "moving_fraction") == pytest.approx(100 / 120, abs=0.02)
    assert value_of(whole, "gravity_m_s2") == pytest.approx(9.80665, abs=0.02)
    assert verdict_on(recordings, found).name == "accept"


@pytest.mark.parametrize(("field_hz", "axes_hz"), RATES)
@pytest.mark.parametrize(
    ("wearing", "condition", "stretch"),
    [
        (
            Wearing(mains_at=((60, 90, 0.02),), silent=((60, 90),), spikes_s=(60.0, 90.0)),
            "contact_loss",
            (60, 90),
        ),
        (Wearing(mains_v=0.01, mains_at=((60, 90, 0.001),), silent=((60, 90),)), "low_coupling", (60, 90)),
        (Wearing(walks=((60, 120),), passers=((30, 40),)), "uncorroborated", (30, 40)),
    ],
    ids=["open electrode", "wet floor", "somebody passes"],
)
def test_what_the_accelerometer_bears_witness_to_is_found_at_any_two_rates(
    tmp_path, field_hz, axes_hz, wearing, condition, stretch
):
    recordings = record_apart(tmp_path, wearing, field_hz, axes_hz)
    recording, detected = of_field(recordings, found_in(recordings))
    assert seconds_of(detected, recording, condition) == [pytest.approx(stretch, abs=1.5)]
    assert marked(detected) <= {condition, "settling", "saturated"}


def test_marks_are_those_of_a_single_recording_where_the_field_is_the_same(tmp_path):
    wearing = Wearing(mains_at=((60, 90, 0.02),), silent=((60, 90),), spikes_s=(60.0, 90.0))
    (together,) = found_in([record_wearing(tmp_path / "r.parquet", wearing)])
    apart = found_in(record_apart(tmp_path, wearing, 250.0, 50.0))[0]
    for name in ("contact_loss", "settling", "saturated", "mains"):
        one, other = together.marks[name], apart.marks[name]
        assert np.array_equal(one.start, other.start)
        assert np.array_equal(one.stop, other.stop)


# ---- losses -----------------------------------------------------------------------------------------------


def test_what_only_the_accelerometer_lost_ends_what_can_be_used(tmp_path):
    recordings = record_apart(tmp_path, Wearing(), 250.0, 50.0, axes_lost=((40, 60),))
    found = found_in(recordings)
    assert [seconds_of(one, recording, "lost") for one, recording in zip(found, recordings, strict=True)] == [
        [],
        [pytest.approx((40, 60))],
    ]
    whole = on_main(found, recordings, SETTINGS)
    assert value_of(whole, "lost_fraction") == 0.0
    assert value_of(whole, "lost_fraction", "acc_x") == pytest.approx(20 / 120, abs=0.001)
    verdict = verdict_on(recordings, found)
    assert verdict.name == "accept_in_part"
    edges = np.stack((verdict.usable.start, verdict.usable.stop), axis=1) / 250
    assert edges.tolist() == [pytest.approx((0, 40), abs=0.02), pytest.approx((60, 120), abs=0.02)]
    assert [(reason.measure, reason.text) for reason in verdict.reasons] == [
        ("lost_fraction", "samples of acc_x, acc_y, acc_z were lost, 16.7 % (limit 5 %)"),
        ("longest_gap_s", "nothing of acc_x, acc_y, acc_z arrived for 20.0 s (limit 5 s)"),
    ]
    told = [f for f in whole.findings if f.detector == "dropout" and f.severity == "fault"]
    assert [(f.start_s, f.stop_s) for f in told] == [pytest.approx((40, 60), abs=0.02)]
    assert "acc_x, acc_y, acc_z" in told[0].explanation


def test_a_gap_of_the_field_beside_a_faster_accelerometer_is_cut_out_however_small_its_share(tmp_path):
    # 8 s of 20 min: a share that nobody minds, and a gap in which nothing of the field is known.
    wearing = Wearing(seconds=1200, walks=((20, 1200),))
    recordings = record_apart(tmp_path, wearing, 125.0, 160.0, field_lost=((600, 608),))
    whole = on_main(found_in(recordings), recordings, SETTINGS)
    assert (value_of(whole, "longest_gap_s"), value_of(whole, "longest_gap_s", "field")) == (
        0.0,
        pytest.approx(8.0, abs=0.03),
    )
    verdict = verdict_on(recordings, found_in(recordings))
    assert verdict.name == "accept_in_part"
    assert [reason.text for reason in verdict.reasons] == ["nothing of field arrived for 8.0 s (limit 5 s)"]
    edges = np.stack((verdict.usable.start, verdict.usable.stop), axis=1) / 160
    assert edges.tolist() == [pytest.approx((0, 600), abs=0.02), pytest.approx((608, 1200), abs=0.02)]


def test_seconds_and_share_of_what_was_lost_are_of_the_same_samples(tmp_path):
    gone = {"field_lost": ((40, 60),), "axes_lost": ((80, 90),)}
    recordings = record_apart(tmp_path, Wearing(), 250.0, 50.0, **gone)
    reasons = [reason.text for reason in verdict_on(recordings, found_in(recordings)).reasons]
    assert reasons[0] == "samples were lost for 20 s, 16.7 % (limit 5 %)"  # of 120 s


def test_gaps_of_some_channels_are_not_told_of_all(tmp_path):
    field, axes = Wearing().field_v(), Wearing().acceleration()
    channels = (FIELD, *acceleration_axes())
    codes = [counts_of(v, c) for v, c in zip((field, *axes), channels, strict=True)]
    present = np.ones((len(field), 4), bool)
    present[40 * 250 : 50 * 250, 1:] = False
    present[80 * 250 : 85 * 250] = False
    recordings = [recording_of(tmp_path / "r.parquet", channels, codes, 250, present)]
    (detected,) = found_in(recordings)
    gaps = findings_of(detected, "dropout", "fault")
    assert sorted((round(f.start_s), f.explanation.partition(" for ")[0]) for f in gaps) == [
        (40, "Nothing of acc_x, acc_y, acc_z arrived, while others did,"),
        (80, "Nothing arrived"),
    ]


@pytest.mark.parametrize(("on", "gone"), [((0.0, 70.0), (70, 120)), ((15.0, 120.0), (0, 15))])
def test_time_that_the_accelerometer_does_not_cover_counts_as_lost(tmp_path, on, gone):
    recordings = record_apart(tmp_path, Wearing(), 250.0, 50.0, axes_s=on)
    found = found_in(recordings)
    assert marked(found[1]) == set()  # it has no row there to mark
    whole = on_main(found, recordings, SETTINGS)
    assert seconds_of(whole, recordings[0], "lost") == [pytest.approx(gone, abs=0.03)]
    assert verdict_on(recordings, found).name == "accept_in_part"


def test_a_temperature_that_was_not_read_decides_nothing(tmp_path):
    recordings = [record_wearing(tmp_path / "r.parquet", Wearing())]
    skin = Channel("skin", "other", "Cel", 0.01, 0.0, 1.0, 0, 5000)
    present = np.ones(120, bool)
    present[30:60] = False
    recordings.append(recording_of(tmp_path / "s.parquet", [skin], [np.full(120, 3000)], 1.0, present))
    found = found_in(recordings)
    assert seconds_of(found[1], recordings[1], "lost") == [pytest.approx((30, 60))]
    whole = on_main(found, recordings, SETTINGS)
    assert [f.severity for f in whole.findings if f.detector == "dropout"] == ["note", "note"]
    assert marked(whole) == set()
    assert verdict_on(recordings, found).name == "accept"


def test_a_recording_that_begins_a_moment_later_lost_nothing(tmp_path):
    recordings = record_apart(tmp_path, Wearing(), 250.0, 50.0, axes_s=(0.4, 119.5))
    found = found_in(recordings)
    assert marked(on_main(found, recordings, SETTINGS)) == set()
    assert verdict_on(recordings, found).name == "accept"


def test_a_row_is_lost_where_any_of_its_channels_is(tmp_path):
    # Kinds of frame at one rate share rows: the axes' frames are gone for ten seconds, the field's for five.
    field, axes = Wearing().field_v(), Wearing().acceleration()
    channels = (FIELD, *acceleration_axes())
    codes = [counts_of(v, c) for v, c in zip((field, *axes), channels, strict=True)]
    present = np.ones((len(field), 4), bool)
    present[40 * 250 : 50 * 250, 1:] = False
    present[80 * 250 : 85 * 250, 0] = False
    recordings = [recording_of(tmp_path / "r.parquet", channels, codes, 250, present)]
    (detected,) = found_in(recordings)
    assert seconds_of(detected, recordings[0], "lost") == [pytest.approx((40, 50)), pytest.approx((80, 85))]
    values = {m.channel: m.value for m in detected.measures if m.name == "lost_fraction"}
    assert values == {
        None: pytest.approx(15 / 120),
        "field": pytest.approx(5 / 120),
        "acc_x": pytest.approx(10 / 120),
        "acc_y": pytest.approx(10 / 120),
        "acc_z": pytest.approx(10 / 120),
    }
    reasons = [r.text for r in verdict_on(recordings, [detected]).reasons]
    assert reasons == ["samples were lost for 15 s, 12.5 % (limit 5 %)", "longest gap 10.0 s (limit 5 s)"]


# ---- clock ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("main_hz", "axes_hz", "told"),
    [(250.0, 400.0, True), (250.0, 50.01, False), (250.05, 50.01, False), (250.0, 50.05, True)],
    ids=["another rate", "a row more", "a crystal's error", "a thousandth"],
)
def test_another_rate_than_the_layout_says_is_told_of_every_recording(tmp_path, main_hz, axes_hz, told):
    evidence = evidence_together(record_apart(tmp_path, Wearing(), 250.0, 50.0))
    evidence = [
        replace(
            one,
            conversion=replace(
                one.conversion,
                clock_source="ticks",
                clock_rate_hz=rate_hz,
                nominal_hz=one.recording.sample_hz,
            ),
        )
        for one, rate_hz in zip(evidence, (main_hz, axes_hz), strict=True)
    ]
    warned = findings_of(run_detectors(evidence, SETTINGS)[0], "clock", "warning")
    of_axes = [f.explanation for f in warned if "acc_x, acc_y, acc_z" in f.explanation]
    assert len(of_axes) == told
    if told:
        took = (
            f"took {axes_hz:.6g} samples of acc_x, acc_y, acc_z a second by its ticks, the layout says 50: "
        )
        assert took in of_axes[0]


# ---- names ------------------------------------------------------------------------------------------------


def test_files_are_told_apart_by_their_rates():
    assert rate_suffixes([250.0]) == ("",)
    assert rate_suffixes([250.0, 50.0, 31.25, 1.0]) == ("", "_50hz", "_31.25hz", "_1hz")
    # Two rates that look alike in six digits, and one rate twice (kinds of frame that do not run alike).
    assert rate_suffixes([300.0, 250.13740, 250.13742]) == ("", "_250.137hz", "_250.13742hz")
    assert rate_suffixes([250.0, 250.0, 250.0]) == ("", "_250hz", "_250-2hz")
