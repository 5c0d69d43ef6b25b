"""The verdict: which parts of a session can be used, and why not the others.

Rules, in this order: nothing decoded - ``unreadable``; too little left when every faulty sample is taken
out - ``reject``; a measure beyond its limit - ``accept_in_part``; else ``accept``. Conditions are notes
and never count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.detectors import Detected, Measure, Spans
from pipeline.verdict.policy import Policy, Threshold
from schemas.conditions import CONDITIONS
from schemas.measures import BY_NAME

VerdictName = Literal["accept", "accept_in_part", "reject", "unreadable"]

CONDITION_OF = {
    "lost_fraction": "lost",
    "longest_gap_s": "lost",
    "saturated_fraction": "saturated",
    "settling_fraction": "settling",
    "mains_fraction": "mains",
    "contact_loss_fraction": "contact_loss",
    "stuck_fraction": "stuck",
}
"""Measure with a limit -> the condition of the samples behind it."""

_MEASURE_OF = {
    condition: measure for measure, condition in CONDITION_OF.items() if measure.endswith("fraction")
}

_PLAIN = {
    "lost": "samples were lost",
    "saturated": "the signal stood at a rail",
    "settling": "the input was settling after an overload or a re-contact",
    "mains": "mains was too strong",
    "contact_loss": "the electrode was off the skin",
    "stuck": "a value was stuck",
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
class Verdict:
    """What may be used: ``usable`` are spans of samples; ``sentence`` says verdict and reasons at once.

    Of a rejected session nothing is usable, however clean single stretches are.
    """

    name: VerdictName
    sentence: str
    reasons: tuple[Reason, ...]
    usable: Spans
    measures: tuple[JudgedMeasure, ...]


def judge(detected: Detected, n_rows: int, sample_hz: float, policy: Policy) -> Verdict:
    """Judge one session.

    Parameters
    ----------
    detected : Detected
        What all detectors found together.
    n_rows : int
        Rows of the recording, lost ones included; at least 1.
    sample_hz : float
        By which spans become seconds.
    policy : Policy
        Limits and the rules' own numbers.
    """
    clean = clean_spans(detected.marks, n_rows, sample_hz, policy)
    clean_s, duration_s = clean.n_samples / sample_hz, n_rows / sample_hz
    too_little = (
        clean_s < policy.verdict("least_usable_s")
        or clean_s < policy.verdict("least_usable_fraction") * duration_s
    )
    usable = Spans() if too_little else clean
    own = (
        Measure("duration_s", duration_s, "s"),
        Measure("usable_s", usable.n_samples / sample_hz, "s"),
        Measure("usable_fraction", usable.n_samples / n_rows, "1"),
    )
    measures = tuple(_beside_limit(measure, policy) for measure in (*own, *detected.measures))
    over = tuple(judged for judged in measures if judged.within is False)
    reasons = tuple(_reason(judged, detected, sample_hz) for judged in over)
    if too_little:
        reasons = reasons or _reasons_by_marks(detected.marks, sample_hz, duration_s, policy)
        sentence = f"Do not use: only {clean_s:.0f} s of {duration_s:.0f} s are clean" + _because(reasons)
        return Verdict("reject", sentence, reasons, usable, measures)
    if over:
        n = len(usable)
        where = f"{n} stretches" if n > 1 else "one stretch"
        sentence = f"Use in part: {clean_s:.0f} s of {duration_s:.0f} s in {where}" + _because(reasons)
        return Verdict("accept_in_part", sentence, reasons, usable, measures)
    sentence = (
        f"Can be used: {clean_s:.0f} s of {duration_s:.0f} s are clean, every measure within its limit."
    )
    return Verdict("accept", sentence, (), usable, measures)


def unreadable(why: str) -> Verdict:
    """The verdict on a session whose dumps gave no recording."""
    measures = tuple(
        JudgedMeasure(Measure(name, None, BY_NAME[name].unit, None, "nothing could be read"), None, None)
        for name in BY_NAME
    )
    return Verdict("unreadable", f"Could not be read: {why}", (Reason("unreadable", why),), Spans(), measures)


def clean_spans(marks: Mapping[str, Spans], n_rows: int, sample_hz: float, policy: Policy) -> Spans:
    """Stretches of at least ``shortest_interval_s`` free of faults, but for short ones.

    Faults less than ``bridge_s`` apart count together, and end a stretch when they add up to more than that.
    """
    faults = Spans.merged(*(marks[c.name] for c in CONDITIONS if c.fault and c.name in marks))
    bridge = int(policy.verdict("bridge_s") * sample_hz)
    # Faults a moment apart count together: a burst of them is no usable stretch, single lost samples are.
    clusters = Spans.merged(faults, bridge=bridge)
    until = np.concatenate(([0], np.cumsum(faults.stop - faults.start)))
    faulty = (
        until[np.searchsorted(faults.start, clusters.stop)]
        - until[np.searchsorted(faults.start, clusters.start)]
    )
    long = faulty > bridge
    start = np.concatenate(([0], clusters.stop[long])).astype(np.int64)
    stop = np.concatenate((clusters.start[long], [n_rows])).astype(np.int64)
    keep = stop - start >= min(policy.verdict("shortest_interval_s") * sample_hz, n_rows)
    return Spans(start[keep], stop[keep])


def _beside_limit(measure: Measure, policy: Policy) -> JudgedMeasure:
    limit = policy.limits.get(measure.name)
    if limit is None or measure.value is None:
        return JudgedMeasure(measure, limit, None)
    within = measure.value >= limit.value if limit.bound == "min" else measure.value <= limit.value
    return JudgedMeasure(measure, limit, bool(within))


def _reason(judged: JudgedMeasure, detected: Detected, sample_hz: float) -> Reason:
    measure, limit = judged.measure, judged.limit
    value, bound = measure.value or 0.0, limit.value if limit else 0.0
    condition = CONDITION_OF.get(measure.name)
    title = BY_NAME[measure.name].title.lower()
    shown = (
        f"{100 * value:.1f} % (limit {100 * bound:g} %)"
        if measure.unit == "1"
        else f"{value:.1f} {measure.unit} (limit {bound:g})"
    )
    if condition is None:
        return Reason(measure.name, f"{title} {shown}")
    seconds = detected.marks.get(condition, Spans()).n_samples / sample_hz
    if measure.unit == "1":
        return Reason(measure.name, f"{_PLAIN[condition]} for {seconds:.0f} s, {shown}")
    return Reason(measure.name, f"{title} {shown}")


def _reasons_by_marks(
    marks: Mapping[str, Spans], sample_hz: float, duration_s: float, policy: Policy
) -> tuple[Reason, ...]:
    """Where no measure is over its limit: the conditions, most time first; else the shortness itself."""
    seconds = {name: marks[name].n_samples / sample_hz for name in _PLAIN if name in marks}
    ranked = sorted((name for name in seconds if seconds[name] > 0), key=lambda name: -seconds[name])
    if not ranked:
        least = policy.verdict("least_usable_s")
        return (
            Reason(
                "duration_s", f"the recording lasts {duration_s:.1f} s (at least {least:g} s are asked for)"
            ),
        )
    return tuple(Reason(_MEASURE_OF[name], f"{_PLAIN[name]} for {seconds[name]:.0f} s") for name in ranked)


def _because(reasons: Sequence[Reason]) -> str:
    return ": " + "; ".join(reason.text for reason in reasons) + "." if reasons else "."
