"""Entries of the activity log that the recording cannot bear out; the log itself is never edited."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.detectors.cadence import STRETCH_S, steps_hz
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.log_shift import LEVELS, Moved, Shift, find_shift, fit_s, in_seconds, moved_by
from pipeline.detectors.tracks import Settings
from pipeline.recording import Recording

NO_SENSOR = "no accelerometer in the dump to hold the log against"

EDGE_S = 2.0
"""An entry's first and last seconds are those of going from one thing to the next."""

LEAST_S = 8
"""Measured seconds from which an entry's contents say something."""

RANKS = {"rest": 0, "hand": 1, "arm": 2, "body": 3}
APART = 2
"""Labels fewer ranks apart look too much alike to be called swapped."""

LEAST_NEARER, LEAST_BOTH, UNDECIDED = 0.03, 0.18, -0.06
"""By how much nearer, squared, each of two entries must lie to the other's level, and both together. Busy
hands come near to body movement: where one of the two is undecided, steps must tell."""

MOST_BY_ONE = 0.8
"""Share of a shift's gain in one entry, above which a single boundary explains it as well as a clock does."""

MOST_CADENCES = 24
"""So many stretches are looked at, spread over the movement: time does not grow with the length."""

LEAST_CADENCES = 3
MOST_LISTED = 50

_MAY_OUTLAST_S = 1.0
"""The log may go on so long after the recording: times that are noted by hand are rounded."""


@dataclass(frozen=True)
class Entry:
    """An entry of the log as the movement is held against it, perhaps at another time or intensity."""

    start_s: float
    stop_s: float
    activity: str
    intensity: str


@dataclass(frozen=True)
class _Log:
    """The log, the movement of the session, and where its steps can be read.

    ``by_field``: there is no accelerometer, and movement is where the field answers as it does to steps.
    """

    entries: tuple[Entry, ...]
    moved: Moved
    steps: tuple[Recording, tuple[str, ...]] | None
    start_s: float
    stop_s: float
    by_field: bool = False


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Hold the log against the movement: outside the recording, shifted, swapped, rest that walks, cadence.

    What one shift of the whole log, or two exchanged labels, explain is said once and not entry by entry.
    """
    main = recordings[0]
    entries = tuple(Entry(e.start_s, e.stop_s, e.activity, e.intensity) for e in main.activities)
    outside = _outside(entries, main.recording.stop_s)
    log = _log(recordings, entries, settings)
    if isinstance(log, str):
        return Detected(outside, _without(log))
    shift: Shift | str = NO_SENSOR if log.by_field else find_shift(log.moved, entries)
    findings, left = ((), entries) if log.by_field else _explained(log, shift, settings)
    cadence, measures = _cadence(log, left, settings)
    told = _contradicted(log, left, settings)
    return Detected((*outside, *findings, *told, *cadence), (_shift_measures(shift) + measures))


def _without(why: str) -> tuple[Measure, ...]:
    units = {
        "log_shift_s": "s",
        "log_shift_uncertainty_s": "s",
        "cadence_hz": "Hz",
        "cadence_spread_hz": "Hz",
    }
    return tuple(Measure(name, None, unit, None, why) for name, unit in units.items())


def _shift_measures(shift: Shift | str) -> tuple[Measure, ...]:
    names = ("log_shift_s", "log_shift_uncertainty_s")
    if isinstance(shift, str):
        return tuple(Measure(name, None, "s", None, shift) for name in names)
    values = shift.shift_s, shift.uncertainty_s
    return tuple(Measure(name, value, "s") for name, value in zip(names, values, strict=True))


def _outside(entries: Sequence[Entry], end_s: float) -> tuple[Finding, ...]:
    """One finding for all that the log has after the recording's end."""
    outside = [entry for entry in entries if entry.stop_s > end_s + _MAY_OUTLAST_S]
    if not outside:
        return ()
    stop_s = max(entry.stop_s for entry in outside)
    names = [f"'{name}'" for name in dict.fromkeys(entry.activity for entry in outside)]
    told = ", ".join(names[:3]) + (" and more" if len(names) > 3 else "")
    text = (
        f"The log goes on until {stop_s:g} s ({told}), the recording ends at {end_s:.1f} s: correct "
        "activities.csv, or look for a missing part of the dump."
    )
    start_s = max(end_s, min(entry.start_s for entry in outside))
    beyond_s = stop_s - end_s
    finding = Finding(
        "activity_mismatch",
        None,
        start_s,
        stop_s,
        "warning",
        "outside_s",
        beyond_s,
        _MAY_OUTLAST_S,
        "s",
        text,
    )
    return (finding,)


