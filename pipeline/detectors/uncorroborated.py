"""Field change that the accelerometer does not bear out: somebody passing, or another limb moving."""

import numpy as np

from pipeline.detectors.coupling import Coupling
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.settling import settling_s
from pipeline.detectors.tracks import Settings

MAX_LISTED = 50
BRIDGE_S = 2
SHORTEST_S = 2


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of time in which the field moves while the wearer is still; a condition, no fault.

    The sensor sees the body's coupling to its surroundings, so a person who walks past moves it
    (common practice, no source).
    """
    return Detected.united(
        _detect_channel(evidence, evidence.coupling(track, settings), settings)
        for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, coupling: Coupling, settings: Settings) -> Detected:
    name = coupling.track.channel.name
    if coupling.still is None or not len(coupling.field):
        absent = (
            "no accelerometer in the dump to bear it out" if coupling.still is None else "no whole second"
        )
        return Detected((), (Measure("uncorroborated_fraction", None, "1", name, absent),))
    moved = np.nan_to_num(coupling.field) > settings["uncorroborated.field_fraction"] * coupling.range
    alone = moved & coupling.still & ~_disturbed(coupling, settings)
    spans = Spans.merged(Spans.of_mask(alone), bridge=BRIDGE_S)
    keep = spans.stop - spans.start >= SHORTEST_S
    spans = Spans(spans.start[keep], spans.stop[keep])
    known = int((~np.isnan(coupling.field)).sum())
    absent = "" if known else "no second of the field could be measured"
    measure = Measure(
        "uncorroborated_fraction", spans.n_samples / known if known else None, "1", name, absent
    )
    n_second = evidence.tracks.n_slow
    findings = tuple(
        Finding(
            "uncorroborated",
            name,
            evidence.at_s(start * n_second),
            evidence.at_s(stop * n_second),
            "note",
            "movement_rms_v",
            float(np.nanmax(coupling.field[start:stop])),
            settings["uncorroborated.field_fraction"] * coupling.range,
            coupling.track.channel.unit,
            "The field moved while the wrist lay still: somebody passed, or another limb moved; "
            "keep it out of rest.",
        )
        for start, stop in zip(
            spans.start.tolist()[:MAX_LISTED], spans.stop.tolist()[:MAX_LISTED], strict=True
        )
    )
    marks = {"uncorroborated": spans.stretched(n_second)}
    return Detected(findings, (measure,), marks)


def _disturbed(coupling: Coupling, settings: Settings) -> np.ndarray:
    """Seconds in which something else explains the field: electrode off, a rail, or settling after it."""
    n = len(coupling.field)
    disturbed = np.zeros(n, bool)
    recovery = int(np.ceil(settling_s(coupling.track.channel, settings["saturation.settled_residue"]) or 0.0))
    for stretch in coupling.off:
        disturbed[stretch.start : stretch.stop + recovery] = True
    for second in np.flatnonzero(coupling.transient).tolist():
        disturbed[max(0, second - 1) : second + recovery + 1] = True
    return disturbed
