"""Samples at a rail of the converter or of the amplifier before it, and the recovery after an overload."""

import math

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans, listed
from pipeline.detectors.overdrive import Overdrive, overdrive
from pipeline.detectors.overloads import Overloads
from pipeline.detectors.settling import settling_s
from pipeline.detectors.soft_rails import SoftRail
from pipeline.detectors.tracks import FieldTrack, Settings
from pipeline.layouts import Channel

SHOWN = 0.02
"""Harmonics from 2 % of the fundamental on are named."""


UNITS = {
    "saturated_fraction": "1",
    "longest_saturated_s": "s",
    "rail_low_v": "V",
    "rail_high_v": "V",
    "overdrive": "1",
    "settling_tau_s": "s",
    "settling_tau_uncertainty_s": "s",
    "settling_fraction": "1",
}
"""All measures of this detector."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of samples at a rail and the longest run; mark them, and the settling after them.

    A sample is saturated within ``rail_margin_fraction`` of the range (at least ``rail_margin_counts``)
    of a rail (IEEE 1057, overrange, from memory: end codes carry no amplitude), stated or found in the data
    (:mod:`.soft_rails`), or on a ramp of the amplifier's (:mod:`.slew`). Runs of at least
    ``overload_samples`` and of ``settled_residue`` time constants count as overloads; after one, the
    recovery of the AC coupling is marked until ``settled_residue`` of it is left:
    ``-ln(residue) / (2 pi f_c)``, 4.6 time constants at 1 %.
    """
    return Detected.united(
        _detect_channel(evidence, track, settings) for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, track: FieldTrack, settings: Settings) -> Detected:
    channel, overloads = track.channel, track.overloads
    if track.n_beyond:
        return _wrong_range(evidence, channel, track.n_beyond)
    runs, n_present = overloads.all, overloads.n_present
    lengths = runs.stop - runs.start
    recovery_s = settling_s(channel, settings["saturation.settled_residue"])
    longest_s = evidence.lasting_s(int(lengths.max(initial=0)))
    fraction = runs.n_samples / n_present if n_present else None
    overload = lengths >= settings["saturation.overload_samples"]
    settling = Spans()
    if recovery_s is not None:
        # A shorter overload moves the input by less than the residue that counts as settled.
        residue = settings["saturation.settled_residue"]
        overload &= evidence.lasting_s(1) * lengths >= residue * recovery_s / -math.log(residue)
        after = runs.stop[overload]
        n_recovery = math.ceil(recovery_s * evidence.recording.sample_hz)
        settling = Spans.merged(Spans(after, after + n_recovery)).clipped(0, evidence.recording.n_rows)
    stretches = Spans.merged(
        Spans(runs.start[overload], runs.stop[overload]), bridge=int(evidence.recording.sample_hz)
    )
    driven = [_driven(overloads, start, stop) for start, stop in stretches.pairs()]
    findings = (
        *_findings(evidence, overloads, stretches, driven),
        *_of_rails(evidence, overloads),
    )
    measures = (
        Measure(
            "saturated_fraction",
            fraction,
            "1",
            channel.name,
            "" if n_present else "no sample arrived",
            n_present,
        ),
        Measure("longest_saturated_s", longest_s, "s", channel.name),
        *_measures(overloads, driven),
        *_unsettled(channel, overloads, recovery_s),
    )
    return Detected(findings, measures, {"saturated": runs, "settling": settling.without(runs)})


def _driven(overloads: Overloads, start: int, stop: int) -> Overdrive:
    """How far one stretch was driven; the margin, by which samples count early, is taken out."""
    channel, rails = overloads.channel, overloads.rails
    low = max(channel.adc_low, -math.inf if channel.amplifier_low is None else channel.amplifier_low)
    high = min(channel.adc_high, math.inf if channel.amplifier_high is None else channel.amplifier_high)
    low = overloads.soft.low.level if overloads.soft.low is not None else low
    high = overloads.soft.high.level if overloads.soft.high is not None else high
    narrowed = (rails.high - rails.low) / (high - low)
    return overdrive(overloads.low.clipped(start, stop), overloads.high.clipped(start, stop), narrowed)


def _measures(overloads: Overloads, driven: list[Overdrive]) -> tuple[Measure, ...]:
    """Rails found, and the overdrive where most whole cycles tell it."""
    channel, soft = overloads.channel, overloads.soft
    found = []
    for side, rail, stated in (
        ("low", soft.low, channel.amplifier_low),
        ("high", soft.high, channel.amplifier_high),
    ):
        absent = soft.doubt or "inside the converter's range values pile up at no level"
        absent = absent if stated is None else f"the layout states it: {stated:.4g} {channel.unit}"
        value = None if rail is None else rail.level
        found.append(Measure(f"rail_{side}_v", value, "V", channel.name, "" if value is not None else absent))
    best = max(driven, key=lambda one: one.n_cycles, default=Overdrive(absent="no overload"))
    return (*found, Measure("overdrive", best.ratio, "1", channel.name, best.absent))