def _log(recordings: Sequence[Evidence], entries: tuple[Entry, ...], settings: Settings) -> _Log | str:
    if not entries:
        return "no activity log"
    main = recordings[0]
    rms, n = main.tracks.acceleration_rms, main.tracks.n_slow
    if rms is None:
        return _log_by_field(main, entries, settings)
    if not np.any(~np.isnan(rms)):
        return "no second of acceleration could be measured"
    rows = np.arange(len(rms), dtype=np.int64) * n + n // 2
    still, body = settings["movement.still_m_s2"], settings["movement.body_m_s2"]
    moved = moved_by(rms, main.recording.clock.time_s(rows), still, body)
    sensors = [(e.recording, track) for e in recordings for track in e.tracks.sensors.values()]
    recording, track = max(sensors, key=lambda one: float(np.nanmean(np.append(one[1].rms, 0.0))))
    return _Log(entries, moved, (recording, track.axes), *main.recording.ends_s)


def _log_by_field(main: Evidence, entries: tuple[Entry, ...], settings: Settings) -> _Log | str:
    """Where the field of the channel that answers most does so; of its silence nothing can be said."""
    channels = [main.coupling(track, settings) for track in main.tracks.field.values()]
    if not channels or not len(channels[0].field):
        return NO_SENSOR
    most = max(channels, key=lambda one: int(one.answers.sum()))
    rows = np.arange(len(most.field), dtype=np.int64) * main.tracks.n_slow + main.tracks.n_slow // 2
    level = np.where(np.isnan(most.field), np.nan, most.answers.astype(np.float64))
    moved = in_seconds(level, main.recording.clock.time_s(rows))
    name = most.track.channel.name
    return _Log(entries, moved, (main.recording, (name,)), *main.recording.ends_s, by_field=True)


# ---- what explains several entries at once ---------------------------------------------------------------


def _explained(
    log: _Log, shift: Shift | str, settings: Settings
) -> tuple[tuple[Finding, ...], tuple[Entry, ...]]:
    """Findings of a shifted log or of swapped labels, and the log as it would then be."""
    swaps = _swaps(log)
    exchanged = _exchanged(log.entries, swaps)
    if (
        isinstance(shift, Shift)
        and _is_shifted(shift, settings)
        and shift.fit_s >= fit_s(log.moved, exchanged)
    ):
        moved = tuple(
            replace(e, start_s=e.start_s + shift.shift_s, stop_s=e.stop_s + shift.shift_s)
            for e in log.entries
        )
        return (_of_shift(log, shift, settings),), moved
    return tuple(_of_swap(log, i, j) for i, j in swaps), exchanged


def _is_shifted(shift: Shift, settings: Settings) -> bool:
    return (
        abs(shift.shift_s) >= settings["activity_mismatch.shift_s"]
        and abs(shift.shift_s) > 2 * shift.uncertainty_s
        and shift.gain_s >= settings["activity_mismatch.contradicted_s"]
        and shift.agreement >= settings["activity_mismatch.agreement"]
    )


def _swaps(log: _Log) -> list[tuple[int, int]]:
    """Pairs of entries whose contents each fit the other's label better, the plainest first."""
    known = {i: log.moved.inside(*_inner(e)) for i, e in enumerate(log.entries) if e.intensity in LEVELS}
    means = {i: float(part.mean()) for i, part in known.items() if len(part) >= LEAST_S}
    levels = {i: LEVELS[log.entries[i].intensity] for i in means}
    # One of a pair lies plainly nearer to another level than to its own.
    odd = [
        i
        for i in means
        if any(_nearer(means[i], levels[i], level) > LEAST_BOTH / 2 for level in LEVELS.values())
    ]
    found = []
    for i, j in sorted({(min(i, j), max(i, j)) for i in odd[:MOST_LISTED] for j in means if i != j}):
        one, other = (RANKS[log.entries[k].intensity] for k in (i, j))
        if abs(one - other) < APART:
            continue
        gains = _nearer(means[i], levels[i], levels[j]), _nearer(means[j], levels[j], levels[i])
        if sum(gains) < LEAST_BOTH or min(gains) < UNDECIDED:
            continue
        if min(gains) > LEAST_NEARER or _steps_are_swapped(log, *((i, j) if one < other else (j, i))):
            found.append((sum(gains), -abs(i - j), i, j))
    taken, pairs = set[int](), []
    for _, _, i, j in sorted(found, reverse=True):
        if not taken & {i, j}:
            taken |= {i, j}
            pairs.append((i, j))
    return sorted(pairs)


