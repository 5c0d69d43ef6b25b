"""Stretches in which the electrode was off the skin, told by several witnesses together."""

import math

import numpy as np

from pipeline.detectors.coupling import LEAST_MEASURED, LEAST_MOVING_S, Coupling, OffStretch
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.lines import SLOW_LINE_HZ
from pipeline.detectors.settling import settling_s
from pipeline.detectors.tracks import MOVEMENT_HZ, Settings, has_movement_band
from pipeline.detectors.weigh import Weighed

_KINDS = {
    "open": "The electrode was off the skin",
    "intermittent": "Contact of the electrode came and went",
    "partial": "The electrode touched in part",
    "drying": "Contact of the electrode was lost bit by bit, as when skin dries",
}


def kind_of(weighed: Weighed) -> str:
    """Which loss of contact the witnesses look most like: open, intermittent, partial or drying."""
    told = {name: 0.0 if math.isnan(value) else value for name, value in weighed.witnesses.items()}
    if weighed.comes_and_goes:
        return "intermittent"
    if max(told["ramp"], told["fades"]) >= 0.5 and weighed.step_in <= 0:
        return "drying"
    if 0 < weighed.silence < 1.5 and told["mains"] < 2:
        return "partial"
    return "open"


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of the recording without contact; mark it, and the settling after re-contact.

    A single witness gives no verdict: mains changes when a lamp is switched, the field is silent on damp
    soles, and a transient may be a spark (common practice, no source). See :mod:`.coupling`.
    """
    return Detected.united(
        _detect_channel(evidence, evidence.coupling(track, settings), settings)
        for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, coupling: Coupling, settings: Settings) -> Detected:
    name = coupling.track.channel.name
    stretches = coupling.off
    absent = _why_unknown(coupling, evidence.recording.sample_hz)
    if not stretches and absent:
        return Detected((), (Measure("contact_loss_fraction", None, "1", name, absent),))
    n_fast, n_rows = evidence.tracks.n_fast, evidence.recording.n_rows
    start = np.array([stretch.weighed.start * n_fast for stretch in stretches], np.int64)
    stop = np.array([_last_row(stretch, coupling, n_fast, n_rows) for stretch in stretches], np.int64)
    spans = Spans(start, stop)
    recovery_s = settling_s(coupling.track.channel, settings["saturation.settled_residue"]) or 0.0
    n_recovery = math.ceil(recovery_s * evidence.recording.sample_hz)
    settling = Spans.merged(Spans(stop, stop + n_recovery)).clipped(0, n_rows)
    findings = tuple(
        _finding(evidence, name, stretch, spans, k, settings) for k, stretch in enumerate(stretches)
    )
    return Detected(findings, (), {"contact_loss": spans, "settling": settling})


def _last_row(stretch: OffStretch, coupling: Coupling, n_fast: int, n_rows: int) -> int:
    """A stretch that reaches the last whole second reaches the end."""
    return n_rows if stretch.stop >= len(coupling.field) else min(stretch.weighed.stop * n_fast, n_rows)


def _why_unknown(coupling: Coupling, sample_hz: float) -> str:
    """Which witness is missing where nothing speaks for a lost electrode; empty where contact is proven."""
    if not has_movement_band(sample_hz):
        return f"at {sample_hz:.3g} samples a second the field cannot show movement"
    line = coupling.track.lines[0]
    if MOVEMENT_HZ[0] < line.folded_hz < SLOW_LINE_HZ:
        return f"mains folds to {line.folded_hz:.3g} Hz, where an open electrode looks like a moving wearer"
    if coupling.is_proven and coupling.measured_share >= LEAST_MEASURED:
        return ""
    if coupling.measured_share < LEAST_MEASURED:
        return "too much was lost or at the rails to tell contact from its loss"
    if coupling.moving is None:
        return "no accelerometer in the dump: only mains and transients could tell, and they show no loss"
    if int(coupling.moving.sum()) < LEAST_MOVING_S:
        return "the wearer hardly moved: contact shows only when the field answers movement"
    return "the field never answered movement, and mains is small: tied to ground, or never on the skin"


def _finding(
    evidence: Evidence, name: str, stretch: OffStretch, spans: Spans, k: int, settings: Settings
) -> Finding:
    weighed = stretch.weighed
    why = "; ".join(stretch.witnesses or weighed.reasons())
    text = f"{_KINDS[kind_of(weighed)]}: {why}"
    if missing := weighed.missing():
        text += f"; less sure than it could be, since there is {' and '.join(missing)}"
    text += ". Tighten the strap, and check the contact before the next recording."
    return Finding(
        "contact_loss",
        name,
        evidence.at_s(int(spans.start[k])),
        evidence.at_s(int(spans.stop[k])),
        "fault",
        "contact_loss_probability",
        weighed.probability,
        settings["contact_loss.least_probability"],
        "1",
        text,
    )
