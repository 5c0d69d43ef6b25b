"""What a physicist who knew all of the model would say of a session."""

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfiltfilt

from pipeline.simulate.body import Array, coupled_v, left_of_movement
from pipeline.simulate.contact import Lapse, passed
from pipeline.simulate.front_end import at_rails, drive
from pipeline.simulate.movement import moving
from pipeline.simulate.scenario import LEAD_S, Scenario, Signals, Truth
from pipeline.simulate.witness import Seen, plainness, seen_in

RAIL_SHARE = 0.004
"""A sample this near to a rail, as a share of the range, stands at it."""

RAIL_COUNTS = 2
"""The same in counts, for coarse converters."""

GRAZES = 1.1
"""Amplifiers driven less far beyond an end, the end being 1, graze it."""

WHOLLY = 0.999
"""Share of the most that an amplifier can move from sample to sample from which it does so all the way."""

MAINS_SHARE = 0.04
"""Peak of the line at the electrode, as a share of the range, above which it counts as a fault."""

BORDER = 0.8
"""Mains above this part of its limit is told as well, with a strength below 1."""

STEPS_REACH_HZ, BESIDE_HZ = 12.0, 0.5
"""A line that folds below the first lies among the parts of steps, and what stands within the second of it is
not told from it within two seconds, the shortest that matter."""

MOVEMENT_HZ = 2.0
"""Where the loss of movement is worked out: steps (MacDougall and Moore 2005: 2.00 Hz)."""

LOST_SHARE = 0.5
"""Contact or coupling that takes away more than this of the movement is lost."""

SURELY_FLOATING_OHM = 1e10
"""Soles that lead no movement away, whatever the body's capacitance."""

Mask = npt.NDArray[np.bool_]


def truth_of(scenario: Scenario, signals: Signals, codes_v: Array) -> tuple[Truth, ...]:
    """All conditions of a session in order of time, from the model's own quantities.

    ``codes_v`` is what the codes of the session say, with all noise.
    """
    found = [
        *_saturated(scenario, signals, codes_v),
        *_contact(scenario, signals, codes_v),
        *_mains(scenario, signals),
    ]
    if scenario.wears_accelerometer:
        found += [*_low_coupling(scenario, signals), *_passing(scenario), *_jumps(scenario)]
    return tuple(sorted(found, key=lambda truth: (truth.start_s, truth.condition)))


def _saturated(scenario: Scenario, signals: Signals, codes_v: Array) -> list[Truth]:
    """Where an end clips the output, or a code stands at one; strength: how far it is driven, the end 1.

    A code that stands there because of noise, even of such that comes in behind the amplifier, does so, too:
    nobody could tell it from one that the amplifier put there, in whose knee it lies.
    """
    front, hz = scenario.amplifier, scenario.sample_hz
    driven = signals.driven_v[round(LEAD_S * hz) :]
    low, high = front.ends_v
    near = max(RAIL_SHARE * front.range_v, RAIL_COUNTS * abs(front.scale_v))
    out = at_rails(driven, front.rail_low_v, front.rail_high_v, front.knee_v)
    clipped = ((driven <= low) & (out <= low + near)) | ((driven >= high) & (out >= high - near))
    coded = near + 0.5 * abs(front.scale_v)  # an end need not lie on a code
    shown = (codes_v <= low + coded) | (codes_v >= high - coded)
    from_rest = driven - front.bias_v
    over = np.maximum(from_rest / (high - front.bias_v), from_rest / (low - front.bias_v))
    found = []
    for start, stop in runs(clipped | shown):
        strength = float(over[start:stop].max())
        # What grazes an end, and no code of it stands there for the noise, makes no event and joins no two.
        if strength >= GRAZES or shown[start:stop].any():
            found.append(Truth("saturated", start / hz, stop / hz, "overload", strength))
    return found + _slewing(scenario, driven)