def _steps_are_swapped(log: _Log, less: int, more: int) -> bool:
    """Whether the entry of the lesser intensity walks and the other does not."""
    walks, other = (_walked(log.moved, log.entries[k])[:3] for k in (less, more))
    return bool(_cadences(log, walks)) and not _cadences(log, other)


def _nearer(mean: float, own: float, other: float) -> float:
    return (mean - own) ** 2 - (mean - other) ** 2


def _inner(entry: Entry) -> tuple[float, float]:
    edge_s = min(EDGE_S, (entry.stop_s - entry.start_s) / 4)
    return entry.start_s + edge_s, entry.stop_s - edge_s


def _exchanged(entries: tuple[Entry, ...], swaps: Sequence[tuple[int, int]]) -> tuple[Entry, ...]:
    changed = list(entries)
    for i, j in swaps:
        for one, other in ((i, j), (j, i)):
            changed[one] = replace(
                entries[one], activity=entries[other].activity, intensity=entries[other].intensity
            )
    return tuple(changed)


def _of_shift(log: _Log, shift: Shift, settings: Settings) -> Finding:
    way = "later" if shift.shift_s > 0 else "earlier"
    text = (
        f"The whole log fits what the wearer did when it lies {abs(shift.shift_s):.0f} s {way} (standard "
        f"uncertainty {shift.uncertainty_s:.1f} s), and contradicts it where it stands: check the clock by "
        "which it was written."
    )
    limit_s, ends = settings["activity_mismatch.shift_s"], (log.start_s, log.stop_s)
    if shift.by_one <= MOST_BY_ONE:
        return _finding("log_shift_s", shift.shift_s, limit_s, "s", ends, text)
    text += " A single entry says so: its boundary alone may be wrong."
    return replace(_finding("log_shift_s", shift.shift_s, limit_s, "s", ends, text), severity="note")


def _of_swap(log: _Log, i: int, j: int) -> Finding:
    one, other = log.entries[i], log.entries[j]
    means = [float(log.moved.inside(*_inner(entry)).mean()) for entry in (one, other)]
    text = (
        f"'{one.activity}' ({one.intensity}) from {one.start_s:g} s and '{other.activity}' "
        f"({other.intensity}) from {other.start_s:g} s look swapped: between still (0) and body movement "
        f"(1) they show {means[0]:.2f} and {means[1]:.2f}, and each fits the other's label better: check "
        "activities.csv."
    )
    ends = min(one.start_s, other.start_s), max(one.stop_s, other.stop_s)
    return _finding("movement_level", means[0], LEVELS[one.intensity], "1", ends, text)


# ---- entry by entry --------------------------------------------------------------------------------------


def _contradicted(log: _Log, entries: Sequence[Entry], settings: Settings) -> tuple[Finding, ...]:
    """What is called rest and moves, and what is called body movement and lies still."""
    found: list[Finding] = []
    for entry in entries:
        if len(found) >= MOST_LISTED:
            break
        if entry.intensity == "rest":
            found += _moving_rest(log, entry, settings)
        elif entry.intensity == "body" and not log.by_field:
            found += _still_body(log, entry, settings)
    return tuple(found)


