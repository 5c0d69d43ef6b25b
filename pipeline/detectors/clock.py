"""The device's clock: against the layout and against the receiver's, and where it began anew or paused.

What can be claimed depends on which clocks there are. Ticks and samples of one device share a crystal as a
rule: together they contradict a wrong rate in the layout and no more. Only the receiver's stamps, which are
of another clock, show how far the crystal itself is off.
"""

from collections.abc import Iterator, Sequence

from pipeline.detectors.crystal import largest_error_ppm
from pipeline.detectors.evidence import Conversion, Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity
from pipeline.detectors.tracks import Settings

MAX_LISTED = 200
"""Restarts, pauses and steps listed one by one; more of them say nothing new."""

_UNSURE = 3.0


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Measure the sampling rate and its error, the skew against the receiver's clock, and the jitter."""
    evidence = recordings[0]
    findings = (
        *_about_rates(evidence, settings),
        *_about_other_rates(recordings, settings),
        *_about_jitter(evidence, settings),
        *_about_residual(evidence, settings),
        *_about_restarts(evidence),
        *_about_pauses(evidence),
        *_about_steps(evidence),
    )
    return Detected(findings, _measures(evidence.conversion))


def _measures(conversion: Conversion) -> tuple[Measure, ...]:
    rate_hz = conversion.clock_rate_hz
    no_rate = "" if rate_hz else "the dump has no clock of its own; the nominal rate is taken"
    return (
        Measure("rate_hz", rate_hz or conversion.nominal_hz, "Hz"),
        Measure("rate_error_ppm", _error_ppm(conversion), "[ppm]", None, no_rate),
        Measure("clock_skew_ppm", conversion.clock_skew_ppm, "[ppm]", None, _why_no_skew(conversion)),
        Measure(
            "clock_skew_uncertainty_ppm",
            conversion.clock_skew_uncertainty_ppm,
            "[ppm]",
            None,
            _why_no_skew(conversion),
        ),
        Measure(
            "clock_jitter_s",
            conversion.clock_jitter_s,
            "s",
            None,
            "" if conversion.clock_jitter_s is not None else "the dump has no stamps of the receiver",
        ),
    )


def _why_no_skew(conversion: Conversion) -> str:
    if conversion.clock_skew_ppm is not None:
        return ""
    if conversion.clock_source == "receiver":
        return "the receiver's stamps are too few, or too uneven, to tell a rate"
    if conversion.clock_source == "ticks":
        return "ticks share the crystal of the samples and cannot show its error"
    return "the dump has no clock"


def _error_ppm(conversion: Conversion) -> float | None:
    rate_hz = conversion.clock_rate_hz
    return (rate_hz / conversion.nominal_hz - 1) * 1e6 if rate_hz else None


def _about_rates(evidence: Evidence, settings: Settings) -> Iterator[Finding]:
    """What is wrong: the rate of the samples, that of the ticks, or the crystal of both."""
    conversion, limit_ppm = evidence.conversion, settings["clock.rate_error_ppm"]
    error_ppm, skew_ppm = _error_ppm(conversion), conversion.clock_skew_ppm
    if error_ppm is None:
        return
    if conversion.clock_source == "receiver" and skew_ppm is None:
        return  # the stamps tell nothing of the rate
    doubt_ppm = _UNSURE * (conversion.clock_skew_uncertainty_ppm or 0.0)
    tick_hz = conversion.clock_tick_hz
    together = tick_hz is None or skew_ppm is None or abs(error_ppm - skew_ppm) <= limit_ppm
    if abs(error_ppm) - doubt_ppm > limit_ppm and (not together or skew_ppm is None or _is_gross(error_ppm)):
        yield _of_all(evidence, "warning", "rate_error_ppm", error_ppm, limit_ppm, _wrong_rate(conversion))
    elif skew_ppm is not None and together and abs(skew_ppm) - doubt_ppm > limit_ppm:
        yield _of_all(evidence, "warning", "clock_skew_ppm", skew_ppm, limit_ppm, _wrong_crystal(skew_ppm))
    elif skew_ppm is not None and together and abs(skew_ppm) - doubt_ppm > largest_error_ppm():
        text = (
            f"The device's clock runs {abs(skew_ppm):.0f} ppm {_pace(skew_ppm)} against the receiver's, more "
            "than published figures allow one crystal: look whether the receiver's clock is kept in time."
        )
        yield _of_all(evidence, "note", "clock_skew_ppm", skew_ppm, largest_error_ppm(), text)
    if (
        skew_ppm is not None
        and tick_hz is not None
        and not together
        and abs(skew_ppm) - doubt_ppm > limit_ppm
    ):
        stated_hz = tick_hz / (1 + skew_ppm * 1e-6)
        text = (
            f"By the receiver's stamps the device's ticks run at {tick_hz:.6g} a second, the layout says "
            f"{stated_hz:.6g}: correct tick_hz. Times are the receiver's and are not affected."
        )
        yield _of_all(evidence, "warning", "clock_skew_ppm", skew_ppm, limit_ppm, text)


