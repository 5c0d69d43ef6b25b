"""Events planted against events found: what was found, missed and false, with intervals for the shares.

A planted event is found if half of it is covered by detections of its condition; a detection is false if it
overlaps no planted event of its condition, each widened by 0.25 s plus 5 % of its length at either end.
Detections are the runs of a condition's bit. Runs less than a second apart are one, planted events alike.
Interrupted detections count, as in scoring by intersection (Bilen et al. 2020); the tolerance is of the kind
used for onsets and offsets of sound events (Mesaros, Heittola and Virtanen, Appl. Sci. 6:162, 2016).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import inf, nan

import numpy as np
from scipy.stats import beta, chi2

from pipeline.detectors.findings import Spans

JOIN_S = 1.0
"""Runs less than this apart are one event."""

EXCUSES = ("slew",)
"""Kinds that make a detection no false one, and nothing else: what lies beside them is what happened."""

FOUND_SHARE = 0.5
"""Share of a planted event that detections must cover."""

TOLERANCE_S, TOLERANCE_SHARE = 0.25, 0.05
"""By how much a planted event is widened at either end before a detection beside it is false."""

LEVEL = 0.95
"""Confidence of all intervals unless another is asked for."""


@dataclass(frozen=True)
class Event:
    """A stretch [start_s, stop_s) of a recording that is in a condition, by its name in ``quality``.

    ``kind`` is what was planted, and ``strength`` how strongly, in the unit of that kind; both are empty of
    detections.
    """

    condition: str
    start_s: float
    stop_s: float
    kind: str = ""
    strength: float = nan

    @property
    def lasts_s(self) -> float:
        """Its length."""
        return self.stop_s - self.start_s

    @property
    def tolerance_s(self) -> float:
        """By how much it is widened where a detection may overlap it."""
        return TOLERANCE_S + TOLERANCE_SHARE * self.lasts_s


Matters = Callable[[Event, Sequence[Event]], bool]
"""Whether a planted event has to be found; it is told all that were planted in the recording."""


def always(_event: Event, _planted: Sequence[Event]) -> bool:
    """Every planted event has to be found."""
    return True


@dataclass(frozen=True)
class Interval:
    """A share or a rate with its confidence interval; ``value`` is nan where nothing was counted."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Score:
    """One condition in one or several recordings.

    ``faint`` are planted events that need not be found: they are neither found nor missed, and what is
    detected there is true. ``true`` and ``false`` are detections. ``overlap_s`` is the time that planted and
    detected events share.
    """

    condition: str
    found: tuple[Event, ...] = ()
    missed: tuple[Event, ...] = ()
    faint: tuple[Event, ...] = ()
    true: tuple[Event, ...] = ()
    false: tuple[Event, ...] = ()
    overlap_s: float = 0.0

    @property
    def n_events(self) -> int:
        """Planted events that had to be found."""
        return len(self.found) + len(self.missed)

    @property
    def sensitivity(self) -> Interval:
        """Events found of those that had to be."""
        return share(len(self.found), self.n_events)

    @property
    def precision(self) -> Interval:
        """Detections that are true."""
        return share(len(self.true), len(self.true) + len(self.false))

    @property
    def duration_sensitivity(self) -> float:
        """Planted time that was detected (as in IEC 60601-2-47, from memory); nan where there is none."""
        return _ratio(self.overlap_s, _total_s((*self.found, *self.missed, *self.faint)))

    @property
    def duration_precision(self) -> float:
        """Detected time that was planted; nan where nothing was detected."""
        return _ratio(self.overlap_s, _total_s((*self.true, *self.false)))

    def false_per_hour(self, hours: float) -> Interval:
        """False detections for each of `hours` recorded."""
        return rate_per_hour(len(self.false), hours)


@dataclass(frozen=True)
class Taken:
    """How many planted events of one condition were detected as another; ``n_events`` of them in all."""

    planted: str
    detected: str
    n_taken: int
    n_events: int

    @property
    def share(self) -> Interval:
        """Of the planted events."""
        return share(self.n_taken, self.n_events)