def _slewing(scenario: Scenario, driven: Array) -> list[Truth]:
    """Where the amplifier moves as fast as it can from one sample to the next; strength: how many such steps.

    Until it has caught up it does not say what drives it, be there a rail or not.
    """
    most, hz = scenario.amplifier.slew_v_per_s, scenario.sample_hz
    if most is None:
        return []
    ramps = np.abs(np.diff(driven)) >= WHOLLY * most / hz
    return [
        Truth("saturated", start / hz, (stop + 1) / hz, "slew", float(stop - start))
        for start, stop in runs(ramps)
    ]


def _contact(scenario: Scenario, signals: Signals, codes_v: Array) -> list[Truth]:
    """Stretches without contact; strength: how plainly they show in what was recorded."""
    if not scenario.contact.off and not scenario.contact.lapses:
        return []
    lost = 1 - passed(scenario.contact, signals.sits, MOVEMENT_HZ)
    seen = seen_in(scenario, codes_v)
    lapses = [
        Lapse(max(start_s, 0.0), min(stop_s, scenario.duration_s)) for start_s, stop_s in scenario.contact.off
    ]
    for lapse in scenario.contact.lapses:
        if lapse.kind == "drying":
            gone = (lost > LOST_SHARE) & (signals.time_s >= lapse.start_s) & (signals.time_s < lapse.stop_s)
            lapses += [
                Lapse(float(signals.time_s[start]), float(signals.time_s[stop - 1]), "drying")
                for start, stop in runs(gone)
            ]
        elif lapse.kind != "shift":
            lapses.append(lapse)
    return [_lapsed(scenario, seen, lapse) for lapse in lapses]


def _lapsed(scenario: Scenario, seen: Seen, lapse: Lapse) -> Truth:
    strength = plainness(scenario, seen, lapse)
    return Truth("contact_loss", lapse.start_s, lapse.stop_s, f"contact_{lapse.kind}", strength)


