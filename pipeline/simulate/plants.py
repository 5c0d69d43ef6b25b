"""What is planted into a wearing, kind by kind; strengths go from invisible to plain."""

from dataclasses import replace

import numpy as np

from pipeline.simulate import beside_plants, code_faults
from pipeline.simulate.body import Spark, Tied
from pipeline.simulate.code_faults import Dumped
from pipeline.simulate.contact import Lapse, LapseKind
from pipeline.simulate.front_end import FrontEnd
from pipeline.simulate.mains import Beside
from pipeline.simulate.passing import Passer
from pipeline.simulate.scenario import Scenario, Truth
from pipeline.simulate.scene import Plant, Scene, Span, slots
from pipeline.simulate.truth import MAINS_SHARE
from pipeline.simulate.wearers import Rng, charged, coupling_for, log_uniform

# ---- nothing, or what only looks like a fault -------------------------------------------------------------


LAMPS_PER_HOUR = 12.0
"""Lamps, motors and kilns that are switched near a wearer, or passed: one in five minutes of a workshop's day
(common practice, no source). Each stays on for 5 s to a minute."""

SHIFTS_PER_HOUR = 12.0
"""An electrode under a strap slides on the skin: once in five minutes (common practice, no source)."""


def clean(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Lamps below the limit, an electrode that shifts a little; one wearer in seven sits all along.

    They come by chance, at the rates of `LAMPS_PER_HOUR` and `SHIFTS_PER_HOUR`: an alarm an hour means
    something only where innocent events are as frequent as while something is worn.
    """
    lamps = tuple(
        _lamp(base, rng, start_s, start_s + log_uniform(rng, 5.0, 60.0), log_uniform(rng, 0.05, 0.6))
        for start_s in _by_chance(rng, span, LAMPS_PER_HOUR)
    )
    shifts = tuple(
        Lapse(at_s, at_s, "shift", potential_v=float(rng.normal(0, 0.03)) * base.amplifier.range_v)
        for at_s in _by_chance(rng, span, SHIFTS_PER_HOUR)
    )
    done = base.activities
    if rng.random() < 1 / 7:
        done = tuple(one for one in done if one.intensity == "hand")
    return Scene(
        replace(
            base,
            activities=done,
            mains=replace(base.mains, beside=lamps),
            contact=replace(base.contact, lapses=(*base.contact.lapses, *shifts)),
        )
    )


def _by_chance(rng: Rng, span: Span, per_hour: float) -> list[float]:
    """Moments within `span` at which something happens that does so `per_hour` times an hour."""
    n = int(rng.poisson(per_hour * (span[1] - span[0]) / 3600))
    return sorted(rng.uniform(*span, n).tolist())


def _lamp(base: Scenario, rng: Rng, start_s: float, stop_s: float, ratio: float) -> Beside:
    """A lamp switched on, or a way past a kiln, that brings the line to `ratio` of its limit."""
    limit_v = MAINS_SHARE * base.amplifier.range_v
    edge_s = float(rng.choice([0.02, 1.0]))
    return Beside(start_s, stop_s, coupling_for(base.mains, base.body, ratio * limit_v), edge_s)


# ---- the link and the device ------------------------------------------------------------------------------


def lost(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Single frames and bursts that never arrive."""
    rows = int(rng.integers(5, 26))
    frame_s = rows / base.sample_hz
    single = slots(rng, span, frame_s, 1.0001 * frame_s, 6)
    bursts = slots(rng, span, 2 * frame_s, 15.0, 4)
    return Scene(base, lambda dumped: code_faults.lose(dumped, base.sample_hz, _apart(single + bursts), rows))


def _apart(found: list[Span]) -> list[Span]:
    """Leave out stretches that come within two seconds of an earlier one."""
    kept: list[Span] = []
    for start_s, stop_s in sorted(found):
        if not kept or start_s > kept[-1][1] + 2.0:
            kept.append((start_s, stop_s))
    return kept


def stuck(base: Scenario, rng: Rng, span: Span) -> Scene:
    """One channel, or all of them, stand still."""
    where = slots(rng, span, 0.3, 30.0, 4)
    columns = list(range(4)) if rng.random() < 0.3 else [0 if rng.random() < 0.6 else int(rng.integers(1, 4))]
    if not base.wears_accelerometer:
        columns = [0]
    equal = _equal_at_rest(base, columns)
    return Scene(base, lambda dumped: code_faults.stick(dumped, base.sample_hz, where, columns, equal))


def _equal_at_rest(base: Scenario, columns: list[int]) -> float:
    """Share of neighbours that noise leaves equal in all of `columns`; 0 where the field is none of them."""
    if 0 not in columns:
        return 0.0
    front, felt = base.amplifier, base.accelerometer.noise_m_s2
    noise = [float(np.hypot(front.noise_v, front.converter_noise_v)), felt, felt, felt]
    sizes = [noise[column] / abs(base.channels[column].scale) for column in columns]
    return float(np.prod([code_faults.equal_neighbours(size) for size in sizes]))


def held(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Sample and hold at a slower rate, single rows held at random, or frames sent again."""
    hz, how = base.sample_hz, int(rng.integers(3))
    rows = int(rng.integers(5, 26))
    if how == 0:
        where, every = slots(rng, span, 1.0, 30.0, 4), int(rng.integers(2, 9))
        return Scene(base, lambda dumped: code_faults.hold(dumped, hz, where, every))
    if how == 1:
        where, share = slots(rng, span, 1.0, 30.0, 4), log_uniform(rng, 0.02, 0.5)
        return Scene(base, lambda dumped: code_faults.hold_rows(dumped, hz, where, share, rng))
    where = slots(rng, span, rows / hz, 40 * rows / hz, 5)
    return Scene(base, lambda dumped: code_faults.repeat_frames(dumped, hz, where, rows))


def zero_filled(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Frames that did not arrive, filled with zero."""
    rows = int(rng.integers(5, 26))
    where = slots(rng, span, rows / base.sample_hz, 10.0, 5)
    return Scene(base, lambda dumped: code_faults.fill_with_zero(dumped, base.sample_hz, where, rows))


def isolated_codes(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Single samples at an end code in an otherwise clean recording."""
    field = base.channels[0]
    code = field.adc_max if rng.integers(2) else field.adc_min
    times_s = [start_s for start_s, _ in slots(rng, span, 1.0, 2.0, 6)]
    return Scene(base, lambda dumped: code_faults.flip_to_end(dumped, base.sample_hz, times_s, code))


# ---- overloads --------------------------------------------------------------------------------------------


def hard_rails(base: Scenario, rng: Rng, span: Span) -> Scene:
    """The converter's ends, or the amplifier's where the layout states them."""
    return Scene(_overdriven(base, rng, span))


def soft_rails(base: Scenario, rng: Rng, span: Span) -> Scene:
    """An amplifier whose ends lie within the converter's range, which the layout does not say."""
    front = base.amplifier
    end_v = front.range_v / 2 * float(rng.uniform(0.5, 0.92))
    front = replace(front, rail_low_v=-end_v * float(rng.uniform(0.9, 1.0)), rail_high_v=end_v)
    return Scene(_overdriven(_unstated(base, front, rng), rng, span), rails="soft_rails")


def one_sided(base: Scenario, rng: Rng, span: Span) -> Scene:
    """The output rests off the middle, so that only one end comes within reach."""
    front = base.amplifier
    off_v = front.range_v / 2 * float(rng.uniform(0.35, 0.65)) * float(rng.choice([-1.0, 1.0]))
    if rng.random() < 0.5:
        return Scene(
            _overdriven(replace(base, front=replace(front, bias_v=off_v)), rng, span), rails="one_sided"
        )
    end_v = front.range_v / 2 - abs(off_v)
    ends = (-end_v, front.range_v / 2) if off_v < 0 else (-front.range_v / 2, end_v)
    front = replace(front, rail_low_v=ends[0], rail_high_v=ends[1])
    return Scene(_overdriven(_unstated(base, front, rng), rng, span), rails="one_sided")


def _unstated(base: Scenario, front: FrontEnd, rng: Rng) -> Scenario:
    """A soft amplifier of which the layout says nothing, with the converter's noise behind it."""
    field = replace(base.channels[0], amplifier_low=None, amplifier_high=None)
    front = replace(
        front,
        knee_v=base.amplifier.range_v * log_uniform(rng, 0.002, 0.02),
        converter_noise_v=base.amplifier.noise_v * log_uniform(rng, 0.1, 1.0),
    )
    return replace(base, channels=(field, *base.channels[1:]), front=front)


def _overdriven(base: Scenario, rng: Rng, span: Span) -> Scenario:
    """Movement that passes the ends, or sparks that do."""
    if rng.random() < 0.5:
        return charged(base, rng, log_uniform(rng, 0.9, 3.0))
    base = charged(base, rng, float(rng.uniform(0.35, 0.7)))
    if rng.random() < 0.3:
        slow = replace(base.amplifier, slew_v_per_s=base.amplifier.range_v * log_uniform(rng, 30, 300))
        base = replace(base, front=slow)
    body, front = base.body, base.amplifier
    end_v = min(abs(end - front.bias_v) for end in front.ends_v)
    high = front.ends_v[1] - front.bias_v < front.bias_v - front.ends_v[0]
    sparks = []
    for at_s, _ in slots(rng, span, 3.0, 5.0, 4, 8.0):
        sign = (1 if high else -1) if front.bias_v else float(rng.choice([-1.0, 1.0]))
        volts = sign * end_v * log_uniform(rng, 0.8, 6.0)
        sparks.append(Spark(at_s, volts / body.seen * body.standing_farad))
    return replace(base, body=replace(body, sparks=tuple(sparks)))


# ---- mains, contact, coupling, surroundings ---------------------------------------------------------------


def mains(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Beside a kiln."""
    near = tuple(
        _lamp(base, rng, start_s, stop_s, log_uniform(rng, 0.6, 8.0))
        for start_s, stop_s in slots(rng, span, 3.0, 60.0, 4)
    )
    return Scene(replace(base, mains=replace(base.mains, beside=near)))


def contact_open(base: Scenario, rng: Rng, span: Span) -> Scene:
    """The electrode hangs off; one strap in four is taken off before the device is switched off."""
    off = slots(rng, span, 1.0, 50.0, 3, 12.0)
    if rng.random() < 0.25 and span[1] > base.duration_s - 10.0:
        off[-1] = (off[-1][0], base.duration_s + 1.0)
    return Scene(replace(base, contact=replace(base.contact, off=tuple(off))))


def _lapses(base: Scenario, found: list[Lapse]) -> Scene:
    return Scene(replace(base, contact=replace(base.contact, lapses=(*base.contact.lapses, *found))))


def contact_intermittent(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Contact comes and goes."""
    kind: LapseKind = "intermittent"
    found = [
        Lapse(*where, kind, open_share=float(rng.uniform(0.2, 0.9)), dwell_s=log_uniform(rng, 0.1, 1.5))
        for where in slots(rng, span, 3.0, 50.0, 3, 12.0)
    ]
    return _lapses(base, found)


def contact_partial(base: Scenario, rng: Rng, span: Span) -> Scene:
    """An edge of the electrode touches, or a hair lies between."""
    kind: LapseKind = "partial"
    input_ohm = base.contact.input_ohm
    found = [
        Lapse(*where, kind, ohm=input_ohm * log_uniform(rng, 0.3, 300), farad=log_uniform(rng, 5e-14, 1e-12))
        for where in slots(rng, span, 2.0, 50.0, 3, 12.0)
    ]
    return _lapses(base, found)


def contact_drying(base: Scenario, rng: Rng, span: Span) -> Scene:
    """The skin dries out over a minute or more until hardly anything passes."""
    start_s = span[0] + float(rng.uniform(0, 0.3)) * (span[1] - span[0])
    stop_s = min(span[1], start_s + float(rng.uniform(45.0, 180.0)))
    ohm = base.contact.input_ohm * log_uniform(rng, 30.0, 3e4)
    return _lapses(base, [Lapse(start_s, stop_s, "drying", ohm=ohm, farad=log_uniform(rng, 5e-14, 5e-13))])


def low_coupling(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Damp soles or an earthed floor, for the whole session or gradually for a part of it."""
    ohms = [log_uniform(rng, 1e6, 5e6 if rng.random() < 0.6 else 1e8) for _ in range(3)]
    if rng.random() < 0.3:
        return Scene(replace(base, body=replace(base.body, soles_ohm=ohms[0])))
    tied = tuple(
        Tied(start_s, stop_s, ohms.pop(), min(float(rng.uniform(6.0, 30.0)), 0.4 * (stop_s - start_s)))
        for start_s, stop_s in slots(rng, span, 30.0, 100.0, 2)
    )
    return Scene(replace(base, body=replace(base.body, tied=tied)))


def passing(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Somebody walks past, mostly while the wearer keeps still."""
    body, range_v = base.body, base.amplifier.range_v
    passers = []
    for start_s, stop_s in slots(rng, span, 4.0, 9.0, 5):
        farad = log_uniform(rng, 1e-12, 8e-12)
        volts = range_v * log_uniform(rng, 0.005, 0.4) / body.seen * (body.standing_farad + farad) / farad
        lasts_s = stop_s - start_s
        passers.append(Passer(start_s + lasts_s / 2, volts * float(rng.choice([-1.0, 1.0])), farad, lasts_s))
    still = tuple(
        activity
        for activity in base.activities
        if activity.intensity not in ("arm", "body") or rng.random() < 0.4
    )
    base = replace(base, activities=still)
    if any(activity.intensity in ("arm", "body") for activity in still):
        base = charged(base, rng, float(rng.uniform(0.3, 0.7)))
    return Scene(replace(base, passers=tuple(passers)))


def noise(base: Scenario, rng: Rng, span: Span) -> Scene:
    """An amplifier that is noisier than its neighbours, up to a hundred times."""
    factor = log_uniform(rng, 1.0, 100.0)
    front = replace(base.amplifier, noise_v=base.amplifier.noise_v * factor)
    share = front.noise_v / front.range_v
    return Scene(
        replace(base, front=front), truth=(Truth("noise_floor", 0.0, base.duration_s, "noise", share),)
    )


def dead(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Nothing reaches the amplifier: its own noise is left."""
    front = replace(base.amplifier, dead=True)
    return Scene(replace(base, front=front), truth=(Truth("noise_floor", 0.0, base.duration_s, "dead", 1.0),))


def mixed(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Two or three kinds, each in a part of the session of its own."""
    n = int(rng.integers(2, 4))
    kinds = rng.choice(sorted(PARTS), n, replace=False)
    cut_s = np.linspace(*span, n + 1)
    scene, spoils = Scene(base), []
    for i, kind in enumerate(kinds):
        part = PARTS[str(kind)](scene.scenario, rng, (float(cut_s[i]) + 3, float(cut_s[i + 1]) - 3))
        scene = Scene(part.scenario, truth=(*scene.truth, *part.truth))
        spoils.append(part.spoil)

    def spoil(dumped: Dumped) -> Dumped:
        for one in spoils:
            dumped = one(dumped)
        return dumped

    return replace(scene, spoil=spoil)


PARTS: dict[str, Plant] = {
    "lost": lost,
    "stuck": stuck,
    "held": held,
    "zero_filled": zero_filled,
    "mains": mains,
    "contact_open": contact_open,
    "contact_intermittent": contact_intermittent,
    "contact_partial": contact_partial,
    "low_coupling": low_coupling,
}

SCENES: dict[str, Plant] = {
    "clean": clean,
    **PARTS,
    "isolated_codes": isolated_codes,
    "hard_rails": hard_rails,
    "soft_rails": soft_rails,
    "one_sided": one_sided,
    "contact_drying": contact_drying,
    "passing": passing,
    "noise": noise,
    "dead": dead,
    "axis_stuck": beside_plants.axis_stuck,
    "no_gravity": beside_plants.no_gravity,
    "gain": beside_plants.gain,
    "log_shifted": beside_plants.log_shifted,
    "log_swapped": beside_plants.log_swapped,
    "log_at_rest": beside_plants.log_at_rest,
    "mixed": mixed,
}