@dataclass(frozen=True)
class Against:
    """Planted and detected events of one recording, of all conditions, joined: what scores are made of.

    ``must`` says of each planted event whether it has to be found.
    """

    planted: tuple[Event, ...]
    detected: tuple[Event, ...]
    must: tuple[bool, ...]

    @staticmethod
    def of(planted: Iterable[Event], detected: Iterable[Event], matters: Matters = always) -> "Against":
        """Join both, and ask of each planted event whether it has to be found."""
        whole = joined(planted)
        return Against(whole, joined(detected), tuple(matters(event, whole) for event in whole))

    def to_find(self, condition: str) -> list[Event]:
        """Planted events of a condition that have to be found."""
        asked = zip(self.planted, self.must, strict=True)
        return [event for event, must in asked if must and event.condition == condition]

    def score(self, condition: str) -> Score:
        """Score one condition."""
        asked = zip(self.planted, self.must, strict=True)
        faint = tuple(event for event, must in asked if not must and event.condition == condition)
        must = self.to_find(condition)
        planted = [*must, *faint]
        detected = [event for event in self.detected if event.condition == condition]
        found, missed = _parted(must, lambda event: is_covered(event, detected))
        true, false = _parted(detected, lambda event: _is_true(event, planted))
        overlap_s = sum(_covered_s(event, detected) for event in planted)
        return Score(condition, found, missed, faint, true, false, overlap_s)

    def taken_for(self, event: Event) -> tuple[str, ...]:
        """Other conditions that detections show in half of a planted event, none being planted there."""
        names = sorted({other.condition for other in self.detected} - {event.condition})
        return tuple(
            name
            for name in names
            if is_covered(event, [d for d in self.detected if d.condition == name])
            and not _is_true(event, [p for p in self.planted if p.condition == name])
        )

    def beside(self, detection: Event) -> tuple[Event, ...]:
        """Planted events of any condition that a detection overlaps: what a false one may have seen."""
        return tuple(event for event in self.planted if _is_true(detection, [event]))


def events_of(condition: str, spans: Spans, sample_hz: float, first_s: float = 0.0) -> tuple[Event, ...]:
    """The runs of a bit as events; `spans` in samples, the first of which lies at `first_s`."""
    starts, stops = spans.start / sample_hz + first_s, spans.stop / sample_hz + first_s
    return tuple(
        Event(condition, start, stop) for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
    )


def joined(events: Iterable[Event], apart_s: float = JOIN_S) -> tuple[Event, ...]:
    """Events of one condition that lie less than `apart_s` apart as one, in the order of condition and time.

    A joined event has the kind of its longest part and the greatest strength of the parts of that kind.
    """
    groups: list[list[Event]] = []
    reach_s = -inf
    for event in sorted(events, key=lambda e: (e.condition, e.start_s, e.stop_s)):
        same = groups and groups[-1][0].condition == event.condition
        if same and event.start_s - reach_s < apart_s:
            groups[-1].append(event)
            reach_s = max(reach_s, event.stop_s)
        else:
            groups.append([event])
            reach_s = event.stop_s
    return tuple(_one(group) for group in groups)


def is_covered(event: Event, detected: Sequence[Event]) -> bool:
    """Whether detections, which do not overlap each other, cover half of an event or more."""
    if event.lasts_s <= 0:
        return any(d.start_s <= event.start_s < d.stop_s for d in detected)
    # A rounding of times must not decide whether it is half.
    return _covered_s(event, detected) >= FOUND_SHARE * event.lasts_s - 1e-9


def total(scores: Iterable[Score]) -> Score:
    """Scores of one condition in several recordings as one."""
    several = tuple(scores)
    (condition,) = {score.condition for score in several}
    return Score(
        condition,
        tuple(event for score in several for event in score.found),
        tuple(event for score in several for event in score.missed),
        tuple(event for score in several for event in score.faint),
        tuple(event for score in several for event in score.true),
        tuple(event for score in several for event in score.false),
        sum(score.overlap_s for score in several),
    )


