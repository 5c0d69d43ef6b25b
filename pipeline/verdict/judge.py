"""The verdict: which parts of a session can be used, and why not the others.

Rules, in this order: nothing decoded - ``unreadable``; too little left when every faulty stretch is taken
out - ``reject``; a measure beyond its limit - ``accept_in_part``, with the clean stretches; else
``accept``, as a whole, single faulty samples staying marked. Conditions are notes and never count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from pipeline.detectors.findings import Detected, Measure, Spans
from pipeline.verdict.policy import Policy, Threshold
from schemas.conditions import CONDITIONS
from schemas.measures import BY_NAME

VerdictName = Literal["accept", "accept_in_part", "reject", "unreadable"]

CONDITION_OF = {
    "lost_fraction": "lost",
    "saturated_fraction": "saturated",
    "settling_fraction": "settling",
    "mains_fraction": "mains",
    "contact_loss_fraction": "contact_loss",
    "stuck_fraction": "stuck",
}
"""Measure with a limit -> the condition of the samples behind it."""

LEAST_USABLE = {"clean_s": "least_usable_s", "clean_fraction": "least_usable_fraction"}
"""Measure of what is left -> the number of section 'verdict' below which nothing is to be used."""

_MEASURE_OF = {condition: measure for measure, condition in CONDITION_OF.items()}

_PLAIN = {
    "lost": "samples were lost",
    "saturated": "the signal stood at a rail",
    "settling": "the input was settling after an overload or a re-contact",
    "mains": "mains was too strong",
    "contact_loss": "the electrode was off the skin",
    "stuck": "a value was stuck",
}

_OF_LOSSES = {
    "lost_fraction": "samples of {} were lost,",
    "longest_gap_s": "nothing of {} arrived for",
}
"""Measures of losses that single channels may have -> what is said of these channels."""

_SHORT = {
    "lost": "lost",
    "saturated": "at a rail",
    "settling": "settling",
    "mains": "mains too strong",
    "contact_loss": "electrode off",
    "stuck": "stuck",
}


@dataclass(frozen=True)
class JudgedMeasure:
    """A measure beside its limit; ``within`` is None where either is missing."""

    measure: Measure
    limit: Threshold | None
    within: bool | None


@dataclass(frozen=True)
class Reason:
    """Why a session is not accepted whole: the measure that decided, and a clause in plain words."""

    measure: str
    text: str


@dataclass(frozen=True)
class LeftOut:
    """Samples [start, stop) that are not to be used, and what stands in them, in words."""

    start: int
    stop: int
    text: str


@dataclass(frozen=True)
class Verdict:
    """What may be used: ``usable`` are spans of samples; ``sentence`` says verdict and reasons at once.

    Of a rejected session nothing is usable, however clean single stretches are; those are ``clean`` whatever
    the verdict. ``whole`` is all of the recording, in the stretches between pauses and restarts.
    ``not_assessed`` are measures that have a limit and no value, ``warnings`` the detectors that warn.
    """

    name: VerdictName
    sentence: str
    reasons: tuple[Reason, ...]
    usable: Spans
    measures: tuple[JudgedMeasure, ...]
    left_out: tuple[LeftOut, ...] = ()
    not_assessed: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    clean: Spans = field(default_factory=Spans)
    whole: Spans = field(default_factory=Spans)


@dataclass(frozen=True)
class Extent:
    """How long a recording is: rows, samples a second, and seconds by its clock.

    ``cuts`` are rows before which the device paused or began anew: no usable stretch reaches across.
    """

    n_rows: int
    sample_hz: float
    duration_s: float
    cuts: tuple[int, ...] = ()


def judge(detected: Detected, extent: Extent, policy: Policy) -> Verdict:
    """Judge one session.

    Parameters
    ----------
    detected : Detected
        What all detectors found together.
    extent : Extent
        Of the recording; at least one row.
    policy : Policy
        Limits and the rules' own numbers.
    """
    clean = clean_spans(detected.marks, extent, policy)
    clean_s, recorded_s = clean.n_samples / extent.sample_hz, extent.n_rows / extent.sample_hz
    own = (
        Measure("duration_s", extent.duration_s, "s"),
        Measure("clean_s", clean_s, "s"),
        Measure("clean_fraction", clean_s / recorded_s, "1"),
    )
    measures = (*own, *detected.measures)
    measured = _beside_limits(measures, policy)
    over = [judged for judged in measured if judged.within is False]
    name = name_by(measures, policy)
    told_of = replace(detected, marks=_as_told(detected.marks))
    reasons = _reasons_by_measures(over, told_of, extent)
    if name != "accept" and not reasons:
        reasons = _reasons_by_marks(told_of.marks, extent, policy)
    whole = Spans(np.array([0]), np.array([extent.n_rows]))
    between = whole.split(extent.cuts)
    usable = {"reject": Spans(), "accept_in_part": clean, "accept": between}[name]
    usable_s = usable.n_samples / extent.sample_hz
    used = (Measure("usable_s", usable_s, "s"), Measure("usable_fraction", usable_s / recorded_s, "1"))
    not_assessed = tuple(
        dict.fromkeys(j.measure.name for j in measured if j.limit and j.measure.value is None)
    )
    return Verdict(
        name,
        _sentence(name, clean, clean_s, recorded_s, reasons, not_assessed),
        reasons,
        usable,
        (*(JudgedMeasure(measure, None, None) for measure in used), *measured),
        _left_out(whole.without(usable), told_of.marks, extent.sample_hz, _why_short(name, policy)),
        not_assessed,
        tuple(sorted({finding.detector for finding in detected.findings if finding.severity == "warning"})),
        clean,
        between,
    )


def _as_told(marks: dict[str, Spans]) -> dict[str, Spans]:
    """Marks as reasons tell them: mains counts against a session only while the electrode is on."""
    if "mains" not in marks or "contact_loss" not in marks:
        return marks
    return {**marks, "mains": marks["mains"].without(marks["contact_loss"])}


def name_by(measures: Sequence[Measure], policy: Policy) -> VerdictName:
    """The rules alone: the verdict that follows from measures, of which those of `LEAST_USABLE` are two."""
    least = {name: policy.verdict(rule) for name, rule in LEAST_USABLE.items()}
    if any(m.name in least and m.value is not None and m.value < least[m.name] for m in measures):
        return "reject"
    beyond = any(judged.within is False for judged in _beside_limits(measures, policy))
    return "accept_in_part" if beyond else "accept"


def unreadable(why: str) -> Verdict:
    """The verdict on a session whose dumps gave no recording."""
    measures = tuple(
        JudgedMeasure(Measure(name, None, BY_NAME[name].unit, None, "nothing could be read"), None, None)
        for name in BY_NAME
    )
    return Verdict("unreadable", f"Could not be read: {why}", (Reason("unreadable", why),), Spans(), measures)


def clean_spans(marks: Mapping[str, Spans], extent: Extent, policy: Policy) -> Spans:
    """Stretches of at least ``shortest_interval_s`` free of faults, but for short ones.

    Faults less than ``bridge_s`` apart count together, and end a stretch when they add up to more than that.
    """
    faults = Spans.merged(*(marks[c.name] for c in CONDITIONS if c.fault and c.name in marks))
    bridge = int(policy.verdict("bridge_s") * extent.sample_hz)
    # Faults a moment apart count together: a burst of them is no usable stretch, single lost samples are.
    clusters = Spans.merged(faults, bridge=bridge)
    until = np.concatenate(([0], np.cumsum(faults.stop - faults.start)))
    faulty = (
        until[np.searchsorted(faults.start, clusters.stop)]
        - until[np.searchsorted(faults.start, clusters.start)]
    )
    long = Spans(clusters.start[faulty > bridge], clusters.stop[faulty > bridge])
    clean = (
        Spans(np.array([0], np.int64), np.array([extent.n_rows], np.int64)).without(long).split(extent.cuts)
    )
    shortest = min(policy.verdict("shortest_interval_s") * extent.sample_hz, extent.n_rows)
    keep = clean.stop - clean.start >= shortest
    return Spans(clean.start[keep], clean.stop[keep])


def _beside_limits(measures: Sequence[Measure], policy: Policy) -> list[JudgedMeasure]:
    limits = policy.limits
    return [_beside_limit(measure, limits.get(measure.name)) for measure in measures]


def _beside_limit(measure: Measure, limit: Threshold | None) -> JudgedMeasure:
    if limit is None or measure.value is None:
        return JudgedMeasure(measure, limit, None)
    within = measure.value >= limit.value if limit.bound == "min" else measure.value <= limit.value
    return JudgedMeasure(measure, limit, bool(within))


def _reasons_by_measures(
    over: Sequence[JudgedMeasure], detected: Detected, extent: Extent
) -> tuple[Reason, ...]:
    """A reason for each measure beyond its limit; channels that lost the same have one together.

    What single channels lost is no reason of its own where that of the rows is one already.
    """
    own = [j for j in over if j.measure.name in _OF_LOSSES and j.measure.channel is not None]
    of_session = [j for j in over if j not in own and j.measure.name != "clean_fraction"]
    reasons = [_reason(judged, detected, extent) for judged in of_session]
    told = {judged.measure.name for judged in of_session}
    alike: dict[tuple[str, str], list[str]] = {}
    for judged in own:
        if judged.measure.name not in told:
            key = judged.measure.name, _beside_its_limit(judged)
            alike.setdefault(key, []).append(judged.measure.channel or "")
    for (name, shown), channels in alike.items():
        reasons.append(Reason(name, f"{_OF_LOSSES[name].format(', '.join(channels))} {shown}"))
    return tuple(reasons)


def _beside_its_limit(judged: JudgedMeasure) -> str:
    """A value beside its limit, in words."""
    unit, value = judged.measure.unit, judged.measure.value or 0.0
    bound = judged.limit.value if judged.limit else 0.0
    if unit != "1":
        return f"{value:.1f} {unit} (limit {bound:g} {unit})"
    return f"{100 * value:.1f} % (limit {100 * bound:g} %)"


def _reason(judged: JudgedMeasure, detected: Detected, extent: Extent) -> Reason:
    name, channel, shown = judged.measure.name, judged.measure.channel, _beside_its_limit(judged)
    condition = CONDITION_OF.get(name)
    if condition is None or judged.measure.unit != "1":
        return Reason(name, f"{BY_NAME[name].title.lower()} {shown}")
    if channel and any(m.name == name and m.channel != channel for m in detected.measures):
        # The marks are those of all channels together: how long it was for this one they do not say.
        return Reason(name, f"{_PLAIN[condition]} ({channel}), {shown}")
    n_rows = detected.marks.get(condition, Spans()).n_samples
    if condition == "lost":  # the marks have what channels of other rates lost, too
        n_rows = round((judged.measure.value or 0.0) * extent.n_rows)
    return Reason(name, f"{_PLAIN[condition]} for {n_rows / extent.sample_hz:.0f} s, {shown}")


def _reasons_by_marks(marks: Mapping[str, Spans], extent: Extent, policy: Policy) -> tuple[Reason, ...]:
    """Where no measure is over its limit: the conditions, most time first; else the shortness itself."""
    ranked = _seconds_inside(marks, 0, extent.n_rows, extent.sample_hz)
    if not ranked:
        least, lasts_s = policy.verdict("least_usable_s"), extent.n_rows / extent.sample_hz
        text = f"the recording lasts {lasts_s:.1f} s (at least {least:g} s are asked for)"
        return (Reason("duration_s", text),)
    return tuple(Reason(_MEASURE_OF[name], f"{_PLAIN[name]} for {seconds:.0f} s") for name, seconds in ranked)


def _seconds_inside(
    marks: Mapping[str, Spans], start: int, stop: int, sample_hz: float
) -> list[tuple[str, float]]:
    """Conditions by the time they hold in [start, stop), longest first."""
    seconds = {
        name: marks[name].clipped(start, stop).n_samples / sample_hz for name in _PLAIN if name in marks
    }
    return sorted(((n, s) for n, s in seconds.items() if s > 0), key=lambda row: -row[1])


def _why_short(name: VerdictName, policy: Policy) -> str:
    """Why clean samples are left out all the same."""
    if name == "reject":
        return "too little to use"
    return f"in pieces shorter than {policy.verdict('shortest_interval_s'):g} s"


def _left_out(
    stretches: Spans, marks: Mapping[str, Spans], sample_hz: float, why_short: str
) -> tuple[LeftOut, ...]:
    left_out = []
    for start, stop in zip(stretches.start.tolist(), stretches.stop.tolist(), strict=True):
        inside = _seconds_inside(marks, start, stop, sample_hz)
        told = [f"{_SHORT[name]} {seconds:.1f} s" for name, seconds in inside]
        faults = Spans.merged(*(marks[name].clipped(start, stop) for name, _ in inside))
        rest_s = (stop - start - faults.n_samples) / sample_hz
        if rest_s >= 1 or not told:
            told.append(f"clean {rest_s:.1f} s, {why_short}")
        left_out.append(LeftOut(start, stop, "; ".join(told)))
    return tuple(left_out)


def _sentence(
    name: VerdictName,
    clean: Spans,
    clean_s: float,
    recorded_s: float,
    reasons: Sequence[Reason],
    not_assessed: Sequence[str],
) -> str:
    because = ": " + "; ".join(reason.text for reason in reasons) + "." if reasons else "."
    if name == "reject":
        share = f"only {clean_s:.0f} s" if clean_s else "nothing"
        return f"Do not use: {share} of {recorded_s:.0f} s {'are' if clean_s else 'is'} clean{because}"
    if name == "accept_in_part":
        where = f"{len(clean)} stretches" if len(clean) > 1 else "one stretch"
        return f"Use in part: {clean_s:.0f} s of {recorded_s:.0f} s in {where}{because}"
    if not_assessed:
        titles = ", ".join(BY_NAME[measure].title.lower() for measure in not_assessed)
        held = "within all limits that could be checked"
        return f"Can be used: {recorded_s:.0f} s {held}; not assessed: {titles}."
    return f"Can be used: {recorded_s:.0f} s, every measure within its limit."