def _mains(scenario: Scenario, signals: Signals) -> list[Truth]:
    """Where line and harmonics at the electrode come near their limit; strength: peak over limit.

    Of another kind where the line folds among movement and something as large stands at its place.
    """
    limit_v = MAINS_SHARE * scenario.amplifier.range_v
    cycles = 10 if scenario.mains.nominal_hz < 55 else 12
    n = round(cycles / scenario.mains.nominal_hz * scenario.sample_hz * scenario.oversampling)
    line = np.abs(signals.line_v[signals.time_s >= 0])
    ratio = line[: len(line) // n * n].reshape(-1, n).max(axis=1) / limit_v
    window_s = n / (scenario.sample_hz * scenario.oversampling)
    stretches = [
        (start * window_s, stop * window_s, ratio[start:stop]) for start, stop in runs(ratio > BORDER)
    ]
    shows = _line_and_beside(scenario, signals) if stretches else None
    return [
        Truth(
            "mains", start_s, stop_s, _kind_of_mains(scenario, shows, start_s, stop_s), float(np.median(of))
        )
        for start_s, stop_s, of in stretches
    ]


def _line_and_beside(scenario: Scenario, signals: Signals) -> tuple[Array, Array] | None:
    """The line as recorded, and all else within `BESIDE_HZ` of where it folds to; None where none is slow."""
    hz = scenario.sample_hz
    folded_hz = abs(scenario.mains.nominal_hz - hz * round(scenario.mains.nominal_hz / hz))
    if not 2 * BESIDE_HZ < folded_hz < STEPS_REACH_HZ:
        return None
    step_s, every = 1 / (hz * scenario.oversampling), scenario.oversampling
    band = (folded_hz - BESIDE_HZ, min(folded_hz + BESIDE_HZ, 0.49 * hz))
    sections = butter(2, band, "bandpass", fs=hz, output="sos")
    line, beside = (
        sosfiltfilt(sections, drive(scenario.amplifier, part, step_s, every)[round(LEAD_S * hz) :])
        for part in (signals.line_v, signals.electrode_v - signals.line_v)
    )
    return line, beside


def _kind_of_mains(
    scenario: Scenario, shows: tuple[Array, Array] | None, start_s: float, stop_s: float
) -> str:
    if shows is None:
        return "mains"
    within = slice(int(start_s * scenario.sample_hz), max(1, round(stop_s * scenario.sample_hz)))
    line, beside = (float(np.mean(part[within] ** 2)) for part in shows)
    return "mains" if line > beside else "mains_in_steps"


def _low_coupling(scenario: Scenario, signals: Signals) -> list[Truth]:
    """Where the soles take movement away from a wearer who moves; strength: the part that they take."""
    if not scenario.body.tied and scenario.body.soles_ohm > SURELY_FLOATING_OHM:
        return []
    here = signals.time_s >= 0
    lost = 1 - left_of_movement(signals.soles_ohm, scenario.body.standing_farad, MOVEMENT_HZ)
    tied = (lost > LOST_SHARE) & moving(scenario.activities, signals.time_s)
    hz = scenario.sample_hz * scenario.oversampling
    lost, tied = lost[here], tied[here]
    return [
        Truth("low_coupling", start / hz, stop / hz, "low_coupling", float(np.median(lost[start:stop])))
        for start, stop in runs(tied)
    ]


def _passing(scenario: Scenario) -> list[Truth]:
    """Somebody passes a wearer who keeps still; strength: peak at the electrode over the range."""
    body, range_v, found = scenario.body, scenario.amplifier.range_v, []
    for passer in scenario.passers:
        half_s = passer.lasts_s / 2
        start_s, stop_s = passer.nearest_s - half_s, passer.nearest_s + half_s
        if not moving(scenario.activities, np.linspace(start_s, stop_s, 200)).any():
            skin_v = coupled_v(abs(passer.potential_v), passer.coupling_farad, body.standing_farad)
            start_s, stop_s = max(start_s, 0.0), min(stop_s, scenario.duration_s)
            found.append(Truth("uncorroborated", start_s, stop_s, "passing", skin_v * body.seen / range_v))
    return found


def _jumps(scenario: Scenario) -> list[Truth]:
    """What moves the field at once without anybody moving, until the AC coupling has forgotten it to 1 %.

    Strength: the jump at the electrode over the range.
    """
    body, contact, front = scenario.body, scenario.contact, scenario.amplifier
    shifts = [(one.start_s, "shift", one.potential_v) for one in contact.lapses if one.kind == "shift"]
    closings_s = [stop_s for _, stop_s in contact.off]
    for lapse in contact.lapses:
        if lapse.kind == "intermittent":
            closings_s.append(lapse.start_s)
        if lapse.kind != "shift":
            closings_s.append(lapse.stop_s)
    fresh = [(at_s, "fresh_contact", contact.fresh_potential_v) for at_s in closings_s]
    seen_farad = body.standing_farad / body.seen
    sparks = [(spark.at_s, "spark", spark.coulomb / seen_farad) for spark in body.sparks]
    lasts_s = np.log(100) * max(1 / (2 * np.pi * (front.ac_corner_hz or 1.0)), contact.fresh_s)
    ends_s, range_v = scenario.duration_s, front.range_v
    # As the soles grow damp the body's charge runs off, by how much depends on what came before.
    drains = [
        Truth("uncorroborated", max(tied.start_s, 0.0), min(tied.start_s + tied.edge_s, ends_s), "drain", 0.0)
        for tied in body.tied
        if -tied.edge_s < tied.start_s < ends_s
    ]
    return drains + [
        Truth("uncorroborated", at_s, min(at_s + lasts_s, ends_s), kind, abs(volts) / range_v)
        for at_s, kind, volts in (*shifts, *fresh, *sparks)
        if 0 <= at_s < ends_s
    ]


def runs(mask: Mask) -> list[tuple[int, int]]:
    """Ranges [start, stop) in which a mask is true."""
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]