def taken(several: Iterable[Against], planted: str, detected: str) -> Taken:
    """How many events of one condition were detected as another one, be they found as their own or not."""
    n_taken = n_events = 0
    for against in several:
        events = against.to_find(planted)
        n_events += len(events)
        n_taken += sum(detected in against.taken_for(event) for event in events)
    return Taken(planted, detected, n_taken, n_events)


def share(n: int, of: int, level: float = LEVEL) -> Interval:
    """`n` of `of` with the two-sided interval of Clopper and Pearson (Biometrika 26:404, 1934)."""
    _check(n, of, level)
    if not of:
        return Interval(nan, 0.0, 1.0)
    tail = (1 - level) / 2
    low = float(beta.ppf(tail, n, of - n + 1)) if n else 0.0
    high = float(beta.ppf(1 - tail, n + 1, of - n)) if n < of else 1.0
    return Interval(n / of, low, high)


def share_at_least(n: int, of: int, level: float = LEVEL) -> float:
    """One-sided lower bound of Clopper and Pearson: the share is at least this, with confidence `level`."""
    _check(n, of, level)
    return float(beta.ppf(1 - level, n, of - n + 1)) if n else 0.0


def share_at_most(n: int, of: int, level: float = LEVEL) -> float:
    """One-sided upper bound of Clopper and Pearson."""
    return 1.0 - share_at_least(of - n, of, level)


def rate_per_hour(n: int, hours: float, level: float = LEVEL) -> Interval:
    """`n` events in `hours` with the exact interval of a Poisson rate (Garwood, Biometrika 28:437, 1936)."""
    _check(n, n, level)
    if not hours > 0:
        return Interval(nan, 0.0, inf)
    tail = (1 - level) / 2
    low = float(chi2.ppf(tail, 2 * n)) / 2 if n else 0.0
    high = float(chi2.ppf(1 - tail, 2 * n + 2)) / 2
    return Interval(n / hours, low / hours, high / hours)


def rate_at_most(n: int, hours: float, level: float = LEVEL) -> float:
    """One-sided upper bound of a Poisson rate; for no event at all, -ln(1 - level) / hours."""
    _check(n, n, level)
    return float(chi2.ppf(level, 2 * n + 2)) / 2 / hours if hours > 0 else inf


def _check(n: int, of: int, level: float) -> None:
    if not (0 <= n <= of and 0 < level < 1):
        raise ValueError(f"{n} of {of} at a level of {level} is no share")


def _one(group: Sequence[Event]) -> Event:
    told = [event for event in group if event.kind not in EXCUSES] or group
    longest = max(told, key=lambda event: event.lasts_s)
    strengths = np.array([event.strength for event in group if event.kind == longest.kind])
    known = strengths[~np.isnan(strengths)]
    strength = float(known.max()) if len(known) else nan
    return Event(
        longest.condition,
        group[0].start_s,
        max(event.stop_s for event in group),
        longest.kind,
        strength,
    )


def _parted(
    events: Iterable[Event], holds: Callable[[Event], bool]
) -> tuple[tuple[Event, ...], tuple[Event, ...]]:
    """Events of which something holds, and the others."""
    parts: tuple[list[Event], list[Event]] = ([], [])
    for event in events:
        parts[not holds(event)].append(event)
    return tuple(parts[0]), tuple(parts[1])


def _covered_s(event: Event, detected: Sequence[Event]) -> float:
    return sum(max(min(event.stop_s, d.stop_s) - max(event.start_s, d.start_s), 0.0) for d in detected)


def _is_true(detection: Event, planted: Sequence[Event]) -> bool:
    """Whether it overlaps a planted event, each widened by the tolerance."""
    for event in planted:
        by_s = event.tolerance_s
        if detection.start_s < event.stop_s + by_s and detection.stop_s > event.start_s - by_s:
            return True
    return False


def _total_s(events: Iterable[Event]) -> float:
    return sum(event.lasts_s for event in events)


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else nan
