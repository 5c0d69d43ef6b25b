"""One draw of the simulator through all detectors and the verdict, scored against what is true of it."""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from make import POLICY, SETTINGS, evidence_of, judged, recording_of

from pipeline.detectors import Detected, Finding, Measure, Spans, run_detectors
from pipeline.detectors.settling import settling_s
from pipeline.drill.scoring import EXCUSES, Against, Event, events_of, is_covered, joined
from pipeline.layouts import Channel
from pipeline.recording import Recording
from pipeline.simulate.code_faults import HELD_SHARE
from pipeline.simulate.draw import Drawn, draw, matters
from pipeline.simulate.scenario import Truth
from pipeline.study.study import Activity
from pipeline.verdict import Policy
from schemas.conditions import BY_NAME, CONDITIONS

FAULTS = tuple(condition.name for condition in CONDITIONS if condition.fault)
Counts = Callable[[Truth], bool]
STUCK_AXIS = "stuck_axis"
BY_FINDING = (STUCK_AXIS, "noise_floor", "gravity", "activity_mismatch")
"""What is told by a warning alone, no sample being marked: names of detectors, and a stuck axis."""

SHARED_MEMORY = Path("/dev/shm")  # noqa: S108 -- a folder in memory; what is made there has a name of its own
NEAR_FACTOR, NEAR_CLEAN = 1.5, 0.1
"""How near a true value lies to a limit, or the clean share to its least, for a session to be near it."""


@dataclass(frozen=True)
class Trial:
    """What was planted in one recording, what was found, and both verdicts.

    ``why`` is the sentence of the verdict given; ``loose`` are faults found where no sample carries one.
    """

    kind: str
    seed: int
    sample_hz: float
    mains_hz: float
    bits: int
    duration_s: float
    against: Against
    findings: tuple[Finding, ...]
    absent: tuple[str, ...]
    verdict: str
    true_verdict: str
    near_limit: bool
    why: str
    loose: tuple[Finding, ...]

    @property
    def hours(self) -> float:
        """How long it lasts."""
        return self.duration_s / 3600

    @property
    def place(self) -> str:
        """What makes the recording again."""
        rates = f"{self.sample_hz:g} Hz, grid {self.mains_hz:g} Hz, {self.bits} bits"
        return f"{self.kind} {self.seed} ({rates})"


def trial(kind: str, seed: int, **how: float) -> Trial:
    """Draw a recording, run everything on it, and score it; `how` goes to ``draw``."""
    drawn = draw(kind, seed, **how)
    where = SHARED_MEMORY if SHARED_MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        return try_drawn(drawn, Path(folder))


def try_drawn(drawn: Drawn, folder: Path) -> Trial:
    """Run everything on a draw."""
    scenario = drawn.scenario
    channels = scenario.channels
    counts = [drawn.counts[:, i] for i in range(len(channels))]
    recording = recording_of(folder / "r.parquet", channels, counts, scenario.sample_hz, drawn.present)
    log = tuple(Activity(one.start_s, one.stop_s, one.name, one.intensity, 0) for one in drawn.log)
    evidence = evidence_of(recording, drawn.mains_hz, activities=log)
    detected = run_detectors([evidence], SETTINGS)[0]
    found = judged(detected, recording)
    truth = true_detected(drawn, recording, detected, is_fault)
    true, *others = true_verdicts(drawn, recording, detected)
    planted = planted_in(drawn, truth, recording)
    asked = partial(must_find, sample_hz=scenario.sample_hz, mains_hz=drawn.mains_hz)
    against = Against.of(planted, detected_events(detected, recording), asked)
    field = _field(drawn)
    return Trial(
        drawn.kind, drawn.seed, scenario.sample_hz, drawn.mains_hz,
        int(np.log2(field.adc_max - field.adc_min + 1)),
        recording.n_rows / scenario.sample_hz, against,
        tuple(f for f in detected.findings if f.severity != "note"),
        tuple(f"{m.name}: {m.absent}" for m in detected.measures if m.value is None),
        found.name, true, any(other != true for other in others), found.sentence,
        tuple(f for f in detected.findings if f.severity == "fault" and not _is_marked(f, against)),
    )  # fmt: skip


HIDES = {
    "stuck": ("lost",),
    "saturated": ("lost", "stuck"),
    "settling": ("lost", "stuck", "saturated", "contact_loss"),
    "mains": ("lost", "stuck", "saturated", "contact_loss"),
    "contact_loss": ("lost", "stuck", "saturated"),
    "low_coupling": ("lost", "stuck", "saturated", "contact_loss"),
    "uncorroborated": ("lost", "stuck", "saturated", "settling", "contact_loss"),
}
"""Condition -> graver ones, within which it need not be found: the samples do not show it there."""