def _about_other_rates(recordings: Sequence[Evidence], settings: Settings) -> Iterator[Finding]:
    """Channels that came at another rate than the layout says, where the main ones did not do the same.

    They share the crystal of the main ones, which is spoken of there; a count is right to a row or two.
    """
    main, limit_ppm = recordings[0].conversion, settings["clock.rate_error_ppm"]
    if main.clock_source == "receiver" and main.clock_skew_ppm is None:
        return  # the stamps tell nothing of the rate
    for evidence in recordings[1:]:
        error_ppm = _error_ppm(evidence.conversion)
        n_rows = evidence.conversion.n_rows_of_whole or evidence.recording.n_rows
        if error_ppm is None or not n_rows:
            continue
        beyond_ppm = limit_ppm + 2e6 / n_rows
        if min(abs(error_ppm), abs(error_ppm - (_error_ppm(main) or 0.0))) > beyond_ppm:
            names = ", ".join(channel.name for channel in evidence.recording.channels)
            text = _wrong_rate(evidence.conversion, names)
            yield _of_all(recordings[0], "warning", "rate_error_ppm", error_ppm, limit_ppm, text)


def _is_gross(error_ppm: float) -> bool:
    """Whether no oscillator is that bad: a wrong number in the layout, or samples left out all the time."""
    return abs(error_ppm) > 20_000.0


def _wrong_rate(conversion: Conversion, names: str = "") -> str:
    """What is wrong, and where to look; `names` are those of channels beside the main ones."""
    of = f" of {names}" if names else ""
    by = {"receiver": "by the receiver's stamps", "ticks": "by its ticks"}.get(conversion.clock_source, "")
    what = "sample_hz" if names or conversion.clock_source == "receiver" else "sample_hz or tick_hz"
    return (
        f"The device took {conversion.clock_rate_hz:.6g} samples{of} a second {by}, the layout says "
        f"{conversion.nominal_hz:.6g}: correct {what}, or look for lost samples that no counter shows."
    )


def _wrong_crystal(skew_ppm: float) -> str:
    return (
        f"The device's clock runs {abs(skew_ppm):.0f} ppm {_pace(skew_ppm)} against the receiver's, which no "
        "sound crystal does: look for an RC oscillator, a nominal rate that is a little off, lost samples "
        "that no counter shows, or a receiver's clock that is wrong itself."
    )


def _pace(skew_ppm: float) -> str:
    return "fast" if skew_ppm > 0 else "slow"


def _about_jitter(evidence: Evidence, settings: Settings) -> Iterator[Finding]:
    jitter_s, limit_s = evidence.conversion.clock_jitter_s, settings["clock.jitter_s"]
    if jitter_s is not None and jitter_s > limit_s:
        text = (
            f"Frames reach the receiver unevenly, by {jitter_s * 1e3:.0f} ms on average: times are by the "
            "fastest of them, but shorten the queue between receiver and recorder."
        )
        yield _of_all(evidence, "note", "clock_jitter_s", jitter_s, limit_s, text, "s")


def _about_residual(evidence: Evidence, settings: Settings) -> Iterator[Finding]:
    residual_s, limit_s = evidence.conversion.clock_residual_s, settings["clock.residual_s"]
    if evidence.conversion.clock_source == "receiver" and residual_s is not None and residual_s > limit_s:
        text = (
            f"For a minute or more no frame came within {residual_s * 1e3:.0f} ms of the clock: times may be "
            "off by as much there, as where a device warms up or cools down, or frames are held up."
        )
        yield _of_all(evidence, "note", "rate_hz", None, None, text, "Hz")


def _about_restarts(evidence: Evidence) -> Iterator[Finding]:
    for row, reason, off_s in evidence.conversion.restarts[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        if off_s is None:
            what = ": time runs on from here, but the pause before it is unknown."
        else:
            what = f" after {off_s:.1f} s in which it was off: time jumps by them."
        text = f"The device began anew ({reason}){what}"
        yield _at(max(at_s - (off_s or 0.0), 0.0), at_s, "warning", text)


def _about_pauses(evidence: Evidence) -> Iterator[Finding]:
    for row, gap_s, by in evidence.conversion.breaks[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        whose = "ticks" if by == "ticks" else "receiver's stamps"
        text = (
            f"The {whose} jump by {gap_s:.1f} s while the frame counter goes on: time jumps with them, and "
            f"no sample stands in between{'' if by == 'ticks' else ', unless that clock was set'}."
        )
        yield _at(max(at_s - gap_s, 0.0), at_s, "warning", text)


def _about_steps(evidence: Evidence) -> Iterator[Finding]:
    for row, step_s, of in evidence.conversion.steps[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        way = "forward" if step_s > 0 else "back"
        whose = "The receiver's clock was" if of == "receiver" else "The device's ticks were"
        text = f"{whose} set {way} by {abs(step_s):.1f} s here; times go on without the step."
        yield _at(at_s, at_s, "note" if of == "receiver" else "warning", text)


def _at(start_s: float, stop_s: float, severity: Severity, text: str) -> Finding:
    return Finding("clock", None, start_s, stop_s, severity, "rate_hz", None, None, "Hz", text)


def _of_all(
    evidence: Evidence,
    severity: Severity,
    measure: str,
    value: float | None,
    limit: float | None,
    text: str,
    unit: str = "[ppm]",
) -> Finding:
    return Finding("clock", None, *evidence.recording.ends_s, severity, measure, value, limit, unit, text)
