"""Mains: the line and its harmonics, where they fold to, how large they are, and when they are too large."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity, Spans, listed
from pipeline.detectors.lines import SLOW_LINE_HZ, Line, strongest
from pipeline.detectors.phase import Complexes
from pipeline.detectors.tracks import FieldTrack, Settings
from pipeline.detectors.windows import Floats

WINDOWS = (3, 5)
"""Windows in a row above the limit: mains stays, while a jolt fills one or two. And windows of which nothing
is known, between two above it, that do not end a stretch."""

SLOW_WINDOWS = (9, 15)
"""The same where the line lies among movement: more than half of the 3 s in which it is measured, and all of
them."""

STEADY_WINDOWS, UNKNOWN_WINDOWS = 15, 5
"""Windows whose median amplitude in phase is asked for: 3 s (IEC 61000-4-30: 150 or 180 cycles), of which
steps of walking fill less than half in one phase. Where the line's frequency is not known, no more than a
second keeps its phase."""

STEADY = 0.9
"""So much of the limit that median has to reach: the tenth is for harmonics, and for what steps do to it."""

SHARES = 8
"""Shares of the recording by whose spread a median's uncertainty is told."""

BRIDGE_S = 2.0
"""Pauses in strong mains that do not end a finding."""

_OPEN = (
    "Mains is large because the electrode is off the skin and hangs open: mend the contact first, the room "
    "may be quiet enough."
)
_STRONG = (
    "Mains at the electrode exceeds its limit: move away from powered equipment; if the field is silent as "
    "well, the electrode may be off."
)


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure mains in every window of 10 or 12 cycles and mark windows above the limit.

    Amplitude is that of line and harmonics together at the electrode: a first-order low-pass is undone
    where the layout states its corner. A window counts only where the lines carry more power than all
    that they do not explain, or go on from its neighbours: a jump or a spark has power at 50 Hz too; and only
    where the line's amplitude in phase is as large over 3 s, for steps of walking fill windows, too. The
    measures are taken while the electrode is on. At a sampling rate where the line cannot be told from
    0 Hz, from half the rate, from another line or from movement, no amplitude is claimed and no sample is
    marked. Source of the window: IEC 61000-4-30 (read in a meter's manual).
    """
    return Detected.united(
        _detect_channel(evidence, track, settings) for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, track: FieldTrack, settings: Settings) -> Detected:
    if not track.lines[0].assessable:
        return _not_assessable(evidence, track)
    channel = track.channel
    limit = settings["mains.limit_fraction"] * (channel.adc_high - channel.adc_low)
    off = _off_windows(evidence, track, settings)
    above = _above(evidence, track, limit)
    intruder = _intruder(track)
    findings = (
        *_too_strong(evidence, track, above & ~off, limit, "fault", _remedy(track)),
        *_too_strong(evidence, track, above & off, limit, "warning", _OPEN),
        *_in_movement(evidence, track, settings),
        *_other_grid(evidence, track, intruder),
    )
    marks = {"mains": Spans.of_mask(above).stretched(evidence.tracks.n_fast)}
    return Detected(findings, _measures(track, above, off, intruder), marks, (*track.lines, *intruder))


def _above(evidence: Evidence, track: FieldTrack, limit: float) -> npt.NDArray[np.bool_]:
    """Windows above the limit; what cannot be known between two of them goes with them, if it is short.

    The amplitude in phase of 3 s has a say (`STEADY_WINDOWS`): too small it denies them, above the limit it
    tells them by itself, for under movement single windows fall short of the line or hold steps as well.
    A line among movement is known for seconds at a time, and not always; and while samples stand at a rail
    nothing leads.
    """
    above = (np.nan_to_num(track.mains_peak) > limit) & track.mains_leads
    is_known = track.lines[0].rms is not None
    steady = _steady_peak(track.line_phasor, STEADY_WINDOWS if is_known else UNKNOWN_WINDOWS)
    above &= ~(steady < STEADY * limit)
    second = np.arange(len(above)) * evidence.tracks.n_fast // evidence.tracks.n_slow
    railed = np.append(track.at_rail > 0, False)[np.minimum(second, len(track.at_rail))]
    if is_known:  # clipped steps have parts of their own there, which keep step with each other
        above |= (steady > limit) & ~np.isnan(track.mains_peak) & ~railed
    unknown = ~above & (np.isnan(track.mains_peak) | (railed & ~track.mains_leads))
    least, most_unknown = SLOW_WINDOWS if track.lines[0].folded_hz < SLOW_LINE_HZ else WINDOWS
    spans = Spans.of_mask(unknown)
    edges = np.concatenate(([False], above, [False]))
    between = edges[spans.start] & edges[spans.stop + 1] & (spans.stop - spans.start <= most_unknown)
    above |= Spans(spans.start[between], spans.stop[between]).mask(0, len(above))
    return np.asarray(ndimage.binary_opening(above, np.ones(least, bool)))


AT_ONCE = 10_000
"""So many windows are put in order together: memory stays bounded."""


def _steady_peak(phasor: Complexes, n: int) -> Floats:
    """Size of the median phasor of `n` windows around each; NaN where the line is not fitted."""
    if not len(phasor):
        return np.empty(0)
    padded = np.pad(phasor, n // 2, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, n)
    parts = [_median_size(around[i : i + AT_ONCE]) for i in range(0, len(around), AT_ONCE)]
    return np.concatenate(parts)


def _median_size(around: Complexes) -> Floats:
    n_known = (~np.isnan(around)).sum(axis=1, keepdims=True)
    middle = []
    for part in (around.real, around.imag):
        ordered = np.sort(part, axis=1)  # what is not known stands last
        two = (np.take_along_axis(ordered, np.maximum(n_known - up, 0) // 2, 1) for up in (0, 1))
        middle.append(sum(two, np.zeros(1)) / 2)
    return np.asarray(np.hypot(middle[0], middle[1])[:, 0])


def _measures(
    track: FieldTrack, above: npt.NDArray[np.bool_], off: npt.NDArray[np.bool_], intruder: tuple[Line, ...]
) -> tuple[Measure, ...]:
    name, unit = track.channel.name, track.channel.unit
    counted = ~np.isnan(track.mains_peak) & ~off
    frequency = _frequency(track, intruder)
    if not counted.any():
        absent = _why_no_window(track, off)
        sizes = {measure: Measure(measure, None, u, name, absent) for measure, u in _units(unit).items()}
        return (*sizes.values(), *frequency)
    peaks = track.mains_peak[counted]
    rms = float(np.median(peaks)) / np.sqrt(2)
    movement = _movement_rms(track)
    notch = track.notch
    values = {
        "mains_fraction": float(above[counted].mean()),
        "mains_rms_v": rms,
        "mains_rms_uncertainty_v": _spread_of_median(peaks) / np.sqrt(2),
        "mains_peak_v": float(np.percentile(peaks, 95)),
        "mains_to_movement": rms / movement if movement else None,
        "mains_in_movement_v": notch.rms,
        "mains_notch_fraction": None if notch.why_not else notch.taken,
    }
    absent_of = {
        "mains_rms_uncertainty_v": "fewer than three windows for each of eight shares of the recording",
        "mains_to_movement": "no movement band was measured",
        "mains_notch_fraction": f"no notch could save the movement: {notch.why_not}",
    }
    n_counted = int(counted.sum())
    told = (
        replace(_known(measure, values[measure], u, name, absent_of.get(measure, "")), out_of=n_counted)
        for measure, u in _units(unit).items()
    )
    return (*told, *frequency)


def _known(measure: str, value: float | None, unit: str, channel: str, absent: str) -> Measure:
    is_known = value is not None and not np.isnan(value)
    return Measure(measure, value if is_known else None, unit, channel, "" if is_known else absent)


def _frequency(track: FieldTrack, intruder: tuple[Line, ...]) -> tuple[Measure, Measure]:
    """Frequency by the strongest line, and its standard uncertainty."""
    name = track.channel.name
    best = strongest((*track.lines, *intruder))
    if best is None or best.found_hz is None:
        absent = "no line stands above the spectrum beside it and keeps its phase"
        return tuple(  # type: ignore[return-value]
            Measure(measure, None, "Hz", name, absent) for measure in ("mains_hz", "mains_hz_uncertainty_hz")
        )
    uncertainty = best.found_uncertainty_hz
    return (
        Measure("mains_hz", best.found_hz / best.harmonic, "Hz", name),
        _known(
            "mains_hz_uncertainty_hz",
            None if uncertainty is None else uncertainty / best.harmonic,
            "Hz", name, "the line was not followed",
        ),
    )  # fmt: skip


def _why_no_window(track: FieldTrack, off: npt.NDArray[np.bool_]) -> str:
    if off.any():
        return "the electrode was never on the skin"
    line = track.lines[0]
    if line.folded_hz < SLOW_LINE_HZ and line.rms is None:
        return (
            f"{line.nominal_hz:g} Hz folds to {line.folded_hz:.3g} Hz, among movement, and no line was found "
            "there while the wearer was still"
        )
    return "no window of 10 or 12 cycles arrived whole"


def _spread_of_median(peaks: Floats) -> float:
    """Standard uncertainty of the median, by those of eight shares one after the other; NaN if short."""
    if len(peaks) < 3 * SHARES:
        return float("nan")
    medians = [float(np.median(share)) for share in np.array_split(peaks, SHARES)]
    return float(np.std(medians, ddof=1) / np.sqrt(SHARES))


def _units(unit: str) -> dict[str, str]:
    return {
        "mains_fraction": "1", "mains_rms_v": unit, "mains_rms_uncertainty_v": unit, "mains_peak_v": unit,
        "mains_to_movement": "1", "mains_in_movement_v": unit, "mains_notch_fraction": "1",
    }  # fmt: skip


def _off_windows(evidence: Evidence, track: FieldTrack, settings: Settings) -> npt.NDArray[np.bool_]:
    """For each fast window, whether the electrode was off."""
    off = np.zeros(len(track.mains_peak), bool)
    coupling = evidence.coupling(track, settings)
    for stretch in coupling.off:
        start, stop = (
            edge * evidence.tracks.n_slow // evidence.tracks.n_fast for edge in (stretch.start, stretch.stop)
        )
        off[start : len(off) if stretch.stop >= len(coupling.field) else stop] = True
    return off


def _intruder(track: FieldTrack) -> tuple[Line, ...]:
    """Lines of the other nominal frequency, where its fundamental stands there and ours is weaker."""
    first = track.other_lines[0]
    if first.rms is None or not first.assessable or (track.lines[0].rms or 0.0) >= first.rms:
        return ()
    return tuple(line for line in track.other_lines if line.rms is not None)


def _movement_rms(track: FieldTrack) -> float | None:
    """Size of the movement band without the lines in it."""
    bands = track.movement_rms[~np.isnan(track.movement_rms)]
    if not len(bands):
        return None
    power = float((bands**2).mean())
    # What is left beside a line that is nearly all cannot be told from the line's own wander.
    return float(np.sqrt(max(power - track.notch.rms**2, 0.01 * power)))


def _in_movement(evidence: Evidence, track: FieldTrack, settings: Settings) -> tuple[Finding, ...]:
    """A finding where mains lies among movement and is no trifle beside it: what a notch would do."""
    notch, movement = track.notch, _movement_rms(track)
    if not movement or notch.rms <= settings["mains.in_movement_fraction"] * movement:
        return ()
    unit, limit = track.channel.unit, settings["mains.in_movement_fraction"] * movement
    places = " and ".join(f"{at_hz:.3g}" for at_hz in notch.places_hz)
    text = (
        f"Mains folds to {places} Hz, into the movement band, where it stands beside movement of "
        f"{movement:.3g} {unit} rms; "
    )
    if notch.why_not:
        text += f"no notch could save that: {notch.why_not}; record at another rate, such as 250 Hz."
    else:
        text += (
            f"a notch there of {notch.width_hz:.2g} Hz takes it out with {notch.taken:.1%} of the movement's "
            "power, and no multiple of the cadence."
        )
    return (
        Finding(
            "mains", track.channel.name, *evidence.recording.ends_s,
            "warning" if notch.why_not else "note", "mains_in_movement_v", notch.rms, limit, unit, text,
        ),
    )  # fmt: skip


def _remedy(track: FieldTrack) -> str:
    """Whether what is too strong could be filtered out."""
    if not track.notch.rms:
        return f"{_STRONG} None of it folds into the movement band, which a filter can therefore keep."
    if track.notch.why_not:
        return f"{_STRONG} No notch could save the movement: {track.notch.why_not}."
    return f"{_STRONG} A notch takes {track.notch.taken:.1%} of the movement's power with it."


def _not_assessable(evidence: Evidence, track: FieldTrack) -> Detected:
    why = track.lines[0].why
    name, unit = track.channel.name, track.channel.unit
    text = f"Mains is not assessable: {why}; record at another rate, such as 250 Hz, to see it."
    ends_s = evidence.recording.ends_s
    finding = Finding("mains", name, *ends_s, "note", "mains_rms_v", None, None, unit, text)
    measures = tuple(
        Measure(measure, None, u, name, f"not assessable: {why}")
        for measure, u in {**_units(unit), "mains_hz": "Hz", "mains_hz_uncertainty_hz": "Hz"}.items()
    )
    return Detected((finding,), measures, {}, track.lines)


def _too_strong(
    evidence: Evidence,
    track: FieldTrack,
    windows: npt.NDArray[np.bool_],
    limit: float,
    severity: Severity,
    text: str,
) -> tuple[Finding, ...]:
    """One finding for each stretch of windows above the limit, short pauses bridged."""
    n_fast, name, unit = evidence.tracks.n_fast, track.channel.name, track.channel.unit

    def said(start: int, stop: int) -> Finding:
        peak = float(np.nanmax(track.mains_peak[start:stop]))
        edges_s = evidence.at_s(start * n_fast), evidence.at_s(stop * n_fast)
        return Finding("mains", name, *edges_s, severity, "mains_peak_v", peak, limit, unit, text)

    bridge = int(BRIDGE_S * evidence.recording.sample_hz / n_fast)
    return listed(Spans.merged(Spans.of_mask(windows), bridge=bridge), said)


def _other_grid(evidence: Evidence, track: FieldTrack, intruder: tuple[Line, ...]) -> tuple[Finding, ...]:
    if not intruder or intruder[0].found_hz is None:
        return ()
    first = intruder[0]
    text = (
        f"A line of {first.nominal_hz:g} Hz mains was found at {first.found_hz:.2f} Hz, though the study "
        f"states {evidence.mains_hz:g} Hz: correct mains_hz in study.toml."
    )
    ends_s, stated = evidence.recording.ends_s, evidence.mains_hz
    name = track.channel.name
    return (Finding("mains", name, *ends_s, "warning", "mains_hz", first.found_hz, stated, "Hz", text),)
