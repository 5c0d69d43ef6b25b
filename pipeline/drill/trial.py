"""One copy from its faults to what the whole line says of it."""

import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow.parquet as pq

from pipeline.drill.host import Host, counted, detections_of
from pipeline.drill.kinds import Kind
from pipeline.drill.plan import Copy
from pipeline.drill.planting import Planted, plant
from pipeline.drill.scoring import Event, is_covered, joined
from pipeline.serving import run_here
from pipeline.steps.job import Job, last_failure, read_json
from schemas.conditions import BY_NAME, CONDITIONS

STEPS = ("convert", "validate", "detect", "draw", "judge")

SETTLES_S = 20.0
"""Settling so long after an event is the event's own: 4.6 time constants of a coupling at 0.04 Hz."""


@dataclass(frozen=True)
class Task:
    """What a worker is given. ``keep`` leaves the copy's dumps where they are."""

    copy: Copy
    host: Host
    job: Job
    mains_limit: float
    keep: bool


@dataclass(frozen=True)
class Tried:
    """A planted event and what became of it.

    ``found`` by a right condition, or by whatever tells of its kind; ``as_`` are all conditions that cover
    half of it; ``is_marked`` says that faults of any name do, so that nobody uses these samples.
    """

    planted: Planted
    found: bool
    as_: tuple[str, ...]
    is_marked: bool


@dataclass(frozen=True)
class Seen:
    """A detection in a copy, and what it is.

    ``is_`` is 'planted' (a right condition on an event), 'other' (another condition on an event, or the
    settling after it), 'own' (marked in the recording as it was) or 'false'.
    """

    event: Event
    is_: str


@dataclass(frozen=True)
class Outcome:
    """What a copy gave. ``free_s`` is its time outside planted events, widened by the tolerance.

    ``failed`` says what went wrong where a step of the program itself failed: such a copy says nothing.
    """

    name: str
    session: str
    kind: str
    verdict: str
    tried: tuple[Tried, ...]
    seen: tuple[Seen, ...]
    free_s: float
    counts: dict[str, Any]
    failed: str = ""


def trial(task: Task) -> Outcome:
    """Plant a copy's faults, run the steps up to the verdict, and hold what was found against them."""
    copy, host, job = task.copy, task.host, task.job
    between = job.results / ".planting" / copy.name
    targets = tuple(job.study_folder / name for name in job.session.dumps)
    between.mkdir(parents=True, exist_ok=True)
    try:
        planted = plant(copy, host, task.mains_limit, targets, between)
        for step in STEPS:
            run_here(step, job)
        if why := last_failure(job.places):
            return Outcome(
                copy.name, copy.session, copy.kind.name, "", (), (), 0.0, {}, why.split(" ", 2)[-1]
            )
        return _outcome(task, planted)
    finally:
        shutil.rmtree(between, ignore_errors=True)
        shutil.rmtree(job.places.samples.parent, ignore_errors=True)
        shutil.rmtree(job.places.recording.parent, ignore_errors=True)
        if not task.keep:
            shutil.rmtree(targets[0].parent, ignore_errors=True)


def _outcome(task: Task, planted: Sequence[Planted]) -> Outcome:
    copy, host, job = task.copy, task.host, task.job
    counts = counted(job.places)
    conversion = read_json(job.places.conversion)
    suffixes = [one["suffix"] for one in conversion["recordings"]]
    detected = detections_of(job.places, suffixes) if counts["verdict"] != "unreadable" else ()
    by_name = {c.name: [d for d in detected if d.condition == c.name] for c in CONDITIONS}
    events = [one.event for one in planted]
    faults = joined(Event("", d.start_s, d.stop_s) for d in detected if BY_NAME[d.condition].fault)
    tried = tuple(
        Tried(
            one,
            bool(_is_found(one, planted, by_name, counts, task)),
            tuple(name for name, own in by_name.items() if is_covered(one.event, own)),
            bool(is_covered(one.event, faults)),
        )
        for one in planted
    )
    seen = tuple(Seen(d, _what(d, copy.kind, events, host.detected)) for d in detected)
    free_s = max(counts["duration_s"] - sum(_widened_s(event) for event in events), 0.0)
    if copy.kind.level == "copy":
        free_s = 0.0
    return Outcome(copy.name, copy.session, copy.kind.name, counts["verdict"], tried, seen, free_s, counts)


def _is_found(
    one: Planted,
    planted: Sequence[Planted],
    by_name: dict[str, list[Event]],
    counts: dict[str, Any],
    task: Task,
) -> bool:
    """By the bits of a right condition, or by the counts or the finding that tell of a kind without one."""
    kind = task.copy.kind
    if kind.conditions:
        right = joined(Event("", d.start_s, d.stop_s) for name in kind.conditions for d in by_name[name])
        return is_covered(one.event, right)
    before, after = task.host.quality, counts
    if kind.name == "repeated":
        n_wanted = before["frames"]["duplicate"] + sum(each.n_frames for each in planted)
        return bool(_once(after) == _once(before) and after["frames"]["duplicate"] == n_wanted)
    if kind.name == "torn":
        return _not_decoded(after) > 0 and _once(after) >= _once(before) - one.n_frames
    return _warns(task.job)


def _once(counts: dict[str, Any]) -> int:
    """Frames decoded, each once."""
    return int(counts["frames"]["decoded"] - counts["frames"]["duplicate"])


def _not_decoded(counts: dict[str, Any]) -> int:
    return sum(n for name, n in counts["ledger"].items() if name in ("damaged", "unrecognised"))


def _warns(job: Job) -> bool:
    table = pq.read_table(job.places.findings, columns=["detector", "severity"]).to_pylist()
    return any(row["detector"] == "noise_floor" and row["severity"] != "note" for row in table)


def _widened_s(event: Event) -> float:
    return event.lasts_s + 2 * event.tolerance_s


def _what(detection: Event, kind: Kind, events: Iterable[Event], own: Iterable[Event]) -> str:
    """What a detection is; see :class:`Seen`."""
    near = [event for event in events if _touches(detection, event)]
    if near and detection.condition in kind.conditions:
        return "planted"
    if any(one.condition == detection.condition and _touches(detection, one) for one in own):
        return "own"
    return "other" if near else "false"


def _touches(detection: Event, event: Event) -> bool:
    """Whether they overlap, the event being widened by the tolerance, and by the settling that it causes."""
    by_s = event.tolerance_s
    after_s = max(by_s, SETTLES_S) if detection.condition == "settling" else by_s
    return detection.start_s < event.stop_s + after_s and detection.stop_s > event.start_s - by_s
