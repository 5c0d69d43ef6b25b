"""Whether a channel is as noisy as a real one must be, and no noisier than movement allows."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.lines import SLOW_LINE_HZ
from pipeline.detectors.tracks import FieldTrack, Settings, has_movement_band
from pipeline.detectors.windows import Floats
from pipeline.layouts.units import thermal_noise_v

Mask = npt.NDArray[np.bool_]

QUIET_PERCENT = 10.0
"""Percentile of the windows that counts as noise: what else stirs a signal makes windows louder."""

LEAST_STILL_S = 5
SETTLES_S = 2
"""Seconds after movement that are left out of rest: input and band-pass come to rest, too."""

LEAST_MOVING_S = 10
NO_MORE = 1.5
"""Movement that stands out of rest by less than this factor is none."""


@dataclass(frozen=True)
class _Limit:
    """The least noise that a channel can have, in its unit, and what makes it."""

    value: float
    by: str


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the noise of the quietest tenth of windows, mains and movement taken out, and that at rest.

    An ideal converter alone makes ``q / sqrt(12)`` (Bennett, BSTJ 27, 1948, from memory) and a resistor at a
    capacitance ``sqrt(k T / C)`` whatever its size; a channel far below either is dead or was not measured.
    """
    return Detected.united(
        _detect_channel(evidence, track, settings) for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, track: FieldTrack, settings: Settings) -> Detected:
    channel = track.channel
    still = _still(evidence, track, settings)
    noise, absent = _noise(evidence, track, still)
    rest, no_rest = _rest_noise(evidence, track, still)
    measures = (
        Measure("noise_v", noise, channel.unit, channel.name, absent),
        Measure("rest_noise_v", rest, channel.unit, channel.name, no_rest),
    )
    if noise is None:
        return Detected((), measures)
    least, most = _least(track, settings), settings["noise_floor.most_fraction"]
    most_v = most * (channel.adc_high - channel.adc_low)
    name = channel.name
    if noise < least.value:
        text = (
            f"{name} is quieter than {least.by} alone: check the input, which may be dead or cut off inside."
        )
        return Detected((_finding(evidence, track, "noise_v", noise, least.value, text),), measures)
    if noise > most_v and not _has_line_among_movement(track):
        text = f"{name} has more noise than fingers move it: look for a loose lead or a bad amplifier."
        return Detected((_finding(evidence, track, "noise_v", noise, most_v, text),), measures)
    moved = _moved(evidence, track, settings)
    if rest is not None and moved is not None and moved < NO_MORE * rest and not _has_mains(track):
        text = (
            f"{name} shows no mains and no more in movement than at rest, its own noise: nothing reaches the "
            "amplifier, or all is tied to ground throughout: check the lead, and the wearer's soles."
        )
        finding = _finding(evidence, track, "movement_rms_v", moved, NO_MORE * rest, text)
        return Detected((finding,), measures)
    return Detected((), measures)


def _least(track: FieldTrack, settings: Settings) -> _Limit:
    """The larger of what the converter makes and of what the input capacitance does."""
    converter = settings["noise_floor.least_counts"] * abs(track.channel.scale)
    farad = settings["noise_floor.input_farad"]
    thermal = thermal_noise_v(farad) if farad else 0.0
    if converter >= thermal:
        return _Limit(converter, "its converter can be, whose steps make noise")
    return _Limit(thermal, "the thermal noise of its input")


def _still(evidence: Evidence, track: FieldTrack, settings: Settings) -> Mask | None:
    """Seconds in which the wearer has kept still for a while, away from the rails; None without a witness."""
    spread = evidence.tracks.acceleration_rms
    if spread is None:
        return None
    n = min(len(spread), len(track.at_rail))
    quiet = spread[:n] < settings["movement.still_m_s2"]
    still = quiet.copy()
    for later in range(1, SETTLES_S + 1):
        still[later:] &= quiet[:-later]
        still[:later] = False
    return np.asarray(still & (track.at_rail[:n] == 0))


def _noise(evidence: Evidence, track: FieldTrack, still: Mask | None) -> tuple[float | None, str]:
    """By the windows of rest where there are enough: movement leaves something of itself in short ones."""
    n_fast, n_slow = evidence.tracks.n_fast, evidence.tracks.n_slow
    second = np.arange(len(track.residue_rms)) * n_fast // n_slow
    # A signal held at a rail is quiet for another reason.
    free = np.append(track.at_rail == 0, True)[np.minimum(second, len(track.at_rail))]
    known = ~np.isnan(track.residue_rms) & free
    measured = known & ~_stands_still(evidence, track)
    known = measured if measured.any() else known
    residues = track.residue_rms[known]
    if still is not None and len(still):
        calm = np.append(still, False)[np.minimum(second, len(still))] & known
        if np.count_nonzero(calm) * n_fast >= LEAST_STILL_S * n_slow:
            residues = track.residue_rms[calm]
    if not len(residues):
        return None, "no window of 10 or 12 cycles arrived whole and away from the rails"
    return float(np.percentile(residues, QUIET_PERCENT)), ""


def _stands_still(evidence: Evidence, track: FieldTrack) -> Mask:
    """Windows with part of a run of one value, or of rows held or sent again: no noise of the input."""
    repeats, n = evidence.tracks.repeats, evidence.tracks.n_fast
    still = Spans.merged(repeats.runs[track.channel.name].spans, repeats.row_runs.spans, repeats.echoes)
    return Spans.merged(Spans(still.start // n, (still.stop - 1) // n + 1)).mask(0, len(track.residue_rms))


def _rest_noise(evidence: Evidence, track: FieldTrack, still: Mask | None) -> tuple[float | None, str]:
    """Size of the movement band while the wearer keeps still: its lower quartile, for others may pass."""
    if not has_movement_band(evidence.recording.sample_hz):
        return None, "the sampling rate is too low for the band of movement"
    if still is None:
        return None, "no accelerometer tells when the wearer keeps still"
    rest = _known(track.movement_rms[: len(still)][still])
    if len(rest) < LEAST_STILL_S:
        return (
            None,
            f"the wearer was not still for {LEAST_STILL_S} s in all, away from movement and the rails",
        )
    return float(np.percentile(rest, 25.0)), ""


def _moved(evidence: Evidence, track: FieldTrack, settings: Settings) -> float | None:
    """Median size of the movement band while arms or body move; None where they hardly do."""
    spread = evidence.tracks.acceleration_rms
    if spread is None:
        return None
    n = min(len(spread), len(track.movement_rms))
    moving = _known(track.movement_rms[:n][spread[:n] > settings["movement.body_m_s2"]])
    return float(np.median(moving)) if len(moving) >= LEAST_MOVING_S else None


def _has_mains(track: FieldTrack) -> bool:
    return any(line.rms for line in (*track.lines, *track.other_lines))


def _has_line_among_movement(track: FieldTrack) -> bool:
    """Whether a line folds so low that short windows cannot take it out: then it counts in the residue."""
    return any(line.rms and line.folded_hz < SLOW_LINE_HZ for line in (*track.lines, *track.other_lines))


def _known(values: Floats) -> Floats:
    return np.asarray(values[~np.isnan(values)])


def _finding(
    evidence: Evidence, track: FieldTrack, measure: str, value: float, limit: float, text: str
) -> Finding:
    ends_s, channel = evidence.recording.ends_s, track.channel
    return Finding("noise_floor", channel.name, *ends_s, "warning", measure, value, limit, channel.unit, text)
