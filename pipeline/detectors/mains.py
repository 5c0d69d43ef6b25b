"""Mains: the line and its harmonics, where they fold to, how large they are, and when they are too large."""

import numpy as np

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.lines import Line
from pipeline.detectors.tracks import FieldTrack, Settings


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure mains in every window of 10 or 12 cycles and mark windows above the limit.

    Amplitude is that of line and harmonics together at the electrode, as recorded (the low-pass is not
    undone). At a sampling rate where the line cannot be told from 0 Hz, from half the rate or from
    another line, no amplitude is claimed and no sample is marked. Source of the window: IEC 61000-4-30
    (read in a meter's manual).
    """
    parts = [_detect_channel(evidence, track, settings) for track in evidence.tracks.field.values()]
    return Detected(
        tuple(finding for part in parts for finding in part.findings),
        tuple(measure for part in parts for measure in part.measures),
        {"mains": Spans.merged(*(part.marks["mains"] for part in parts if "mains" in part.marks))},
        tuple(line for part in parts for line in part.lines),
    )


def _detect_channel(evidence: Evidence, track: FieldTrack, settings: Settings) -> Detected:
    channel = track.channel
    own, other = track.lines, track.other_lines
    if not own[0].assessable:
        return _not_assessable(evidence, track)
    found = [line for line in own if line.rms is not None]
    intruder = _intruder(own, other)
    limit = settings["mains.limit_fraction"] * (channel.adc_high - channel.adc_low)
    measured = track.mains_peak[~np.isnan(track.mains_peak)]
    above = np.nan_to_num(track.mains_peak, nan=0.0) > limit
    spans = _window_spans(above, evidence.tracks.n_fast)
    peak = float(np.percentile(measured, 95)) if len(measured) else None
    rms = float(np.median(measured)) / np.sqrt(2) if len(measured) else None
    movement = _overall_rms(track)
    absent = "" if len(measured) else "no window of 10 or 12 cycles arrived whole"
    name = channel.name
    strongest = max(found + intruder, key=lambda line: line.rms or 0.0, default=None)
    hz = strongest.found_hz / strongest.harmonic if strongest and strongest.found_hz else None
    ratio = rms / movement if rms is not None and movement else None
    measures = (
        Measure(
            "mains_fraction", float(above.sum() / len(measured)) if len(measured) else None, "1", name, absent
        ),
        Measure("mains_rms_v", rms, channel.unit, name, absent),
        Measure("mains_peak_v", peak, channel.unit, name, absent),
        Measure("mains_hz", hz, "Hz", name, "" if hz else "no line stands above the spectrum beside it"),
        Measure(
            "mains_to_movement", ratio, "1", name, "" if ratio is not None else absent or "no movement band"
        ),
    )
    findings = (*_too_strong(evidence, track, spans, limit), *_other_grid(evidence, track, intruder))
    return Detected(findings, measures, {"mains": spans}, (*own, *intruder))


def _intruder(own: tuple[Line, ...], other: tuple[Line, ...]) -> list[Line]:
    """Lines of the other nominal frequency, where its fundamental stands there and ours is weaker."""
    first = other[0]
    if first.rms is None or not first.assessable or (own[0].rms or 0.0) >= first.rms:
        return []
    return [line for line in other if line.rms is not None]


def _overall_rms(track: FieldTrack) -> float | None:
    bands = track.movement_rms[~np.isnan(track.movement_rms)]
    return float(np.sqrt((bands**2).mean())) if len(bands) else None


def _window_spans(windows: np.ndarray, n_window: int) -> Spans:
    """Windows as sample spans."""
    spans = Spans.of_mask(windows)
    return Spans(spans.start * n_window, spans.stop * n_window)


def _not_assessable(evidence: Evidence, track: FieldTrack) -> Detected:
    why = track.lines[0].why
    name, unit = track.channel.name, track.channel.unit
    finding = Finding(
        "mains",
        name,
        0.0,
        evidence.recording.duration_s,
        "note",
        "mains_rms_v",
        None,
        None,
        unit,
        f"Mains is not assessable: {why}; record at another rate, such as 250 Hz, to see it.",
    )
    units = {
        "mains_fraction": "1",
        "mains_rms_v": unit,
        "mains_peak_v": unit,
        "mains_hz": "Hz",
        "mains_to_movement": "1",
    }
    measures = tuple(
        Measure(measure, None, units[measure], name, f"not assessable: {why}") for measure in units
    )
    return Detected((finding,), measures, {}, track.lines)


def _too_strong(evidence: Evidence, track: FieldTrack, spans: Spans, limit: float) -> tuple[Finding, ...]:
    """One finding for each stretch of windows above the limit that lie less than two seconds apart."""
    findings = []
    stretches = Spans.merged(spans, bridge=int(2 * evidence.recording.sample_hz))
    for start, stop in zip(stretches.start.tolist(), stretches.stop.tolist(), strict=True):
        n_fast = evidence.tracks.n_fast
        peak = float(np.nanmax(track.mains_peak[start // n_fast : stop // n_fast]))
        findings.append(
            Finding(
                "mains",
                track.channel.name,
                evidence.at_s(start),
                evidence.at_s(stop),
                "fault",
                "mains_peak_v",
                peak,
                limit,
                track.channel.unit,
                "Mains at the electrode exceeds its limit: move away from powered equipment, or "
                "check the strap's shield.",
            )
        )
    return tuple(findings)


def _other_grid(evidence: Evidence, track: FieldTrack, intruder: list[Line]) -> tuple[Finding, ...]:
    if not intruder or intruder[0].found_hz is None:
        return ()
    first = intruder[0]
    text = (
        f"A line of {first.nominal_hz:g} Hz mains was found at {first.found_hz:.2f} Hz, though the study "
        f"states {evidence.mains_hz:g} Hz: correct mains_hz in study.toml."
    )
    return (
        Finding(
            "mains",
            track.channel.name,
            0.0,
            evidence.recording.duration_s,
            "warning",
            "mains_hz",
            first.found_hz,
            evidence.mains_hz,
            "Hz",
            text,
        ),
    )
