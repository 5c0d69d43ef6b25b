"""Contact, mains and movement on simulated wearings: what is told apart, and what is said where nothing can.

The model is :mod:`pipeline.simulate`, whose parts are checked against closed forms in test_simulate.py; the
confusions are facts of the trade (common practice, no source).
"""

from dataclasses import replace

import numpy as np
import pytest
from make import (
    POLICY,
    absent_of,
    acceleration_axes,
    counts_of,
    detected_in,
    findings_of,
    judged,
    n_marked,
    recording_of,
    value_of,
)

from pipeline.layouts import Channel
from pipeline.simulate import Activity, Beside, Body, Contact, Mains, Scenario, simulate

ROOM_FARAD = 1e-13
WORK = (("rest", 20), ("hand", 40), ("arm", 70), ("body", 110), ("rest", 120))
NAMES = {"rest": "sitting at the wheel", "hand": "trimming", "arm": "wedging", "body": "carrying boards"}


def field(sample_hz: float) -> Channel:
    return Channel(
        "field", "field", "V", 3.0 / 4096 / 5, -0.3, sample_hz, 0, 4095,
        amplifier_low=-0.28, amplifier_high=0.28, ac_corner_hz=0.16, lowpass_hz=40.0,
    )  # fmt: skip


@pytest.fixture
def wear(tmp_path):
    """Simulate a wearing, and give what is detected in it with the recording."""

    def run(sample_hz=250.0, work=WORK, seed=1, mains_hz=50, accelerometer=True, loss=0.0, **scenario):
        channels = (field(sample_hz), *acceleration_axes(sample_hz))
        starts = [0, *(stop for _, stop in work)]
        activities = tuple(
            Activity(start, stop, NAMES[kind], kind, 1.05 if kind == "arm" else 1.9, 1.0)
            for start, (kind, stop) in zip(starts, work, strict=False)
        )
        made = Scenario(
            duration_s=work[-1][1], sample_hz=sample_hz, channels=channels, activities=activities, **scenario
        )
        counts = simulate(made, np.random.default_rng(seed)).counts
        present = np.repeat(np.random.default_rng(seed + 7).random(len(counts) // 10 + 1) >= loss, 10)
        used = channels if accelerometer else channels[:1]
        columns = [counts[:, i] for i in range(len(used))]
        recording = recording_of(tmp_path / "r.parquet", used, columns, sample_hz, present[: len(counts)])
        return detected_in(recording, mains_hz), recording

    return run


def off_s(detected, recording) -> list[tuple[float, float]]:
    spans = detected.marks.get("contact_loss")
    hz = recording.sample_hz
    return [] if spans is None else [(a / hz, b / hz) for a, b in zip(spans.start, spans.stop, strict=True)]


@pytest.mark.parametrize("stretch", [(72, 108), (42, 68), (0, 60)])
@pytest.mark.parametrize("times", [0.2, 4, 10])
def test_a_lamp_switched_at_any_activity_is_no_lost_contact(wear, stretch, times):
    """Wedging moves the field far less than walking: a smaller answer beside more mains is no silence."""
    mains = Mains(coupling_farad=ROOM_FARAD, beside=(Beside(*stretch, times * ROOM_FARAD),))
    detected, recording = wear(mains=mains)
    assert off_s(detected, recording) == []
    assert value_of(detected, "contact_loss_fraction") == 0.0


@pytest.mark.parametrize("stretch", [(75, 105), (45, 65), (0, 80), (80, 120), (72, 78)])
@pytest.mark.parametrize("seed", [1, 2])
def test_an_electrode_off_is_found_where_it_was_off(wear, stretch, seed):
    detected, recording = wear(seed=seed, contact=Contact(off=(stretch,)))
    ((start, stop),) = off_s(detected, recording)
    assert (start, stop) == pytest.approx(stretch, abs=2.0)


@pytest.mark.parametrize(
    "mains",
    [
        Mains(coupling_farad=5e-13),
        Mains(coupling_farad=1e-14),
        Mains(coupling_farad=1e-14, electrode_farad=1e-17),
    ],
    ids=["strong", "weak", "none"],
)
def test_an_electrode_off_is_found_in_any_mains(wear, mains):
    """Where mains hardly changes, silence and the transient tell."""
    detected, recording = wear(mains=mains, contact=Contact(off=((75, 105),)))
    ((start, stop),) = off_s(detected, recording)
    assert (start, stop) == pytest.approx((75, 105), abs=7.0)


def test_an_electrode_never_on_is_off_throughout(wear):
    detected, recording = wear(contact=Contact(off=((0, 120),)))
    assert off_s(detected, recording) == [pytest.approx((0, 120))]


def test_never_on_and_tied_to_ground_look_alike_without_mains(wear):
    """Nothing tells them apart then: no claim of contact, and a note that says so."""
    detected, recording = wear(
        mains=Mains(coupling_farad=1e-15, electrode_farad=1e-17), contact=Contact(off=((0, 120),))
    )
    assert value_of(detected, "contact_loss_fraction") is None
    assert "never on the skin" in absent_of(detected, "contact_loss_fraction")
    assert [f for f in findings_of(detected, "low_coupling") if "never touched" in f.explanation]
    assert "contact_loss_fraction" in judged(detected, recording).not_assessed


@pytest.mark.parametrize("coupling_farad", [ROOM_FARAD, 5e-13])
def test_a_wearer_tied_to_ground_is_accepted_with_a_note(wear, coupling_farad):
    detected, recording = wear(body=Body(soles_ohm=1e6), mains=Mains(coupling_farad=coupling_farad))
    assert off_s(detected, recording) == []
    assert n_marked(detected, "low_coupling") > 0
    assert judged(detected, recording, POLICY).name == "accept"


@pytest.mark.parametrize("kind", ["rest", "hand"])
def test_without_movement_contact_is_not_claimed(wear, kind):
    detected, _ = wear(work=((kind, 120),))
    assert value_of(detected, "contact_loss_fraction") is None
    assert "hardly moved" in absent_of(detected, "contact_loss_fraction")


def test_without_accelerometer_contact_is_not_claimed(wear):
    detected, _ = wear(accelerometer=False)
    assert value_of(detected, "contact_loss_fraction") is None
    assert "no accelerometer" in absent_of(detected, "contact_loss_fraction")


@pytest.mark.parametrize(
    "given", [{"accelerometer": False}, {"work": (("rest", 120),)}], ids=["alone", "rest"]
)
def test_more_mains_behind_a_transient_is_an_electrode_off_even_so(wear, given):
    detected, recording = wear(contact=Contact(off=((60, 100),)), **given)
    assert off_s(detected, recording) == [pytest.approx((60, 100), abs=2.0)]


def test_losses_hide_neither_contact_nor_its_loss(wear):
    clean, recording = wear(loss=0.05)
    assert off_s(clean, recording) == []
    assert value_of(clean, "moving_fraction") == pytest.approx(
        value_of(wear()[0], "moving_fraction"), abs=0.05
    )
    lossy, recording = wear(loss=0.05, contact=Contact(off=((60, 110),)))
    assert off_s(lossy, recording) == [pytest.approx((60, 110), abs=2.0)]


def test_where_losses_hide_contact_it_is_not_claimed(wear):
    detected, _ = wear(loss=0.3, contact=Contact(off=((60, 110),)))
    assert value_of(detected, "contact_loss_fraction") is None
    assert "lost" in absent_of(detected, "contact_loss_fraction")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_steady_steps_are_no_mains_of_the_other_grid(wear, seed):
    """At 64 Hz, 60 Hz folds to 4 Hz, where the second harmonic of 1.9 steps a second lies."""
    detected, recording = wear(64.0, seed=seed)
    assert value_of(detected, "mains_hz") == pytest.approx(50.0, abs=0.05)
    assert findings_of(detected, "mains") == []
    assert judged(detected, recording).name == "accept"


def test_mains_among_movement_is_found_in_stillness(wear):
    detected, _ = wear(64.0, mains_hz=60, mains=Mains(nominal_hz=60.0))
    assert value_of(detected, "mains_hz") == pytest.approx(60.0, abs=0.05)
    assert "4 Hz" in absent_of(detected, "contact_loss_fraction")


def test_mains_among_movement_is_not_assessed_without_stillness(wear):
    detected, recording = wear(64.0, mains_hz=60, work=(("body", 120),), mains=Mains(nominal_hz=60.0))
    assert value_of(detected, "mains_rms_v") is None
    assert "never still" in absent_of(detected, "mains_rms_v")
    assert judged(detected, recording).name == "accept"


def test_mains_is_measured_at_the_electrode(tmp_path):
    """The low-pass before the converter is undone: 40 Hz leaves 0.62 of 50 Hz, 1 / sqrt(1 + (50 / 40)^2)."""
    channel = replace(field(250.0), ac_corner_hz=None)
    wave = 0.01 * np.sin(2 * np.pi * 50 * np.arange(60 * 250) / 250)
    recording = recording_of(tmp_path / "r.parquet", [channel], [counts_of(wave, channel)], 250.0)
    detected = detected_in(recording)
    assert value_of(detected, "mains_peak_v") == pytest.approx(0.01 * np.hypot(1, 50 / 40), rel=0.02)


def test_codes_beyond_the_stated_range_accuse_the_layout(tmp_path):
    """Twelve unsigned bits described as signed: no sample is called saturated for it."""
    channel = replace(
        field(250.0), adc_min=-2048, adc_max=2047, offset=0.0, amplifier_low=None, amplifier_high=None
    )
    codes = 2048 + np.rint(300 * np.sin(np.arange(60 * 250) / 50)).astype(np.int64)
    detected = detected_in(recording_of(tmp_path / "r.parquet", [channel], [codes], 250.0))
    assert n_marked(detected, "saturated") == 0
    assert value_of(detected, "saturated_fraction") is None
    assert [f.severity for f in findings_of(detected, "saturation")] == ["warning"]
