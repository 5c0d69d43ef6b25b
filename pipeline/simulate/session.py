"""One invented session: from what happens to the codes, and the truth about it."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.simulate.accelerometer import sense
from pipeline.simulate.body import body_v, leakage_ohm, spark_charge
from pipeline.simulate.contact import node_v, touch
from pipeline.simulate.front_end import between_rails, converted, drive, quantise
from pipeline.simulate.mains import coupling, line_v
from pipeline.simulate.movement import move
from pipeline.simulate.passing import passer_coupling, passer_v
from pipeline.simulate.scenario import LEAD_S, Scenario, Signals, Truth
from pipeline.simulate.truth import truth_of


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
    signals = signals_of(scenario, rng)
    lead = round(LEAD_S * scenario.sample_hz)
    front = scenario.amplifier
    field_v = converted(front, between_rails(front, signals.driven_v, rng), rng)[lead:]
    sampled = slice(lead * scenario.oversampling, None, scenario.oversampling)
    felt = sense(scenario.accelerometer, signals.moves.wrist[sampled], signals.moves.tilt[sampled], rng)
    axes = iter(range(3))
    columns, codes_v = [], field_v
    for channel in scenario.channels:
        signal = field_v if channel.kind == "field" else felt[:, next(axes)]
        codes = quantise(signal, channel.scale, channel.offset, channel.adc_min, channel.adc_max)
        columns.append(codes)
        if channel.kind == "field":
            codes_v = np.asarray(codes * channel.scale + channel.offset, dtype=np.float64)
    return Counts(np.stack(columns, axis=1), truth_of(scenario, signals, codes_v))


def signals_of(scenario: Scenario, rng: np.random.Generator) -> Signals:
    """Run body, contact and amplifier; the first `LEAD_S` seconds lie before the session."""
    n = round(scenario.duration_s * scenario.sample_hz)
    lead = round(LEAD_S * scenario.sample_hz)
    every = scenario.oversampling
    step_s = 1 / (scenario.sample_hz * every)
    time_s = np.arange(-lead * every, n * every, dtype=np.float64) * step_s
    moves = move(scenario.body, scenario.activities, time_s, rng)
    line = line_v(scenario.mains, time_s, rng)
    coupled = coupling(scenario.mains, time_s)
    line_induced = coupled * line
    induced = line_induced
    for passer in scenario.passers:
        farad = passer_coupling(passer, time_s)
        induced = induced + farad * passer_v(passer, time_s, rng)
        coupled = coupled + farad
    body, contact, bare_farad = scenario.body, scenario.contact, scenario.mains.electrode_farad
    soles_ohm = leakage_ohm(body, time_s)
    charge = moves.charge + spark_charge(body, time_s)
    skin = body_v(body, moves.capacitance, induced, coupled, charge, step_s, soles_ohm) * body.seen
    sits = touch(contact, time_s, rng)
    electrode = node_v(contact, sits, skin + sits.potential_v, line, bare_farad, time_s)
    # The model is linear in its sources, so that what the mains does can be had by itself.
    floating = replace(body, first_v=0.0)
    none = np.zeros(len(time_s))
    line_skin = (
        body_v(floating, moves.capacitance, line_induced, coupled, none, step_s, soles_ohm) * body.seen
    )
    line_part = node_v(contact, sits, line_skin, line, bare_farad, time_s)
    driven = drive(scenario.amplifier, electrode, step_s, every)
    return Signals(time_s, electrode, line_part, soles_ohm, sits, moves, driven)