FOLD_MARGIN_HZ = SETTINGS["mains.fold_margin_hz"]


def must_find(event: Event, planted: Sequence[Event], sample_hz: float, mains_hz: float) -> bool:
    """Whether a planted event has to be found.

    It matters by `draw.MATTERS`; at least half of it lies outside graver faults; and mains does not fold to
    where its size cannot be known: within 1 Hz of 0 Hz or of half the sampling rate.
    """
    if event.kind == "beside":
        return False
    if event.condition == "mains" and not is_mains_assessable(sample_hz, mains_hz):
        return False
    graver = joined(
        replace(other, condition="graver")
        for other in planted
        if other.condition in HIDES.get(event.condition, ()) and other.kind not in EXCUSES
    )
    return matters(event) and not is_covered(event, graver)


def is_mains_assessable(sample_hz: float, mains_hz: float) -> bool:
    """Whether the line does not fold onto 0 Hz or half the sampling rate."""
    folded_hz = abs(mains_hz - sample_hz * round(mains_hz / sample_hz))
    return FOLD_MARGIN_HZ <= folded_hz <= sample_hz / 2 - FOLD_MARGIN_HZ


def planted_in(drawn: Drawn, truth: Detected, recording: Recording) -> list[Event]:
    """The draw's truth as events; settling, which follows from it, by the rule.

    Where all channels repeat, an axis does, too, and a dead channel may repeat one value: a warning of it is
    no false one, but none is asked for.
    """
    events = [
        Event(_condition(drawn, t, recording.sample_hz), t.start_s, t.stop_s, t.kind, t.strength)
        for t in drawn.truth
    ]
    events += [replace(e, condition=STUCK_AXIS, kind="beside") for e in events if e.condition == "stuck"]
    events += [replace(e, condition="stuck", kind="beside") for e in events if e.kind == "dead"]
    recovery_s = settling_s(_field(drawn), SETTINGS["saturation.settled_residue"])
    settling = _settling(truth.marks, recovery_s, recording.sample_hz, recording.n_rows)
    derived = events_of("settling", settling, recording.sample_hz)
    return [*events, *(replace(event, kind="settling") for event in derived)]


def _condition(drawn: Drawn, truth: Truth, sample_hz: float) -> str:
    """A truth's condition; where only axes of the acceleration stand still, no sample of the field is bad."""
    if truth.kind == "stuck":
        rows = slice(round(truth.start_s * sample_hz), round(truth.stop_s * sample_hz))
        field = [channel.kind for channel in drawn.scenario.channels].index("field")
        return "stuck" if np.ptp(drawn.counts[rows, field]) == 0 else STUCK_AXIS
    return STUCK_AXIS if truth.kind == "axis_stuck" else truth.condition


def detected_events(detected: Detected, recording: Recording) -> list[Event]:
    """The runs of every bit, and the warnings of detectors that mark no sample."""
    axes = {channel.name for channel in recording.of_kind("acceleration")}
    events = [
        event
        for name, spans in detected.marks.items()
        if name in BY_NAME
        for event in events_of(name, spans, recording.sample_hz)
    ]
    for finding in detected.findings:
        of_axis = finding.channel in axes and finding.detector in ("stuck", "gravity")
        if finding.severity != "note" and (of_axis or finding.detector in BY_FINDING):
            name = STUCK_AXIS if of_axis else finding.detector
            events.append(Event(name, finding.start_s, finding.stop_s))
    return events


# ---- the verdict that the truth deserves ---------------------------------------------------------------


