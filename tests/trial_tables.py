"""Trials as tables in Markdown: by kind, by rate, by grid, by width; the bars; every miss in words."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import isnan

from trials import BY_FINDING, FAULTS, Trial

from pipeline.drill.scoring import (
    Event,
    Interval,
    Score,
    is_covered,
    joined,
    rate_per_hour,
    share,
    taken,
    total,
)
from schemas.conditions import CONDITIONS

MARKED = tuple(condition.name for condition in CONDITIONS)
NAMES = (*MARKED, *BY_FINDING)
SOFT = ("soft_rails", "one_sided")
"""Kinds whose rails may be those of an amplifier and not stated."""


def all_tables(trials: Sequence[Trial]) -> Iterator[list[str]]:
    """Everything but the single misses."""
    yield by_planted(trials)
    yield by_kind(trials)
    yield by_strength(trials, "contact_loss")
    yield of_kind(trials, "mains_in_steps")
    yield confusions(trials)
    yield clean_and_verdict(trials)
    yield by_group(trials, "sampling rate", lambda t: f"{t.sample_hz:g} Hz", lambda t: t.sample_hz)
    yield by_group(trials, "grid", lambda t: f"{t.mains_hz:g} Hz", lambda t: t.mains_hz)
    yield by_group(trials, "converter", lambda t: f"{t.bits} bits", lambda t: t.bits)
    yield [bar.line for bar in bars(trials)]


# ---- scores ------------------------------------------------------------------------------------------------


def score_of(trials: Iterable[Trial], condition: str) -> Score:
    """One condition in all trials together."""
    scores = [one.against.score(condition) for one in trials]
    return total(scores) if scores else Score(condition)


def hours_of(trials: Iterable[Trial]) -> float:
    """How long they last together."""
    return sum(one.hours for one in trials)


def kinds_of(trials: Iterable[Trial]) -> list[str]:
    """Kinds in the order in which they were asked for."""
    return list(dict.fromkeys(one.kind for one in trials))


# ---- tables ------------------------------------------------------------------------------------------------


def by_planted(trials: Sequence[Trial]) -> list[str]:
    """A row for each kind of event, and one for all that was detected of its condition."""
    rows = []
    for condition in NAMES:
        score = score_of(trials, condition)
        for kind in sorted({event.kind for event in (*score.found, *score.missed)}):
            found, missed = (sum(e.kind == kind for e in events) for events in (score.found, score.missed))
            rows.append(
                [condition, kind, str(found + missed), str(missed), shown(share(found, found + missed))]
            )
        rows.append([f"**{condition}**", "all", *_whole(score, hours_of(trials))])
    heads = (
        "condition", "planted as", "events", "missed", "sensitivity", "detections", "false", "precision",
        "false an hour",
    )  # fmt: skip
    return table(heads, [[*row, *[""] * (len(heads) - len(row))] for row in rows])


def _whole(score: Score, hours: float) -> list[str]:
    """Events, and detections of their condition in all recordings."""
    false = rate_per_hour(len(score.false), hours)
    return [
        str(score.n_events),
        str(len(score.missed)),
        shown(score.sensitivity),
        str(len(score.true) + len(score.false)),
        str(len(score.false)),
        shown(score.precision),
        f"{false.value:.2f} (to {false.high:.2f})",
    ]


def by_kind(trials: Sequence[Trial]) -> list[str]:
    """A row for each condition in the recordings of each kind, and one for all of them together."""
    rows = []
    for condition in NAMES:
        parts = [(kind, [one for one in trials if one.kind == kind]) for kind in kinds_of(trials)]
        rows += [
            _row(condition, kind, part, score)
            for kind, part in parts
            if _says_something(score := score_of(part, condition))
        ]
        rows.append(_row(f"**{condition}**", "all", trials, score_of(trials, condition)))
    heads = (
        "condition", "drawn as", "hours", "events", "found", "missed", "false", "not asked", "sensitivity",
        "precision",
    )  # fmt: skip
    return table(heads, rows)


STRENGTHS = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0)
"""Lower ends of the rows of a table by strength; the last row has no upper end."""


def by_strength(trials: Sequence[Trial], condition: str) -> list[str]:
    """All planted events of a condition by their strength, those that need not be found with them."""
    found: dict[float, list[bool]] = {low: [] for low in STRENGTHS}
    asked = dict.fromkeys(STRENGTHS, 0)
    for one in trials:
        own = [event for event in one.against.detected if event.condition == condition]
        for event, must in zip(one.against.planted, one.against.must, strict=True):
            if event.condition == condition:
                row = max((low for low in STRENGTHS if low <= event.strength), default=0.0)
                found[row].append(is_covered(event, own))
                asked[row] += must
    rows = []
    for low, high in zip(STRENGTHS, (*STRENGTHS[1:], None), strict=True):
        n, n_found = len(found[low]), sum(found[low])
        which = f"{low:g} and more" if high is None else f"{low:g} to {high:g}"
        rows.append([which, str(n), str(n_found), shown(share(n_found, n)), str(asked[low])])
    heads = ("strength", "events planted", "found", "sensitivity", "of them asked for")
    return [f"All that was planted of {condition}:", "", *table(heads, rows)]


def of_kind(trials: Sequence[Trial], kind: str) -> list[str]:
    """How many events of a kind that need not be found are found all the same."""
    found = [
        is_covered(event, [own for own in one.against.detected if own.condition == event.condition])
        for one in trials
        for event in one.against.planted
        if event.kind == kind
    ]
    return [f"Planted as {kind}, not asked for: {len(found)}, of which {sum(found)} are found."]


def _says_something(score: Score) -> bool:
    return bool(score.n_events or score.true or score.false)


def _row(condition: str, kind: str, trials: Sequence[Trial], score: Score) -> list[str]:
    return [
        condition,
        kind,
        f"{hours_of(trials):.1f}",
        str(score.n_events),
        *(str(len(events)) for events in (score.found, score.missed, score.false, score.faint)),
        shown(score.sensitivity),
        shown(score.precision),
    ]


def by_group(
    trials: Sequence[Trial], head: str, name: Callable[[Trial], str], key: Callable[[Trial], float]
) -> list[str]:
    """For each group of trials and condition: found of those to be found, and false detections."""
    groups: dict[str, list[Trial]] = {}
    for one in sorted(trials, key=key):
        groups.setdefault(name(one), []).append(one)
    rows = []
    for group, part in groups.items():
        cells = [group, f"{hours_of(part):.1f}"]
        for condition in MARKED:
            score = score_of(part, condition)
            cells.append(f"{len(score.found)}/{score.n_events}, {len(score.false)}")
        right = [one.verdict == one.true_verdict for one in part if not one.near_limit]
        rows.append([*cells, f"{sum(right)}/{len(right)}"])
    return [
        "Found of planted, false detections:",
        "",
        *table((head, "hours", *MARKED, "verdict right"), rows),
    ]


def confusions(trials: Sequence[Trial]) -> list[str]:
    """Planted events of which half was detected as something else that was not planted there."""
    rows = []
    for planted in MARKED:
        cells = ["-" if planted == other else _share_of(trials, planted, other) for other in MARKED]
        n = taken((one.against for one in trials), planted, planted).n_events
        if n:
            rows.append([planted, str(n), *cells])
    return [
        "Planted (rows) and half of it detected as (columns):",
        "",
        *table(("planted", "events", *MARKED), rows),
    ]


def _share_of(trials: Sequence[Trial], planted: str, other: str) -> str:
    n = taken((one.against for one in trials), planted, other).n_taken
    return str(n) if n else "0"


def clean_and_verdict(trials: Sequence[Trial]) -> list[str]:
    """False faults in clean recordings, and how often the verdict is that which the truth deserves."""
    rows = []
    for kind in [*kinds_of(trials), "all"]:
        part = [one for one in trials if kind in (one.kind, "all")]
        far, near = [[o for o in part if o.near_limit is is_near] for is_near in (False, True)]
        rows.append(
            [
                kind,
                f"{hours_of(part):.1f}",
                str(n_false_faults(part)),
                shown(rate_per_hour(n_false_faults(part), hours_of(part))),
                f"{_n_right(far)} of {len(far)}",
                shown(share(_n_right(far), len(far))),
                f"{_n_right(near)} of {len(near)}",
            ]
        )
    heads = "drawn as", "hours", "false faults", "an hour", "verdict right", "share", "near a limit"
    return table(heads, rows)


def n_false_faults(trials: Iterable[Trial]) -> int:
    """False stretches: of any fault, joined as detections are, and findings of faults that mark no sample.

    What settles after a false overload is one stretch with it, and so is one false fault.
    """
    n = 0
    for one in trials:
        false = [event for condition in FAULTS for event in one.against.score(condition).false]
        n += len(joined(replace(event, condition="fault") for event in false)) + len(one.loose)
    return n


def _n_right(trials: Iterable[Trial]) -> int:
    return sum(one.verdict == one.true_verdict for one in trials)


# ---- bars --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bar:
    """What is asked, what was measured, and whether that is met."""

    asked: str
    measured: str
    met: bool

    @property
    def line(self) -> str:
        """For printing."""
        return f"{'met' if self.met else 'NOT met':<8} {self.asked}: {self.measured}"


def bars(trials: Sequence[Trial]) -> Iterator[Bar]:
    """The bars that the trials at hand can say something of."""
    hard = [one for one in trials if one.kind not in SOFT]
    soft = [one for one in trials if one.kind in SOFT]
    for name, condition, part in (
        ("dropouts", "lost", trials),
        ("stuck, repeated and zero-filled", "stuck", trials),
        ("hard rails", "saturated", hard),
    ):
        score = score_of(part, condition)
        if score.n_events:
            text = f"{score.n_events} events, {len(score.missed)} missed, {len(score.false)} false"
            yield Bar(f"{name}, no miss and no false alarm", text, not score.missed and not score.false)
    for name, condition, part, least in (
        ("soft rails", "saturated", soft, 0.98),
        ("mains above its limit", "mains", trials, 0.98),
        ("contact lost for over 2 s", "contact_loss", trials, 0.97),
    ):
        score = score_of(part, condition)
        if score.n_events:
            yield _both(f"{name}, sensitivity and precision {least}", score, least)
    for planted, other in (("contact_loss", "low_coupling"), ("low_coupling", "contact_loss")):
        all_taken = taken((one.against for one in trials), planted, other)
        if all_taken.n_events:
            asked = f"{planted} taken for {other}, at most 0.02"
            text = f"{all_taken.n_taken} of {all_taken.n_events}, {shown(all_taken.share)}"
            yield Bar(asked, text, all_taken.share.value <= 0.02)
    yield from _bars_of_whole(trials)


def _both(asked: str, score: Score, least: float) -> Bar:
    n_detected = len(score.true) + len(score.false)
    text = (
        f"{len(score.found)} of {score.n_events} found, {shown(score.sensitivity)}; "
        f"{len(score.false)} of {n_detected} detections false, {shown(score.precision)}"
    )
    return Bar(asked, text, score.sensitivity.value >= least and score.precision.value >= least)


def _bars_of_whole(trials: Sequence[Trial]) -> Iterator[Bar]:
    clean = [one for one in trials if one.kind == "clean"]
    if clean:
        n, hours = n_false_faults(clean), hours_of(clean)
        text = f"{n} in {hours:.1f} hours, {shown(rate_per_hour(n, hours))} an hour"
        yield Bar("clean recordings, at most one false fault in 10 hours", text, n <= hours / 10)
    far = [one for one in trials if not one.near_limit]
    right = share(_n_right(far), len(far))
    text = f"{_n_right(far)} of {len(far)} that are not near a limit, {shown(right)}"
    yield Bar("verdict right in 0.98", text, right.value >= 0.98)


# ---- every miss --------------------------------------------------------------------------------------------


def misses(trials: Iterable[Trial]) -> Iterator[str]:
    """A line for each miss, false detection, confusion and wrong verdict."""
    for one in trials:
        for condition in NAMES:
            score = one.against.score(condition)
            yield from (_missed(one, event) for event in score.missed)
            yield from (_false(one, event) for event in score.false)
        for finding in one.loose:
            yield f"false    {one.place}: fault of {finding.detector} without a mark: {finding.explanation}"
        if one.verdict != one.true_verdict:
            near = ", near a limit" if one.near_limit else ""
            yield f"verdict  {one.place}: {one.verdict}, true is {one.true_verdict}{near}: {one.why}"


def _missed(one: Trial, event: Event) -> str:
    own = [d for d in one.against.detected if d.condition == event.condition]
    covered_s = sum(max(min(event.stop_s, d.stop_s) - max(event.start_s, d.start_s), 0.0) for d in own)
    instead = ", ".join(one.against.taken_for(event)) or "nothing"
    strength = "" if isnan(event.strength) else f", strength {event.strength:.3g}"
    absent = [text for text in one.absent if text.startswith(event.condition)]
    return (
        f"missed   {one.place}: {event.condition} as {event.kind}{strength}, {_when(event)}, "
        f"{covered_s / max(event.lasts_s, 1e-9):.0%} covered, instead: {instead}{_said(one, event)}"
        + "".join(f" | {text}" for text in absent)
    )


def _false(one: Trial, event: Event) -> str:
    there = ", ".join(f"{p.kind or p.condition} {_when(p)}" for p in one.against.beside(event)) or "nothing"
    return (
        f"false    {one.place}: {event.condition}, {_when(event)}, planted there: {there}{_said(one, event)}"
    )


def _when(event: Event) -> str:
    return f"{event.start_s:.2f}-{event.stop_s:.2f} s"


def _said(one: Trial, event: Event) -> str:
    """The first findings that lie there, shortened."""
    there = [f for f in one.findings if f.start_s < event.stop_s + 1 and f.stop_s > event.start_s - 1]
    return "".join(f" | {f.detector} says: {f.explanation[:90]}" for f in there[:3])


# ---- Markdown ----------------------------------------------------------------------------------------------


def shown(interval: Interval) -> str:
    """A share or a rate with its 95 % interval."""
    if isnan(interval.value):
        return ""
    return f"{interval.value:.3f} ({interval.low:.3f} to {interval.high:.3f})"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a table in Markdown, columns aligned for reading as plain text."""
    cells = [list(heads), *(list(row) for row in rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(heads))]
    lines = [
        "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in cells
    ]
    return [lines[0], "|" + "|".join("-" * (w + 2) for w in widths) + "|", *lines[1:]]