def _unsettled(channel: Channel, overloads: Overloads, recovery_s: float | None) -> tuple[Measure, ...]:
    """The fitted time constant, and why the settling is unknown, if it is."""
    known = overloads.time_constant
    measures = [
        Measure("settling_tau_s", known.tau_s, "s", channel.name, known.absent),
        Measure("settling_tau_uncertainty_s", known.uncertainty_s, "s", channel.name, known.absent),
    ]
    if recovery_s is None:
        absent = "the layout states no corner of the AC coupling (ac_corner_hz)"
        if len(overloads.at_rails):
            absent = f"{absent}, and {known.absent}"
        measures.append(Measure("settling_fraction", None, "1", channel.name, absent))
    return tuple(measures)


def _wrong_range(evidence: Evidence, channel: Channel, n_beyond: int) -> Detected:
    """Codes that the converter cannot give: then its rails are not where the layout has them."""
    absent = "codes lie outside the converter's range as the layout states it, so its rails are unknown"
    text = (
        f"{n_beyond} codes of {channel.name} lie outside {channel.adc_min} to {channel.adc_max}: correct "
        "bits, adc_min or adc_max in the layout; until then nothing is said of rails."
    )
    finding = Finding(
        "saturation",
        channel.name,
        *evidence.recording.ends_s,
        "warning",
        "codes_beyond",
        float(n_beyond),
        0.0,
        "1",
        text,
    )
    return Detected(
        (finding,), tuple(Measure(name, None, unit, channel.name, absent) for name, unit in UNITS.items())
    )


def _findings(
    evidence: Evidence, overloads: Overloads, stretches: Spans, driven: list[Overdrive]
) -> tuple[Finding, ...]:
    """One finding for each stretch of overloads that lie less than a second apart."""
    drive_of = dict(zip(stretches.start.tolist(), driven, strict=True))
    name = overloads.channel.name

    def said(start: int, stop: int) -> Finding:
        edges_s = evidence.at_s(start), evidence.at_s(stop)
        inside = overloads.all.clipped(start, stop)
        longest_s = evidence.lasting_s(int((inside.stop - inside.start).max()))
        text = _said(overloads, start, stop, drive_of[start])
        return Finding(
            "saturation", name, *edges_s, "fault", "longest_saturated_s", longest_s, None, "s", text
        )

    return listed(stretches, said)


def _said(overloads: Overloads, start: int, stop: int, drive: Overdrive) -> str:
    name = overloads.channel.name
    n_low, n_high = (spans.clipped(start, stop).n_samples for spans in (overloads.low, overloads.high))
    if not n_low and not n_high:
        return (
            f"{name} moved in straight ramps as steep as its amplifier can go, {_rate(overloads)}: what "
            "drove it was faster still, so lower the gain, or keep the wearer away from what sparks there."
        )
    if n_low and n_high:
        where = f"the lower rail for {n_low} samples and at the upper one for {n_high}"
    else:
        side = "lower" if n_low else "upper"
        where = f"the {side} rail for {_samples(n_low or n_high)}, which clips it on the {side} side only"
    text = f"{name} stood at {where}"
    if drive.ratio is not None:
        text += f", as long as a sine would whose peaks lie {drive.ratio:.2f} times as far out as the rails"
        if shown := _harmonics(drive):
            text += f"; clipping itself makes {shown} of it, which are no harmonics of the mains"
    return text + ": lower the gain, or keep the wearer away from what charges or drives the electrode there."


def _samples(n: int) -> str:
    return f"{n} sample{'' if n == 1 else 's'}"


def _harmonics(drive: Overdrive) -> str:
    named = [
        f"{order}{'nd' if order == 2 else 'rd' if order == 3 else 'th'} harmonics of {100 * share:.0f} %"
        for order, share in enumerate(drive.harmonics, 2)
        if share >= SHOWN
    ]
    return " and ".join(named[:2])


def _rate(overloads: Overloads) -> str:
    limit = overloads.slew.limit
    return "" if limit is None else f"{limit:.3g} {overloads.channel.unit}/s"


def _of_rails(evidence: Evidence, overloads: Overloads) -> tuple[Finding, ...]:
    """What to write into the layout of a rail that was found."""
    soft = overloads.soft
    return tuple(
        _of_rail(evidence, overloads.channel, side, rail)
        for side, rail in (("low", soft.low), ("high", soft.high))
        if rail is not None
    )


def _of_rail(evidence: Evidence, channel: Channel, side: str, rail: SoftRail) -> Finding:
    beyond, end = ("below", channel.adc_low) if side == "low" else ("above", channel.adc_high)
    code = round((rail.level - channel.offset) / channel.scale)
    key = "adc_min" if (side == "low") == (channel.scale > 0) else "adc_max"
    text = (
        f"{channel.name} piles up at {rail.level:.4g} {channel.unit} (code {code}; {rail.n_samples} samples "
        f"in {rail.n_visits} visits) and goes nowhere {beyond}, though the converter reaches {end:.4g}: the "
        f"amplifier ends there. If so, state it in the layout: amplifier_{side}_v, which is the converter's "
        f"voltage at that code, or {key} = {code} where the layout gives a scale."
    )
    return Finding(
        "saturation",
        channel.name,
        *evidence.recording.ends_s,
        "note",
        f"rail_{side}_v",
        rail.level,
        end,
        channel.unit,
        text,
    )
