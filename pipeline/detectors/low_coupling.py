"""A wearer tied to ground: the body moves, the field hardly does, and mains is small as well."""

import numpy as np

from pipeline.detectors.coupling import LEAST_MOVING_S, MOSTLY, Coupling, Seconds
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.tracks import Settings

BRIDGE_S = 3
"""Pauses in moving time that do not end a stretch."""

LEAST_STEPPING_S = 3
"""Seconds of steps in a stretch that must be heard to hardly move the field."""

LESS_OCTAVES = -1.5
"""Movement that shows by about a third of what like movement does elsewhere."""

LEAST_FRACTION = 0.2
"""Share of the moving time from which the note is made."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of moving time in which the field hardly moves; mark it as a condition.

    Thin, damp or conductive soles tie the wearer to ground and leave almost no signal (a resistance below
    1e9 ohm discharges 150 pF within 0.15 s: ANSI/ESD S20.20 with STM97, read in secondary texts). That is
    no lost electrode, and no fault; at rest nothing can be said.
    """
    return Detected.united(
        _detect_channel(evidence, evidence.coupling(track, settings), settings)
        for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, coupling: Coupling, settings: Settings) -> Detected:
    name = coupling.track.channel.name
    size = _movement_size(coupling)
    if coupling.moving is None:
        absent = "no accelerometer in the dump: whether the wearer moved is unknown"
        unknown = ("low_coupling_fraction", "moving_fraction")
        return Detected((), (size, *(Measure(measure, None, "1", name, absent) for measure in unknown)))
    moving_fraction = _moving_fraction(evidence, coupling)
    moving = coupling.moving & ~coupling.off_seconds & ~np.isnan(coupling.field)
    if moving.sum() < LEAST_MOVING_S:
        absent = "the wearer hardly moved with the electrode on: at rest nothing can be said"
        return Detected(
            (), (size, moving_fraction, Measure("low_coupling_fraction", None, "1", name, absent))
        )
    little_mains = ~(coupling.mains > settings["low_coupling.mains_fraction"] * coupling.range)
    tied = _borne_out(coupling, moving & ~coupling.answers & little_mains)
    n_moving = int(moving.sum())
    fraction = float(tied.sum() / n_moving)
    of_it = Measure("low_coupling_fraction", fraction, "1", name, out_of=n_moving)
    measures = (size, moving_fraction, of_it)
    if fraction < LEAST_FRACTION:
        return Detected((), measures)
    marks = {"low_coupling": Spans.of_mask(tied).stretched(evidence.tracks.n_slow)}
    return Detected((_finding(evidence, coupling, tied, settings),), measures, marks)


def _borne_out(coupling: Coupling, tied: Seconds) -> Seconds:
    """Of such seconds those in stretches in which more than a small answer tells of ground.

    Strokes of an arm may move the field little on any soles, steps do not (common practice, no source): there
    must be steps that hardly move it, too, or it must move far less than by like movement elsewhere. A
    stretch that has neither goes with what steps say in all of the recording.
    """
    stretches = Spans.merged(Spans.of_mask(tied), bridge=BRIDGE_S)
    heard = coupling.stepping & ~np.isnan(coupling.field) & ~coupling.off_seconds
    everywhere = heard.sum() >= LEAST_STEPPING_S and bool(tied[heard].mean() >= MOSTLY)
    kept = np.zeros_like(tied)
    for start, stop in zip(stretches.start.tolist(), stretches.stop.tolist(), strict=True):
        steps, shows = heard[start:stop], coupling.silence[start:stop]
        shows = shows[~np.isnan(shows)]
        known = steps.sum() >= LEAST_STEPPING_S
        by_steps = tied[start:stop][steps].mean() >= MOSTLY if known else everywhere
        by_less = len(shows) >= LEAST_STEPPING_S and np.median(shows) < LESS_OCTAVES
        kept[start:stop] = by_steps or by_less
    return np.asarray(tied & kept)


def _movement_size(coupling: Coupling) -> Measure:
    """Rms of the movement band while the electrode is on."""
    on = coupling.field[~np.isnan(coupling.field) & ~coupling.off_seconds]
    channel = coupling.track.channel
    value = float(np.sqrt((on**2).mean())) if len(on) else None
    absent = "" if len(on) else "no second with the electrode on could be measured"
    return Measure("movement_rms_v", value, channel.unit, channel.name, absent, len(on))


def _moving_fraction(evidence: Evidence, coupling: Coupling) -> Measure:
    acceleration, name = evidence.tracks.acceleration_rms, coupling.track.channel.name
    known = ~np.isnan(acceleration[: len(coupling.field)]) if acceleration is not None else np.empty(0, bool)
    if coupling.moving is None or not known.any():
        return Measure("moving_fraction", None, "1", name, "no second of acceleration could be measured")
    share = float(coupling.moving[known].mean())
    return Measure("moving_fraction", share, "1", name, out_of=int(known.sum()))


def _finding(evidence: Evidence, coupling: Coupling, tied: np.ndarray, settings: Settings) -> Finding:
    channel, n_second = coupling.track.channel, evidence.tracks.n_slow
    stretches = Spans.merged(Spans.of_mask(tied), bridge=BRIDGE_S)
    text = (
        f"While the wearer moves, {channel.name} hardly does, and mains is small as well: damp, thin or "
        "conductive soles tie the wearer to ground; "
    )
    text += (
        "contact is not in doubt, but expect little signal, or try other shoes."
        if coupling.is_proven
        else "or the electrode never touched the skin, which nothing here can tell: check strap and shoes."
    )
    return Finding(
        "low_coupling",
        channel.name,
        evidence.at_s(int(stretches.start[0]) * n_second),
        evidence.at_s(int(stretches.stop[-1]) * n_second),
        "note",
        "movement_rms_v",
        float(np.median(coupling.field[tied])),
        settings["low_coupling.response_fraction"] * coupling.range,
        channel.unit,
        text,
    )
