"""Field without acceleration and acceleration without field: planted, beside what they resemble.

Wearings are invented: the range is 0.6 V, steps at 2 Hz move the field by 50 mV, noise is 1 mV.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from make import (
    FIELD,
    SETTINGS,
    absent_of,
    acceleration_axes,
    counts_of,
    detected_in,
    evidence_of,
    findings_of,
    recording_of,
    value_of,
)
from wearing import HZ, Wearing, marked_s, put, record_wearing

from pipeline.detectors import Detected, uncorroborated
from pipeline.recording import Recording

WALKED = Wearing(walks=((60, 120),))


@pytest.fixture
def record(tmp_path: Path) -> Callable[..., Recording]:
    return partial(record_wearing, tmp_path / "r.parquet")


@pytest.fixture
def passed_by(tmp_path: Path) -> Callable[..., Detected]:
    """A passer whose field swells to `volts` in a stretch, beside hands that shake by `hands` m/s2."""

    def run(start_s: float, stop_s: float, volts: float, hands: float = 0.0, fingers_v: float = 0.0):
        t, rng = WALKED.time_s(), np.random.default_rng(8)
        near = np.clip(1 - np.abs(2 * (t - start_s) / (stop_s - start_s) - 1), 0, 1)
        busy = t < 55
        field_v = WALKED.field_v() + volts * near * np.sin(2 * np.pi * 1.9 * t)
        field_v += busy * fingers_v * np.sin(2 * np.pi * 0.9 * t) * np.sin(2 * np.pi * 0.11 * t)
        axes = [a + busy * hands / 3**0.5 * rng.standard_normal(len(t)) for a in WALKED.acceleration()]
        counts = [
            counts_of(v, channel)
            for v, channel in zip((field_v, *axes), (FIELD, *acceleration_axes()), strict=True)
        ]
        recording = recording_of(tmp_path / "p.parquet", (FIELD, *acceleration_axes()), counts, HZ)
        return uncorroborated.detect(evidence_of(recording), SETTINGS)

    return run


# ---- somebody passes ------------------------------------------------------------------------------------


@pytest.mark.parametrize("stretch", [(10, 16), (22.3, 30.1), (40, 44.5)])
@pytest.mark.parametrize("volts", [0.02, 0.1])
def test_a_passer_is_found_with_his_edges(passed_by, stretch, volts):
    detected = passed_by(*stretch, volts)
    ((start, stop),) = marked_s(detected, "uncorroborated")
    assert stretch[0] - 0.4 < start < stretch[0] + 0.25 * (stretch[1] - stretch[0])
    assert stretch[1] - 0.25 * (stretch[1] - stretch[0]) < stop < stretch[1] + 0.8
    (note,) = detected.findings
    assert note.severity == "note"
    assert note.value > note.limit
    assert (note.start_s, note.stop_s) == pytest.approx((start, stop))


def test_a_faint_passer_is_not_told_from_noise(passed_by):
    assert marked_s(passed_by(22, 30, 0.003), "uncorroborated") == []


def test_hands_at_work_hide_no_passer(passed_by):
    """Trimming shakes the wrist by 0.4 m/s2, more than stillness and less than body movement."""
    ((start, stop),) = marked_s(passed_by(22, 30, 0.05, hands=0.4), "uncorroborated")
    assert (start, stop) == pytest.approx((22, 30), abs=1.5)


def test_fingers_that_move_the_field_are_no_passer(passed_by):
    assert marked_s(passed_by(22, 30, 0.0, hands=0.4, fingers_v=0.012), "uncorroborated") == []


@pytest.mark.parametrize("stretch", [(53, 60), (54, 62)])
def test_a_passer_just_before_the_walk_ends_where_it_begins(passed_by, stretch):
    for _, stop in marked_s(passed_by(*stretch, 0.1), "uncorroborated"):
        assert stop <= 60


def test_a_walk_leaves_nothing_behind(record):
    detected = detected_in(record(Wearing(walks=((20, 50), (70, 100)))))
    assert findings_of(detected, "uncorroborated") == []


# ---- what else moves the field of a quiet wearer --------------------------------------------------------


def test_an_overload_and_what_settles_after_it_is_no_passer(record):
    detected = detected_in(record(WALKED, put(30, 31, 4095)))
    assert marked_s(detected, "uncorroborated") == []


def test_a_spark_is_no_passer(record):
    detected = detected_in(record(replace(WALKED, spikes_s=(30.0,))))
    assert marked_s(detected, "uncorroborated") == []


def test_an_electrode_that_is_off_sees_no_passer(record):
    wearing = Wearing(
        walks=((60, 120),), mains_at=((70, 110, 0.02),), silent=((70, 110),), spikes_s=(70.0, 110.0)
    )
    assert findings_of(detected_in(record(wearing)), "uncorroborated") == []


def test_lost_samples_are_no_passer(record):
    detected = detected_in(record(WALKED, lost=((20, 20.4), (30, 36))))
    assert marked_s(detected, "uncorroborated") == []


def test_without_accelerometer_nothing_can_be_borne_out(record):
    detected = detected_in(record(replace(WALKED, passers=((30, 40),)), accelerometer=False))
    for measure in ("uncorroborated_fraction", "unanswered_fraction"):
        assert value_of(detected, measure) is None
        assert "no accelerometer" in absent_of(detected, measure)


# ---- movement that the field does not answer ------------------------------------------------------------


def test_a_field_that_answers(record):
    assert value_of(detected_in(record(WALKED)), "unanswered_fraction") == pytest.approx(0, abs=0.02)


def test_silence_under_plain_mains_is_noted_as_unanswered(record):
    """Neither tied to ground nor off by two witnesses: the note says where to look."""
    detected = detected_in(record(Wearing(mains_v=0.012, silent=((70, 120),))))
    assert value_of(detected, "unanswered_fraction") == pytest.approx(0.5, abs=0.03)
    notes = [f for f in findings_of(detected, "uncorroborated", "note") if f.measure == "unanswered_fraction"]
    if not findings_of(detected, "contact_loss"):
        (note,) = notes
        assert (note.start_s, note.stop_s) == pytest.approx((70, 120), abs=1.5)
        assert note.value > note.limit


def test_what_damp_soles_explain_is_counted_and_not_noted_twice(record):
    detected = detected_in(record(Wearing(steps_v=0.0005, mains_v=0.001)))
    assert value_of(detected, "unanswered_fraction") > 0.9
    assert findings_of(detected, "uncorroborated") == []


def test_a_wearer_who_hardly_moved_needs_no_answer(record):
    detected = detected_in(record(Wearing(walks=((60, 65),))))
    assert value_of(detected, "unanswered_fraction") is None
    assert "5 measured s, 10 are needed" in absent_of(detected, "unanswered_fraction")
