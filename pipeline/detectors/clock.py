"""The device's clock: its rate against the layout's, and where it began anew or paused."""

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure
from pipeline.detectors.tracks import Settings

MAX_LISTED = 200
"""Breaks listed one by one; more of them say nothing new."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the sampling rate and its error.

    A crystal stays within about 65 ppm (20 tolerance, 42 temperature from 0 to 60 C, 3 ageing:
    tuning-fork crystal data sheets); far more means another rate, an RC oscillator or lost samples.
    """
    conversion = evidence.conversion
    rate_hz = conversion.clock_rate_hz
    absent = "" if rate_hz else "the dump has no clock of its own; the nominal rate is taken"
    error_ppm = (rate_hz / conversion.nominal_hz - 1) * 1e6 if rate_hz else None
    limit_ppm = settings["clock.rate_error_ppm"]
    findings = []
    if error_ppm is not None and abs(error_ppm) > limit_ppm:
        text = (
            f"The device took {rate_hz:.6g} samples a second, the layout says {conversion.nominal_hz:.6g}: "
            "correct sample_hz or tick_hz, or look for lost samples that no counter shows."
        )
        findings.append(
            Finding(
                "clock",
                None,
                0.0,
                evidence.recording.duration_s,
                "warning",
                "rate_error_ppm",
                error_ppm,
                limit_ppm,
                "[ppm]",
                text,
            )
        )
    for row, reason, *_ in conversion.restarts:
        at_s = evidence.at_s(row)
        text = (
            f"The device began anew ({reason}): time runs on from here, but the pause before it is unknown."
        )
        findings.append(Finding("clock", None, at_s, at_s, "warning", "rate_hz", None, None, "Hz", text))
    for row, gap_s, *_ in conversion.breaks[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        text = (
            f"The ticks jump by {gap_s:.1f} s while the frame counter goes on: time jumps with them, and no "
            "sample stands in between."
        )
        findings.append(
            Finding("clock", None, max(at_s - gap_s, 0.0), at_s, "warning", "rate_hz", None, None, "Hz", text)
        )
    measures = (
        Measure("rate_hz", rate_hz or conversion.nominal_hz, "Hz"),
        Measure("rate_error_ppm", error_ppm, "[ppm]", None, absent),
    )
    return Detected(tuple(findings), measures)
