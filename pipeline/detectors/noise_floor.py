"""Whether a channel is as noisy as a real one must be."""

import numpy as np

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure
from pipeline.detectors.tracks import FieldTrack, Settings


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the noise of the quietest tenth of windows, mains and movement taken out.

    An ideal converter alone makes ``q / sqrt(12)`` (Bennett, BSTJ 27, 1948, from memory); a channel far
    below it is dead or was not measured.
    """
    return Detected.united(
        _detect_channel(evidence, track, settings) for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, track: FieldTrack, settings: Settings) -> Detected:
    channel = track.channel
    n_fast, n_slow = evidence.tracks.n_fast, evidence.tracks.n_slow
    second = np.arange(len(track.residue_rms)) * n_fast // n_slow
    # A signal held at a rail is quiet for another reason.
    free = np.append(track.at_rail == 0, True)[np.minimum(second, len(track.at_rail))]
    residues = track.residue_rms[~np.isnan(track.residue_rms) & free]
    if not len(residues):
        absent = "no window of 10 or 12 cycles arrived whole and away from the rails"
        return Detected((), (Measure("noise_v", None, channel.unit, channel.name, absent),))
    noise = float(np.percentile(residues, 10))
    least = settings["noise_floor.least_counts"] * abs(channel.scale)
    measure = Measure("noise_v", noise, channel.unit, channel.name)
    if noise >= least:
        return Detected((), (measure,))
    text = (
        f"{channel.name} is quieter than its converter can be: the input may be dead or disconnected inside."
    )
    finding = Finding(
        "noise_floor",
        channel.name,
        0.0,
        evidence.recording.duration_s,
        "warning",
        "noise_v",
        noise,
        least,
        channel.unit,
        text,
    )
    return Detected((finding,), (measure,))
