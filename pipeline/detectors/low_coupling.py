"""A wearer tied to ground: the body moves, the field hardly does, and mains is small as well."""

import numpy as np

from pipeline.detectors.coupling import LEAST_MOVING_S, Coupling, find_off, measure_coupling
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.tracks import Settings

BRIDGE_S = 3
"""Pauses in moving time that do not end a stretch."""

LEAST_FRACTION = 0.2
"""Share of the moving time from which the note is made."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of moving time in which the field hardly moves; mark it as a condition.

    Thin, damp or conductive soles tie the wearer to ground and leave almost no signal (a resistance below
    1e9 ohm discharges 150 pF within 0.15 s: ANSI/ESD S20.20 with STM97, read in secondary texts). That is
    no lost electrode, and no fault; at rest nothing can be said.
    """
    return Detected.united(
        _detect_channel(evidence, measure_coupling(evidence, track, settings), settings)
        for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, coupling: Coupling, settings: Settings) -> Detected:
    name, unit = coupling.track.channel.name, coupling.track.channel.unit
    movement = coupling.field[~np.isnan(coupling.field)]
    size = Measure(
        "movement_rms_v",
        float(np.sqrt((movement**2).mean())) if len(movement) else None,
        unit,
        name,
        "" if len(movement) else "no whole second arrived",
    )
    if coupling.moving is None:
        absent = "no accelerometer in the dump: whether the wearer moved is unknown"
        unknown = ("low_coupling_fraction", "moving_fraction")
        return Detected((), (size, *(Measure(measure, None, "1", name, absent) for measure in unknown)))
    off = np.zeros(len(coupling.field), bool)
    for stretch in find_off(coupling, settings):
        off[stretch.start : stretch.stop] = True
    moving = coupling.moving & ~off
    moving_fraction = Measure(
        "moving_fraction",
        float(coupling.moving.mean()) if len(off) else None,
        "1",
        name,
        "" if len(off) else "no whole second arrived",
    )
    if moving.sum() < LEAST_MOVING_S:
        absent = "the wearer hardly moved with the electrode on: at rest nothing can be said"
        return Detected(
            (), (size, moving_fraction, Measure("low_coupling_fraction", None, "1", name, absent))
        )
    little_mains = ~(coupling.mains > settings["low_coupling.mains_fraction"] * coupling.range)
    tied = moving & ~coupling.answers & little_mains & ~np.isnan(coupling.field)
    fraction = float(tied.sum() / moving.sum())
    measures = (size, moving_fraction, Measure("low_coupling_fraction", fraction, "1", name))
    if fraction < LEAST_FRACTION:
        return Detected((), measures)
    n_second = evidence.tracks.n_slow
    spans = Spans.of_mask(tied)
    marks = {"low_coupling": Spans(spans.start * n_second, spans.stop * n_second)}
    limit = settings["low_coupling.response_fraction"] * coupling.range
    stretches = Spans.merged(spans, bridge=BRIDGE_S)
    text = (
        f"While the wearer moves, {name} hardly does, and mains is small as well: damp, thin or conductive "
        "soles tie the wearer to ground; contact is not in doubt, but expect little "
        "signal, or try other shoes."
    )
    findings = (
        Finding(
            "low_coupling",
            name,
            evidence.at_s(int(stretches.start[0]) * n_second),
            evidence.at_s(int(stretches.stop[-1]) * n_second),
            "note",
            "movement_rms_v",
            float(np.median(coupling.field[tied])),
            limit,
            unit,
            text,
        ),
    )
    return Detected(findings, measures, marks)