def true_detected(drawn: Drawn, recording: Recording, detected: Detected, counts: Counts) -> Detected:
    """What detectors would say that find exactly those planted events that count: marks, limited measures.

    What no detector could know is not known here either: a share of settling samples needs a stated corner
    of the AC coupling, mains must not fold onto 0 Hz, and damaged bytes are those that were counted.
    """
    hz, n = recording.sample_hz, recording.n_rows
    marks = {name: _spans(drawn, name, counts, hz, n) for name in FAULTS}
    marks["lost"] = Spans.of_mask(~drawn.present).clipped(0, n)
    recovery_s = settling_s(_field(drawn), SETTINGS["saturation.settled_residue"])
    marks["settling"] = _settling(marks, recovery_s, hz, n)
    for name in FAULTS[1:]:
        marks[name] = marks[name].without(marks["lost"])
    for name in ("settling", "mains"):
        marks[name] = marks[name].without(marks["contact_loss"])
    assessable = is_mains_assessable(hz, drawn.mains_hz)
    if not assessable:
        marks["mains"] = Spans()
    n_present = n - marks["lost"].n_samples
    n_on = n_present - marks["contact_loss"].n_samples
    lengths = marks["lost"].stop - marks["lost"].start
    measures = [
        Measure("lost_fraction", marks["lost"].n_samples / n, "1"),
        Measure("longest_gap_s", float(lengths.max(initial=0)) / hz, "s"),
        *(m for m in detected.measures if m.name == "damaged_fraction"),
    ]
    for name in ("saturated", "settling", "contact_loss", "stuck", "mains"):
        of = n_on if name == "mains" else n_present
        value = marks[name].n_samples / of if of else None
        known = {"settling": recovery_s is not None, "mains": assessable}.get(name, True)
        measures.append(Measure(f"{name}_fraction", value if known else None, "1"))
    return Detected((), tuple(measures), marks)


def true_verdicts(drawn: Drawn, recording: Recording, detected: Detected) -> list[str]:
    """The true verdict, and those that it would be if limits or faint events were counted a little otherwise.

    Limits moved by `NEAR_FACTOR` either way, the least clean share by `NEAR_CLEAN`; with faint events, and
    without them.
    """
    true = true_detected(drawn, recording, detected, is_fault)
    more = true_detected(drawn, recording, detected, lambda _: True)
    less = true_detected(drawn, recording, detected, matters)
    tried = [(true, POLICY), (true, moved(NEAR_FACTOR)), (true, moved(1 / NEAR_FACTOR))]
    tried += [(more, POLICY), (less, POLICY)]
    return [judged(one, recording, policy).name for one, policy in tried]


def is_fault(truth: Truth) -> bool:
    """Whether it counts in the verdict that the truth deserves; else it only excuses who tells of it.

    Mains is told from 0.8 of its limit on, held rows from a share on that so few rows cannot tell from the
    least that counts; steps as far as the amplifier can are told of at times.
    """
    if truth.condition == "mains":
        return truth.strength >= 1
    if truth.kind == "held_rows":
        return truth.strength >= HELD_SHARE
    return truth.kind not in EXCUSES


def moved(factor: float) -> Policy:
    """The policy with limits that allow `factor` times as much."""
    less = NEAR_CLEAN if factor > 1 else -NEAR_CLEAN
    thresholds = {}
    for key, threshold in POLICY.thresholds.items():
        value = threshold.value
        if threshold.section == "limits":
            value = value * factor if threshold.bound == "max" else 1 - (1 - value) * factor
        elif key == "verdict.least_usable_s":
            value /= factor
        elif key == "verdict.least_usable_fraction":
            value -= less
        thresholds[key] = replace(threshold, value=value)
    return Policy(thresholds)


def _field(drawn: Drawn) -> Channel:
    return next(channel for channel in drawn.scenario.channels if channel.kind == "field")


def _spans(drawn: Drawn, condition: str, counts: Counts, sample_hz: float, n_rows: int) -> Spans:
    of_it = [t for t in drawn.truth if _condition(drawn, t, sample_hz) == condition and counts(t)]
    edges = np.array([(t.start_s, t.stop_s) for t in of_it], np.float64).reshape(-1, 2)
    rows = np.rint(edges * sample_hz).astype(np.int64)
    return Spans.merged(Spans(rows[:, 0], rows[:, 1])).clipped(0, n_rows)


def _settling(marks: dict[str, Spans], recovery_s: float | None, sample_hz: float, n_rows: int) -> Spans:
    """What the contract says: after an overload or a re-contact, until 1 % of it is left."""
    if recovery_s is None:
        return Spans()
    n_recovery = int(np.ceil(recovery_s * sample_hz))
    residue = SETTINGS["saturation.settled_residue"]
    least = max(SETTINGS["saturation.overload_samples"], residue * n_recovery / -np.log(residue))
    rail, off = marks["saturated"], marks["contact_loss"]
    after = np.sort(np.concatenate((rail.stop[rail.stop - rail.start >= least], off.stop)))
    return Spans.merged(Spans(after, after + n_recovery)).clipped(0, n_rows).without(rail)


def _is_marked(finding: Finding, against: Against) -> bool:
    """Whether samples in a finding's interval carry the bit of some fault."""
    return any(
        event.condition in FAULTS and event.start_s <= finding.stop_s and event.stop_s >= finding.start_s
        for event in against.detected
    )
