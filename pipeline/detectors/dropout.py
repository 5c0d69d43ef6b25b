"""Samples that never arrived: how many of how many, how often, how long."""

from collections.abc import Iterator

import numpy as np

from pipeline.detectors.evidence import Conversion, Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity, Spans, listed
from pipeline.detectors.lost import Lost, is_judged, lost_samples, not_covered, on_rows_of
from pipeline.detectors.tracks import Settings
from pipeline.recording import Recording

MAX_LISTED = 200
"""Pauses listed one by one; the rest is counted in the summary."""

ANOTHER_SHARE = 0.0005
"""Difference from which a channel of another rate lost another share than the main recording did."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure loss with its denominator (RFC 3550, 6.4.4: "1 out of 5 is not 200 out of 1000") and gaps.

    A row is lost where any of its channels is. Channels that lost another share than the rows of the main
    recording, or for longer at once, have measures of their own; gaps of a further recording are told where
    the main one goes on.
    """
    lost = lost_samples(evidence.recording)
    if evidence.main is not None:
        return _of_further(evidence, evidence.main, lost, settings)
    rows, conversion, n_all = lost.rows, evidence.conversion, max(evidence.recording.n_rows, 1)
    # What a writer filled is a gap that does not look like one.
    gaps = Spans.merged(rows, evidence.tracks.repeats.filled.spans)
    longest_s = max([_longest_s(gaps, evidence.recording), *_pauses_s(evidence, rows)])
    findings = (
        *_summary(evidence, rows, longest_s, settings),
        *_gaps_of_main(evidence, lost, settings),
        *_standstills(evidence),
        *_never_came(evidence),
    )
    fraction = rows.n_samples / evidence.recording.n_rows if evidence.recording.n_rows else None
    damaged = conversion.damaged_bytes / conversion.total_bytes if conversion.total_bytes else None
    measures = (
        Measure(
            "lost_fraction",
            fraction,
            "1",
            absent="" if fraction is not None else "no sample arrived",
            out_of=evidence.recording.n_rows,
        ),
        *(_own_share(name, spans.n_samples, evidence.recording.n_rows) for name, spans in lost.own.items()),
        *(_own_share(name, n_all, n_all) for name in conversion.nothing_of),
        Measure("longest_gap_s", longest_s, "s"),
        Measure("damaged_fraction", damaged, "1", None, "" if damaged is not None else "the dump is empty"),
    )
    return Detected(findings, measures, {"lost": rows})


def _summary(evidence: Evidence, lost: Spans, longest_s: float, settings: Settings) -> Iterator[Finding]:
    if not lost.n_samples:
        return
    recording, conversion = evidence.recording, evidence.conversion
    text = (
        f"{lost.n_samples} of {recording.n_rows} samples are missing, "
        + f"in {len(lost)} gap{'s' if len(lost) > 1 else ''}"
        + (
            f" ({conversion.n_lost_frames} of {conversion.n_expected_frames} frames)"
            if conversion.n_lost_frames
            else ""
        )
        + (
            f", beside {_in_all(conversion)} in which the device recorded nothing"
            if _pauses(conversion)
            else ""
        )
        + ": shorten the way between strap and receiver, or check the card, if this grows."
    )
    severity: Severity = "warning" if longest_s >= settings["dropout.note_gap_s"] else "note"
    share = lost.n_samples / recording.n_rows
    yield _finding(*recording.ends_s, severity, "lost_fraction", share, "1", text)


def _long_gaps(
    recording: Recording, lost: Spans, settings: Settings, what: str, severity: Severity = "fault"
) -> tuple[Finding, ...]:
    long = (lost.stop - lost.start) / recording.sample_hz >= settings["dropout.note_gap_s"]

    def said(start: int, stop: int) -> Finding:
        lasts_s = (stop - start) / recording.sample_hz
        text = (
            f"{what} for {lasts_s:.1f} s: out of the receiver's reach, or damaged frames; look where "
            "the wearer was then, or at the card."
        )
        edges_s = recording.at_s(start), recording.at_s(stop)
        return _finding(*edges_s, severity, "longest_gap_s", lasts_s, "s", text)

    return listed(lost.where(long), said)


