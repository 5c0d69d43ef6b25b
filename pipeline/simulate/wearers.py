"""Wearers, devices and rooms by chance: everything that a real study varies, within published ranges.

| what | range | source |
|---|---|---|
| body to surroundings | 100 to 400 pF | JS-001 (100 pF); Jonassen 1998 (200 to 400 pF standing) |
| soles and floor | 1e9 to 1e12 ohm, 1e6 to 1e8 where tied | ANSI/ESD S20.20 wants 1e9; dry soles have more |
| charge of a step | by what drives the amplifier, below 4e-7 C | Jonassen: breakdown of air below a sole |
| mains to body | 0.01 to 3 pF, less where that would exceed the limit | Haberman, Cassino and Spinelli 2011 |
| line | within 0.8 % of nominal, drifting; 10 % of the voltage | EN 50160 |
| harmonics | 3rd, 5th, 7th up to 0.8 of 5, 6, 5 % | EN 50160 |
| skin | 40 kohm to 1.6 Mohm | Burke and Assambo, dry carbon |
| skin, capacitance | 5 to 200 nF | common practice, no source (a small electrode; Burke: 0.05 uF and more) |
| input | 0.5 to 10 Gohm, 2 to 10 pF | Burke and Assambo (500 Mohm); common practice, no source |
| range at the electrode | 0.1 to 1.2 V in 10 to 24 bits | common practice, no source |
| AC coupling | 0.03 to 0.5 Hz | ECG practice 0.05 to 0.67 Hz, from memory |
| noise | 1e-4 to 1.5e-3 of the range, at least kT/C of the input | common practice, no source; k: SI |
| steps | 1.95 Hz, SD 0.15, 1.5 to 2.2 | Murray 1964: 1.95 (0.19); MacDougall and Moore 2005: 2.00 (0.13) |
| strokes | 0.7 to 1.3 Hz | common practice, no source |
| accelerometer | gain 0.6 %, offset 0.1 m/s2 (deviations) | van Hees et al. 2014: 17 to 77 m[g] uncorrected |
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.layouts import Channel
from pipeline.layouts.units import STANDARD_GRAVITY, thermal_noise_v
from pipeline.simulate.accelerometer import Accelerometer
from pipeline.simulate.body import Body
from pipeline.simulate.contact import Contact
from pipeline.simulate.front_end import FrontEnd
from pipeline.simulate.mains import Mains, peak_at_electrode_v
from pipeline.simulate.movement import Activity, Intensity
from pipeline.simulate.scenario import LEAD_S, Scenario
from pipeline.simulate.session import signals_of
from pipeline.simulate.truth import MAINS_SHARE

RATES_HZ = (50.0, 64.0, 100.0, 125.0, 128.0, 200.0, 250.0, 256.0, 500.0, 1000.0)
MODEL_HZ = 2000.0
"""The model runs at least so fast, so that the seventh harmonic of 60 Hz is a wave and not a fold of it."""

SECOND_ORDER_HZ = 150.0
"""A low-pass with this corner is of second order: the layout does not say so, and hardly sees it at 60 Hz."""

TRIAL_HZ = 125.0
"""Rate of the run by which the charge of a step is chosen."""

MEAN_STEP_HZ = 1.0
"""Steps a second, rests counted in (common practice, no source)."""

NAMES: dict[Intensity, tuple[str, ...]] = {
    "rest": ("sitting at the wheel",),
    "hand": ("trimming", "glazing"),
    "arm": ("wedging",),
    "body": ("carrying boards",),
}

Rng = np.random.Generator


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """A number whose logarithm is even between those of `low` and `high`."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


@dataclass(frozen=True)
class Asked:
    """What a draw fixes; None is drawn."""

    sample_hz: float | None
    mains_hz: float | None
    bits: int | None
    duration_s: float