def _moving_rest(log: _Log, entry: Entry, settings: Settings) -> list[Finding]:
    first, level = log.moved.seconds(entry.start_s, entry.stop_s)
    spans = Spans.merged(Spans.of_mask(np.nan_to_num(level) >= 1.0, first), bridge=1)
    limit_s = settings["activity_mismatch.moving_s"]
    found = []
    long = spans.where(spans.stop - spans.start >= max(limit_s, STRETCH_S))
    for start, stop in long.pairs()[:MOST_LISTED]:
        hz = _median_cadence(log, range(start, min(stop, start + 3 * STRETCH_S) - STRETCH_S + 1, STRETCH_S))
        if log.by_field and hz is None:
            continue
        how = "moves, though not in even steps"
        if hz is not None:
            how = f"moves like walking, {hz:.2f} steps a second"
        text = (
            f"'{entry.activity}' is rest by the log, but from {start} to {stop} s the wearer {how}: correct "
            "the log, or keep this stretch out of rest."
        )
        if log.by_field:
            text += " It is the field alone that says so: somebody who walks about the wearer moves it, too."
        finding = _finding("moving_s", float(stop - start), limit_s, "s", (float(start), float(stop)), text)
        found.append(replace(finding, severity="note") if log.by_field else finding)
    return found


def _still_body(log: _Log, entry: Entry, settings: Settings) -> list[Finding]:
    level = log.moved.inside(*_inner(entry))
    limit = settings["activity_mismatch.still_fraction"]
    if len(level) < LEAST_S:
        return []
    share = float((level <= 0.0).mean())
    if share <= limit:
        return []
    text = (
        f"'{entry.activity}' is body movement by the log, but the wearer lies still for {share:.0%} of it: "
        "correct the log, or look whether the accelerometer was worn."
    )
    ends = entry.start_s, min(entry.stop_s, log.stop_s)
    return [_finding("still_fraction", share, limit, "1", ends, text)]


# ---- cadence ---------------------------------------------------------------------------------------------


def _cadence(
    log: _Log, entries: Sequence[Entry], settings: Settings
) -> tuple[tuple[Finding, ...], tuple[Measure, ...]]:
    """Steps a second in what the log calls body movement, with half the width of the middle two thirds."""
    starts = [at for e in entries if e.intensity == "body" for at in _walked(log.moved, e)]
    if len(starts) > MOST_CADENCES:
        starts = [starts[i] for i in np.linspace(0, len(starts) - 1, MOST_CADENCES).astype(np.int64)]
    found = _cadences(log, starts)
    names = ("cadence_hz", "cadence_spread_hz")
    if len(found) < LEAST_CADENCES:
        why = f"{len(found)} stretches of {STRETCH_S} s with even steps in it, {LEAST_CADENCES} are needed"
        named = "what the log calls body movement: " if any(e.intensity == "body" for e in entries) else ""
        why = f"{named}{why}" if named else "no body movement in the log"
        return (), tuple(Measure(name, None, "Hz", None, why) for name in names)
    low, value, high = np.percentile(found, [16, 50, 84]).tolist()
    measures = (Measure("cadence_hz", value, "Hz"), Measure("cadence_spread_hz", (high - low) / 2, "Hz"))
    least, most = settings["activity_mismatch.cadence_low_hz"], settings["activity_mismatch.cadence_high_hz"]
    if least <= value <= most:
        return (), measures
    text = (
        f"In what the log calls body movement the wearer makes {value:.2f} steps a second; walking makes "
        f"{least:g} to {most:g}: look whether that was other work, or the layout has a wrong sampling rate."
    )
    bound = least if value < least else most
    note = _finding("cadence_hz", value, bound, "Hz", (log.start_s, log.stop_s), text)
    return (replace(note, severity="note"),), measures


def _walked(moved: Moved, entry: Entry) -> list[int]:
    """Where stretches of 10 s begin in which the wearer moves nearly all the time."""
    first, level = moved.seconds(entry.start_s, entry.stop_s)
    begins = range(0, len(level) - STRETCH_S + 1, STRETCH_S)
    moving = np.nan_to_num(level) >= 1.0
    return [first + at for at in begins if np.mean(moving[at : at + STRETCH_S]) >= 0.8]


def _cadences(log: _Log, starts: Sequence[int]) -> list[float]:
    if log.steps is None:
        return []
    found = (steps_hz(*log.steps, float(start)) for start in starts)
    return [hz for hz in found if hz is not None]


def _median_cadence(log: _Log, starts: Sequence[int]) -> float | None:
    found = _cadences(log, starts)
    return float(np.median(found)) if found else None


def _finding(
    measure: str, value: float, limit: float, unit: str, ends: tuple[float, float], text: str
) -> Finding:
    return Finding("activity_mismatch", None, *ends, "warning", measure, value, limit, unit, text)