def _gaps_of_main(evidence: Evidence, lost: Lost, settings: Settings) -> Iterator[Finding]:
    names = ", ".join(channel.name for channel in evidence.recording.channels)
    for which, spans in _told_apart(lost, evidence.recording):
        what = f"Nothing of {which} arrived"
        if which != names:
            what += ", while others did,"
        elif evidence.is_only:
            what = "Nothing arrived"
        yield from _long_gaps(evidence.recording, spans, settings, what)


def _standstills(evidence: Evidence) -> Iterator[Finding]:
    """Where the device began anew, and where it paused."""
    for row, reason, off_s in evidence.conversion.restarts[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        if off_s is None:
            text = (
                f"The device began anew ({reason}); how long nothing was recorded cannot be known; look at "
                "its battery and for what halted it."
            )
            yield _finding(at_s, at_s, "warning", "longest_gap_s", None, "s", text)
        else:
            text = (
                f"The device began anew ({reason}) and recorded nothing for {off_s:.1f} s before, by the "
                "receiver's stamps; find out why it stopped."
            )
            yield _finding(max(at_s - off_s, 0.0), at_s, "fault", "longest_gap_s", off_s, "s", text)
    for row, gap_s, by in evidence.conversion.breaks[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        why = (
            "its ticks went on, its frame counter did not"
            if by == "ticks"
            else "the receiver's stamps went on, its frame counter did not (or the receiver's clock was set)"
        )
        text = (
            f"The device recorded nothing for {gap_s:.1f} s: {why}. This pause is not among the samples of "
            "which lost_fraction is a share; find out what halted the device."
        )
        yield _finding(max(at_s - gap_s, 0.0), at_s, "fault", "longest_gap_s", gap_s, "s", text)


def _never_came(evidence: Evidence) -> Iterator[Finding]:
    names = ", ".join(evidence.conversion.nothing_of)
    if names:
        text = (
            f"Not a sample of {names} came: look whether the device has that sensor and sends its frames; if "
            "it does not, use a layout without them."
        )
        yield _finding(*evidence.recording.ends_s, "fault", "lost_fraction", 1.0, "1", text)


def _pauses(conversion: Conversion) -> list[tuple[int, float]]:
    """Row and length of every stretch of known length in which the device recorded nothing."""
    off = [(began.row, began.off_s) for began in conversion.restarts if began.off_s is not None]
    return sorted([*off, *((paused.row, paused.gap_s) for paused in conversion.breaks)])


def _pauses_s(evidence: Evidence, lost: Spans) -> list[float]:
    """How long nothing was recorded at each pause, with the samples lost directly before and after it."""
    pauses = _pauses(evidence.conversion)
    rows = np.array([row for row, _ in pauses], dtype=np.int64)
    pauses_s = np.array([gap_s for _, gap_s in pauses])
    for ends in (lost.stop, lost.start):
        beside = np.searchsorted(ends, rows)
        found = np.flatnonzero(np.isin(rows, ends))
        span = beside[found]
        pauses_s[found] += (lost.stop[span] - lost.start[span]) / evidence.recording.sample_hz
    return [float(pause_s) for pause_s in pauses_s]


def _longest_s(lost: Spans, recording: Recording) -> float:
    return float((lost.stop - lost.start).max(initial=0)) / recording.sample_hz


def _in_all(conversion: Conversion) -> str:
    pauses = _pauses(conversion)
    n, total_s = len(pauses), sum(gap_s for _, gap_s in pauses)
    return f"{n} pause{'s' if n > 1 else ''} of {total_s:.1f} s in all"


def _of_further(evidence: Evidence, main: Recording, lost: Lost, settings: Settings) -> Detected:
    """What a recording of another rate lost beside the main one; times are those of the main rows."""
    recording, note_gap_s = evidence.recording, settings["dropout.note_gap_s"]
    lost_in_main, apart = lost_samples(main).rows, not_covered(main, recording, note_gap_s)
    # Samples of two rates stand beside each other: what is left of a gap of both may be a step long.
    step = 1.5 * main.sample_hz / recording.sample_hz

    def beside(spans: Spans) -> Spans:
        alone = Spans.merged(on_rows_of(main, recording, spans), apart).without(lost_in_main)
        longer = alone.stop - alone.start > step
        return Spans(alone.start[longer], alone.stop[longer])

    n_apart = round(apart.n_samples / main.sample_hz * recording.sample_hz)
    severity: Severity = "fault" if is_judged(recording) else "note"
    findings: list[Finding] = []
    for names, spans in _channels_alike(lost, recording):
        if (alone := beside(spans)).n_samples:
            n, n_all = spans.n_samples + n_apart, recording.n_rows + n_apart
            findings.append(_summary_beside(names, n, n_all, alone, main, severity, note_gap_s))
    for names, spans in _told_apart(lost, recording):
        what = f"Nothing of {names} arrived, while {main.channels[0].name} did,"
        findings += _long_gaps(main, beside(spans), settings, what, severity)
    measures = _measures_beside(evidence, main, lost, lost_in_main, apart) if is_judged(recording) else ()
    return Detected(tuple(findings), tuple(measures), {"lost": lost.rows})


def _measures_beside(
    evidence: Evidence, main: Recording, lost: Lost, lost_in_main: Spans, apart: Spans
) -> Iterator[Measure]:
    """Share and longest gap of each channel of another rate, where the main recording does not tell them."""
    recording = evidence.recording
    n_apart = round(apart.n_samples / main.sample_hz * recording.sample_hz)
    n_all = recording.n_rows + n_apart
    share_of_main = lost_in_main.n_samples / max(main.n_rows, 1)
    # Pauses of the device are those of all its recordings.
    pauses_s = [gap_s for _, gap_s in _pauses(evidence.conversion)]
    told_s = max([_longest_s(lost_in_main, main), *pauses_s])
    for channel in recording.channels:
        spans = lost.own.get(channel.name, lost.rows)
        n = spans.n_samples + n_apart
        if n_all and abs(n / n_all - share_of_main) > ANOTHER_SHARE:
            yield _own_share(channel.name, n, n_all)
        longest_s = max(_longest_s(spans, recording), _longest_s(apart, main))
        if longest_s > told_s + 1.5 / recording.sample_hz:
            yield Measure("longest_gap_s", longest_s, "s", channel.name)


def _summary_beside(
    names: str, n: int, n_all: int, alone: Spans, main: Recording, gravest: Severity, note_gap_s: float
) -> Finding:
    grave = gravest == "fault" and _longest_s(alone, main) >= note_gap_s
    text = (
        f"{names}: {n} of {n_all} samples are missing, {alone.n_samples / main.sample_hz:.1f} s of them "
        f"while {main.channels[0].name} arrived."
    )
    severity: Severity = "warning" if grave else "note"
    return _finding(*main.ends_s, severity, "lost_fraction", n / n_all, "1", text)


def _channels_alike(lost: Lost, recording: Recording) -> list[tuple[str, Spans]]:
    """Names of channels that lost the same rows, and these rows."""
    alike: dict[tuple[bytes, bytes], tuple[Spans, list[str]]] = {}
    for channel in recording.channels:
        spans = lost.own.get(channel.name, lost.rows)
        key = spans.start.tobytes(), spans.stop.tobytes()
        alike.setdefault(key, (spans, []))[1].append(channel.name)
    return [(", ".join(names), spans) for spans, names in alike.values()]


def _told_apart(lost: Lost, recording: Recording) -> list[tuple[str, Spans]]:
    """What all channels lost, and what some lost while others arrived; each with the channels' names."""
    alike = _channels_alike(lost, recording)
    if len(alike) == 1:
        return alike
    by_all = lost.rows.without(Spans.merged(*(lost.rows.without(spans) for _, spans in alike)))
    names = ", ".join(channel.name for channel in recording.channels)
    return [(names, by_all), *((some, spans.without(by_all)) for some, spans in alike)]


def _own_share(name: str, n_lost: int, n_all: int) -> Measure:
    return Measure("lost_fraction", n_lost / n_all, "1", name, out_of=n_all)


def _finding(
    start_s: float, stop_s: float, severity: Severity, measure: str, value: float | None, unit: str, text: str
) -> Finding:
    return Finding("dropout", None, start_s, stop_s, severity, measure, value, None, unit, text)
