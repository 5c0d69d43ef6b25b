"""One invented session: from what happens to the codes, and the truth about it."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.simulate.accelerometer import Accelerometer, sense
from pipeline.simulate.body import Array, Body, body_v
from pipeline.simulate.contact import Contact, electrode_v
from pipeline.simulate.front_end import FrontEnd, amplify, quantise
from pipeline.simulate.mains import Beside, Mains, coupling, line_v, peak_at_electrode_v
from pipeline.simulate.movement import Activity, move, moving
from pipeline.simulate.passing import Passer, passer_coupling, passer_v

OVERSAMPLING = 8
"""Steps of the model for each sample."""

LEAD_S = 8.0
"""The model runs for so long before the first sample, so that filters and charges have settled."""

RAIL_SHARE = 0.004
"""A sample this near to a rail, as a share of the range, stands at it."""

MAINS_SHARE = 0.04
"""Peak of the line at the electrode, as a share of the range, above which it counts as a fault."""


@dataclass(frozen=True)
class Scenario:
    """What happens in a session. ``channels`` in the order of the samples: one field, three accelerations."""

    duration_s: float
    sample_hz: float
    channels: tuple[Channel, ...]
    activities: tuple[Activity, ...] = ()
    body: Body = field(default_factory=Body)
    mains: Mains = field(default_factory=Mains)
    contact: Contact = field(default_factory=Contact)
    accelerometer: Accelerometer = field(default_factory=Accelerometer)
    passers: tuple[Passer, ...] = ()
    noise_v: float = 0.3e-3


@dataclass(frozen=True)
class Truth:
    """A stretch of a session and the condition that it is in, by its name in the quality column."""

    condition: str
    start_s: float
    stop_s: float


@dataclass(frozen=True)
class Counts:
    """Codes of shape (n, channels), and what is true of them."""

    counts: npt.NDArray[np.int64]
    truth: tuple[Truth, ...]


def simulate(scenario: Scenario, rng: np.random.Generator) -> Counts:
    """Run the model.

    Parameters
    ----------
    scenario : Scenario
        What happens. Needs one channel of kind 'field' and three of kind 'acceleration'.
    rng : Generator
        The same state gives the same codes.

    Raises
    ------
    ValueError
        For other channels.
    """
    kinds = sorted(channel.kind for channel in scenario.channels)
    if kinds != ["acceleration"] * 3 + ["field"]:
        raise ValueError(f"the model has one field and three acceleration channels, not {kinds}")
    n = round(scenario.duration_s * scenario.sample_hz)
    lead = round(LEAD_S * scenario.sample_hz)
    step_s = 1 / (scenario.sample_hz * OVERSAMPLING)
    time_s = np.arange(-lead * OVERSAMPLING, n * OVERSAMPLING, dtype=np.float64) * step_s
    moves = move(scenario.body, scenario.activities, time_s, rng)
    electrode = _electrode(scenario, moves.capacitance, moves.charge, time_s, step_s, rng)
    field_channel = next(channel for channel in scenario.channels if channel.kind == "field")
    front = FrontEnd.of_channel(field_channel, scenario.noise_v)
    field_v = amplify(front, electrode, step_s, OVERSAMPLING, rng)[lead:]
    sampled = slice(lead * OVERSAMPLING, None, OVERSAMPLING)
    felt = sense(scenario.accelerometer, moves.wrist[sampled], moves.tilt[sampled], rng)
    axes = iter(range(3))
    columns = []
    for channel in scenario.channels:
        signal = field_v if channel.kind == "field" else felt[:, next(axes)]
        columns.append(quantise(signal, channel.scale, channel.offset, channel.adc_min, channel.adc_max))
    return Counts(np.stack(columns, axis=1), _truth(scenario, front, field_v, time_s[sampled]))


def _electrode(
    scenario: Scenario,
    capacitance: Array,
    charge: Array,
    time_s: Array,
    step_s: float,
    rng: np.random.Generator,
) -> Array:
    """Electrode against sensor ground."""
    line = line_v(scenario.mains, time_s, rng)
    coupled = coupling(scenario.mains, time_s)
    induced = coupled * line
    for passer in scenario.passers:
        farad = passer_coupling(passer, time_s)
        induced = induced + farad * passer_v(passer, time_s, rng)
        coupled = coupled + farad
    skin = body_v(scenario.body, capacitance, induced, coupled, charge, step_s) * scenario.body.seen
    return electrode_v(scenario.contact, skin, line, scenario.mains.electrode_farad, time_s, rng)


def _truth(scenario: Scenario, front: FrontEnd, field_v: Array, time_s: Array) -> tuple[Truth, ...]:
    near = RAIL_SHARE * front.range_v
    railed = (field_v <= front.rail_low_v + near) | (field_v >= front.rail_high_v - near)
    found = [Truth("saturated", start, stop) for start, stop in _runs(railed, scenario.sample_hz)]
    found += [_within(scenario, "contact_loss", *stretch) for stretch in scenario.contact.off]
    limit_v = MAINS_SHARE * front.range_v
    couplings = [Beside(0.0, scenario.duration_s, scenario.mains.coupling_farad), *scenario.mains.beside]
    found += [
        _within(scenario, "mains", close.start_s, close.stop_s)
        for close in couplings
        if peak_at_electrode_v(scenario.mains, scenario.body, close.coupling_farad) > limit_v
    ]
    busy = moving(scenario.activities, time_s)
    if scenario.body.soles_ohm * scenario.body.standing_farad < 0.01:
        found += [Truth("low_coupling", *stretch) for stretch in _runs(busy, scenario.sample_hz)]
    for passer in scenario.passers:
        if not busy[np.abs(time_s - passer.nearest_s) < passer.lasts_s / 2].any():
            half_s = passer.lasts_s / 2
            start_s, stop_s = passer.nearest_s - half_s, passer.nearest_s + half_s
            found.append(_within(scenario, "uncorroborated", start_s, stop_s))
    return tuple(sorted(found, key=lambda truth: (truth.start_s, truth.condition)))


def _within(scenario: Scenario, condition: str, start_s: float, stop_s: float) -> Truth:
    return Truth(condition, max(start_s, 0.0), min(stop_s, scenario.duration_s))


def _runs(mask: npt.NDArray[np.bool_], sample_hz: float) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0)) / sample_hz
    return [(float(start), float(stop)) for start, stop in edges.reshape(-1, 2)]
