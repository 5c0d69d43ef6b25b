"""Samples at a rail of the converter or of the amplifier before it, and the recovery after an overload."""

import math

import numpy as np
import numpy.typing as npt

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.settling import settling_s
from pipeline.detectors.tracks import Settings, rails
from pipeline.layouts import Channel


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of samples at a rail and the longest run; mark them, and the settling after them.

    A sample is saturated within ``rail_margin_fraction`` of the range (at least ``rail_margin_counts``)
    of a rail (IEEE 1057, overrange, from memory: end codes carry no amplitude). Runs of at least
    ``overload_samples`` and of ``settled_residue`` time constants count as overloads; after one, the
    recovery of the AC coupling is marked until ``settled_residue`` of it is left:
    ``-ln(residue) / (2 pi f_c)``, 4.6 time constants at 1 %.
    """
    return Detected.united(
        _detect_channel(evidence, channel, settings) for channel in evidence.recording.of_kind("field")
    )


def _detect_channel(evidence: Evidence, channel: Channel, settings: Settings) -> Detected:
    n_beyond = evidence.tracks.field[channel.name].n_beyond
    if n_beyond:
        return _wrong_range(evidence, channel, n_beyond)
    runs, n_low, n_high, n_present = _runs_at_rails(evidence, channel, settings)
    lengths = runs.stop - runs.start
    recovery_s = settling_s(channel, settings["saturation.settled_residue"])
    longest_s = evidence.lasting_s(int(lengths.max(initial=0)))
    fraction = runs.n_samples / n_present if n_present else None
    measures = [
        Measure("saturated_fraction", fraction, "1", channel.name, "" if n_present else "no sample arrived"),
        Measure("longest_saturated_s", longest_s, "s", channel.name),
    ]
    overload = lengths >= settings["saturation.overload_samples"]
    settling = Spans()
    if recovery_s is None:
        absent = "the layout states no corner of the AC coupling (ac_corner_hz)"
        measures.append(Measure("settling_fraction", None, "1", channel.name, absent))
    else:
        # A shorter overload moves the input by less than the residue that counts as settled.
        residue = settings["saturation.settled_residue"]
        overload &= evidence.lasting_s(1) * lengths >= residue * recovery_s / -math.log(residue)
        after = runs.stop[overload]
        n_recovery = math.ceil(recovery_s * evidence.recording.sample_hz)
        settling = Spans.merged(Spans(after, after + n_recovery)).clipped(0, evidence.recording.n_rows)
    findings = _findings(evidence, channel, Spans(runs.start[overload], runs.stop[overload]), n_low, n_high)
    return Detected(findings, tuple(measures), {"saturated": runs, "settling": settling.without(runs)})


def _wrong_range(evidence: Evidence, channel: Channel, n_beyond: int) -> Detected:
    """Codes that the converter cannot give: then its rails are not where the layout has them."""
    absent = "codes lie outside the converter's range as the layout states it, so its rails are unknown"
    text = (
        f"{n_beyond} codes of {channel.name} lie outside {channel.adc_min} to {channel.adc_max}: correct "
        "bits, adc_min or adc_max in the layout; until then nothing is said of rails."
    )
    duration_s = evidence.recording.duration_s
    finding = Finding(
        "saturation",
        channel.name,
        0.0,
        duration_s,
        "warning",
        "codes_beyond",
        float(n_beyond),
        0.0,
        "1",
        text,
    )
    shares = tuple(
        Measure(name, None, "1", channel.name, absent) for name in ("saturated_fraction", "settling_fraction")
    )
    return Detected((finding,), (*shares, Measure("longest_saturated_s", None, "s", channel.name, absent)))


def _runs_at_rails(evidence: Evidence, channel: Channel, settings: Settings) -> tuple[Spans, int, int, int]:
    rail = rails(
        channel, settings["saturation.rail_margin_fraction"], settings["saturation.rail_margin_counts"]
    )
    pieces, n_low, n_high, n_present = [], 0, 0, 0
    for block in evidence.recording.blocks([channel.name]):
        value: npt.NDArray[np.floating] = block.columns[channel.name]
        low, high = value <= rail.low, value >= rail.high
        n_low += int(low.sum())
        n_high += int(high.sum())
        n_present += len(value) - int(np.isnan(value).sum())
        if (at_rail := low | high).any():
            pieces.append(Spans.of_mask(at_rail, block.start))
    return Spans.merged(*pieces), n_low, n_high, n_present


def _findings(
    evidence: Evidence, channel: Channel, overloads: Spans, n_low: int, n_high: int
) -> tuple[Finding, ...]:
    """One finding for each stretch of overloads that lie less than a second apart."""
    sides = f"{n_low} samples at the lower rail and {n_high} at the upper one in the whole recording"
    findings = []
    stretches = Spans.merged(overloads, bridge=int(evidence.recording.sample_hz))
    for start, stop in zip(stretches.start.tolist(), stretches.stop.tolist(), strict=True):
        inside = overloads.clipped(start, stop)
        longest_s = evidence.lasting_s(int((inside.stop - inside.start).max()))
        findings.append(
            Finding(
                "saturation",
                channel.name,
                evidence.at_s(start),
                evidence.at_s(stop),
                "fault",
                "longest_saturated_s",
                longest_s,
                None,
                "s",
                f"{channel.name} stood at a rail ({sides}): lower the gain, or keep the wearer away "
                "from what charges or drives the electrode there.",
            )
        )
    return tuple(findings)