def wearing(rng: Rng, asked: Asked) -> tuple[Scenario, float]:
    """A scenario without any fault that matters, and the nominal frequency of its grid.

    The range at the electrode is 0.1 to 1.2 V. Movement drives the amplifier to between a seventh and a half
    of its range, by the charge of a step; the mains at the electrode stays below half of its limit.
    """
    sample_hz = asked.sample_hz or float(rng.choice(RATES_HZ))
    nominal_hz = asked.mains_hz or float(rng.choice([50.0, 60.0]))
    bits = asked.bits or int(rng.integers(10, 25))
    field_channel = field_of(rng, sample_hz, bits, nominal_hz)
    front = FrontEnd.of_channel(field_channel)
    contact, body = _contact(rng), _body(rng)
    drift_v = front.range_v * log_uniform(rng, 2e-4, 4e-3)
    body = replace(body, drift_coulomb=drift_v / body.seen * body.standing_farad)
    noise_v = max(front.range_v * log_uniform(rng, 1e-4, 1.5e-3), thermal_noise_v(contact.input_farad))
    front = replace(
        front,
        noise_v=noise_v,
        converter_noise_v=0.3 * noise_v,
        knee_v=knee_of(rng, front),
        lowpass_order=2 if field_channel.lowpass_hz == SECOND_ORDER_HZ else 1,
    )
    scenario = Scenario(
        duration_s=asked.duration_s,
        sample_hz=sample_hz,
        channels=(field_channel, *axes_of(rng, sample_hz)),
        activities=activities_of(rng, asked.duration_s),
        body=body,
        mains=_mains(rng, nominal_hz, body, front),
        contact=contact,
        accelerometer=_accelerometer(rng),
        front=front,
        oversampling=max(2, round(np.ceil(MODEL_HZ / sample_hz))),
    )
    return charged(scenario, rng, float(rng.uniform(0.3, 0.7))), nominal_hz


def field_of(rng: Rng, sample_hz: float, bits: int, nominal_hz: float) -> Channel:
    """A field channel whose layout says what its amplifier does, or leaves out its ends."""
    range_v = log_uniform(rng, 0.1, 1.2)
    scale = range_v / 2**bits
    signed = bool(rng.integers(2))
    low = -(2 ** (bits - 1)) if signed else 0
    offset = 0.0 if signed else -range_v / 2
    rail_v = range_v / 2 * float(rng.uniform(0.85, 0.98)) if rng.random() < 0.4 else None
    lowpass_hz = float(rng.choice([40.0, 80.0, SECOND_ORDER_HZ])) if rng.random() < 0.7 else None
    return Channel(
        "field", "field", "V", scale, offset, sample_hz, low, low + 2**bits - 1,
        amplifier_low=None if rail_v is None else -rail_v,
        amplifier_high=rail_v,
        ac_corner_hz=log_uniform(rng, 0.03, 0.5),
        lowpass_hz=lowpass_hz,
    )  # fmt: skip


def axes_of(rng: Rng, sample_hz: float) -> tuple[Channel, ...]:
    """Three axes of 12 to 16 bits over +-4 to +-16 g."""
    bits, most_g = int(rng.choice([12, 14, 16])), float(rng.choice([4.0, 8.0, 16.0]))
    end = 2 ** (bits - 1)
    scale = most_g * STANDARD_GRAVITY / end
    return tuple(
        Channel(f"acc_{axis}", "acceleration", "m/s2", scale, 0.0, sample_hz, -end, end - 1) for axis in "xyz"
    )


def knee_of(rng: Rng, front: FrontEnd) -> float:
    """A stated amplifier gives way a little before its ends; a converter does not."""
    stated = front.ends_v[1] < (front.code_max * front.scale_v + front.offset_v)
    return front.range_v * (log_uniform(rng, 0.002, 0.03) if stated else 1e-9)


def _body(rng: Rng) -> Body:
    """A wearer who has walked before, and so begins with a charge: the plateau is R n dq (Jonassen)."""
    soles_ohm, step_coulomb = log_uniform(rng, 1e9, 1e12), Body.step_coulomb
    return Body(
        torso_farad=float(rng.uniform(50e-12, 180e-12)),
        sole_farad=float(rng.uniform(25e-12, 100e-12)),
        raised_sole_farad=float(rng.uniform(8e-12, 20e-12)),
        soles_ohm=soles_ohm,
        step_coulomb=step_coulomb,
        first_v=soles_ohm * MEAN_STEP_HZ * step_coulomb * float(rng.uniform(0.4, 1.2)),
        strap_farad=float(rng.uniform(15e-12, 60e-12)),
        ground_farad=float(rng.uniform(0.4e-12, 2e-12)),
        posture_farad=log_uniform(rng, 1e-12, 8e-12),
    )


def _mains(rng: Rng, nominal_hz: float, body: Body, front: FrontEnd) -> Mains:
    """Off nominal by what EN 50160 allows for 99.5 % of a year, mostly by far less."""
    most_hz = 0.38 if rng.random() < 0.2 else 0.06
    mains = Mains(
        rms_v=float((230.0 if nominal_hz < 55 else 120.0) * rng.uniform(0.9, 1.1)),
        nominal_hz=nominal_hz + float(rng.uniform(-most_hz, most_hz)),
        frequency_sd_hz=log_uniform(rng, 0.003, 0.03),
        harmonics={
            order: float(rng.uniform(0.1, 0.8) * most) for order, most in ((3, 0.05), (5, 0.06), (7, 0.05))
        },
        coupling_farad=log_uniform(rng, 0.01e-12, 3e-12),
        electrode_farad=log_uniform(rng, 0.01e-15, 3e-15),
    )
    share = log_uniform(rng, 0.01, 0.5)
    within = coupling_for(mains, body, share * MAINS_SHARE * front.range_v)
    return replace(mains, coupling_farad=min(mains.coupling_farad, within))


def coupling_for(mains: Mains, body: Body, peak_v: float) -> float:
    """The coupling that brings a peak of `peak_v` to the electrode of a standing wearer."""
    most = peak_at_electrode_v(mains, body, 1.0)
    ratio = min(peak_v / most, 0.5)
    return body.standing_farad * ratio / (1 - ratio)


def _contact(rng: Rng) -> Contact:
    return Contact(
        skin_ohm=log_uniform(rng, 4e4, 1.6e6),
        skin_farad=log_uniform(rng, 5e-9, 2e-7),
        input_ohm=log_uniform(rng, 5e8, 1e10),
        input_farad=float(rng.uniform(2e-12, 10e-12)),
        gap_farad=log_uniform(rng, 0.02e-12, 0.2e-12),
        skin_potential_v=float(rng.normal(0.0, 0.05)),
        fresh_potential_v=float(rng.normal(0.0, 0.15)),
        fresh_s=log_uniform(rng, 0.5, 4.0),
    )


def _accelerometer(rng: Rng) -> Accelerometer:
    gain, offset = rng.normal(0.0, 0.006, 3), rng.normal(0.0, 0.1, 3)
    return Accelerometer(
        (float(gain[0]), float(gain[1]), float(gain[2])),
        (float(offset[0]), float(offset[1]), float(offset[2])),
        log_uniform(rng, 0.008, 0.06),
        float(rng.uniform(-0.6, 0.6)),
        float(rng.uniform(-0.6, 0.6)),
    )


def activities_of(rng: Rng, duration_s: float) -> tuple[Activity, ...]:
    """Activities in random order with rest between some; walking comes at least once where there is time."""
    found: list[Activity] = []
    wanted: list[Intensity] = ["body", "arm", "hand"]
    at_s = float(rng.uniform(8.0, 20.0))
    step_hz = float(np.clip(rng.normal(1.95, 0.15), 1.5, 2.2))
    while at_s < duration_s - 10.0:
        if not wanted:
            wanted = ["body", "arm", "hand", "body"]
        intensity = wanted.pop(int(rng.integers(len(wanted))))
        stop_s = min(at_s + float(rng.uniform(15.0, 45.0)), duration_s - 2.0)
        rate_hz = (
            step_hz * float(rng.normal(1, 0.02)) if intensity == "body" else float(rng.uniform(0.7, 1.3))
        )
        name = str(rng.choice(NAMES[intensity]))
        found.append(Activity(at_s, stop_s, name, intensity, rate_hz, float(rng.uniform(0.75, 1.4))))
        at_s = stop_s + (float(rng.uniform(5.0, 20.0)) if rng.random() < 0.6 else 0.0)
    return tuple(found)


def charged(scenario: Scenario, rng: Rng, share: float) -> Scenario:
    """Choose the charges so that movement drives the amplifier to `share` of the way to its ends.

    The model is linear in them; a trial at a low rate without mains tells the rest.
    """
    front = scenario.amplifier
    trial = replace(
        scenario,
        sample_hz=TRIAL_HZ,
        oversampling=1,
        mains=replace(scenario.mains, coupling_farad=1e-18, electrode_farad=1e-21, beside=()),
        contact=replace(scenario.contact, off=(), lapses=(), skin_potential_v=0.0),
        front=replace(front, bias_v=0.0, dead=False, lowpass_hz=None, slew_v_per_s=None),
        passers=(),
    )
    driven = signals_of(trial, np.random.default_rng(int(rng.integers(1 << 62)))).driven_v
    largest = float(np.quantile(np.abs(driven[round(LEAD_S * TRIAL_HZ) :]), 0.9995))
    least = min(abs(end - front.bias_v) for end in front.ends_v)
    factor = share * least / largest
    body = scenario.body
    body = replace(body, step_coulomb=body.step_coulomb * factor, first_v=body.first_v * factor)
    return replace(scenario, body=body)
