"""The way of the sessions from recorded to analysed: how many leave at each step, and why.

The steps are those of a study's flow diagram: STROBE (von Elm et al. 2007, PLoS Med 4:e296), item 13, and
CONSORT 2010 (Schulz et al. 2010, BMJ 340:c332), item 13. Every time is made of the same cells, which are
rounded once: the steps add up as they are shown, and those by the verdict do not depend on people.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pipeline.report import words
from pipeline.report.analysed import analysed_of, length_s
from pipeline.report.review import Review
from schemas.conditions import CONDITIONS

Use = Literal["whole", "in_part", "no"]
_USE: Mapping[str, Use] = {"accept": "whole", "accept_in_part": "in_part", "reject": "no", "unreadable": "no"}


@dataclass(frozen=True)
class Traced:
    """One session on its way.

    ``computed`` and ``final`` say how it is used by the verdict, and after a person's decision; the times
    that are used then are ``computed_s`` and ``final_s``, of ``recorded_s``. ``reason`` is the first reason
    of the verdict in words, ``decided`` that of the decision where one is followed.
    """

    session: str
    participant: str
    read: bool
    recorded_s: float
    computed: Use
    computed_s: float
    final: Use
    final_s: float
    reason: str
    decided: str | None


@dataclass(frozen=True)
class Count:
    """Sessions at a step, the participants that they are of, and their time.

    ``time`` is in words, ``rounded`` where it is not the nearest to ``hours`` so that the steps add up.
    """

    sessions: int
    participants: int
    time: str
    hours: float
    rounded: bool = False


@dataclass(frozen=True)
class Flow:
    """Sessions at each step and between the steps.

    ``recorded`` less ``unreadable`` is ``read``; less ``rejected`` it is ``accepted``, ``whole`` and
    ``in_part`` together; less ``left_out`` and with ``taken_back`` it is ``analysed``. Of times, ``cut`` is
    taken from those accepted in part, too; ``shortened`` and ``extended`` change only times. The pairs are
    reasons and sessions, each session once. ``stale`` and ``unfit`` decisions are not followed; of
    ``unknown`` ones nobody can tell whether they are stale.
    """

    recorded: Count
    unreadable: Count
    unreadable_by: tuple[tuple[str, int], ...]
    read: Count
    rejected: Count
    rejected_by: tuple[tuple[str, int], ...]
    cut: Count
    cut_by: tuple[tuple[str, str], ...]
    accepted: Count
    whole: int
    in_part: int
    left_out: Count
    left_out_by: tuple[tuple[str, int], ...]
    taken_back: Count
    taken_back_by: tuple[tuple[str, int], ...]
    shortened: Count
    extended: Count
    decided: int
    stale: int
    unfit: int
    unknown: int
    analysed: Count
    analysed_whole: int
    analysed_in_part: int

    @property
    def followed(self) -> int:
        """Decisions that the analysis goes by."""
        return self.decided - self.stale - self.unfit

    @property
    def confirmed(self) -> int:
        """Decisions that are followed and say the same as the verdict."""
        moved = (self.left_out, self.taken_back, self.shortened, self.extended)
        return self.followed - sum(count.sessions for count in moved)


def trace(quality: Mapping[str, Any], review: Review | None) -> Traced:
    """Follow one session from its recording to its use."""
    recorded_s = float(quality["duration_s"] or 0)
    computed = _USE[quality["verdict"]]
    computed_s = _used_s(quality, quality["usable"])
    final, final_s, decided = computed, computed_s, None
    if review is not None and review["followed"]:
        final, decided = _USE[review["decision"]], review["reason"]
        final_s = _used_s(quality, analysed_of(quality, review))
    return Traced(
        quality["session"],
        quality["participant"],
        quality["verdict"] != "unreadable",
        recorded_s,
        computed,
        computed_s,
        final,
        final_s,
        _first_reason(quality),
        decided,
    )


def _used_s(quality: Mapping[str, Any], intervals: Sequence[Sequence[float]]) -> float:
    """Time in stretches; where less than a sample is missing to all of the recording, all of it."""
    recorded_s, used_s = float(quality["duration_s"] or 0), length_s(intervals)
    return used_s if (recorded_s - used_s) * (quality["nominal_hz"] or 1.0) > 1.5 else recorded_s


def _first_reason(quality: Mapping[str, Any]) -> str:
    if quality["verdict"] == "accept":
        return ""
    if not quality["reasons"]:
        return "no reason stated"
    reason = quality["reasons"][0]
    if quality["verdict"] == "unreadable":
        # a problem says what was expected, what was found and what to do; the middle is the reason
        found = reason["text"].partition("; found ")[2].partition(". ")[0].rstrip(".")
        return f"found {found}" if found else "could not be read"
    return words.measure_title(reason["measure"])


def flow_of(qualities: Sequence[Mapping[str, Any]], reviews: Mapping[str, Review]) -> Flow:
    """Count the sessions of a study at each step.

    Parameters
    ----------
    qualities : sequence of mapping
        What stands in each session's ``quality.json``, in any order.
    reviews : mapping
        Session -> what `review_of` says of it, for those that a person decided about.
    """
    traced = [trace(quality, reviews.get(quality["session"])) for quality in qualities]
    spans = _Spans.of(traced)
    read = [t for t in traced if t.read]
    accepted = [t for t in read if t.computed != "no"]
    rejected = [t for t in read if t.computed == "no"]
    left_out = [t for t in accepted if t.final == "no"]
    taken_back = [t for t in rejected if t.final != "no"]
    changed = [t for t in accepted if t.final != "no" and t.final != t.computed]
    analysed = [t for t in traced if t.final != "no"]
    unreadable = [t for t in traced if not t.read]
    cut = [
        q
        for q, t in zip(qualities, traced, strict=True)
        if t.computed != "no" and t.computed_s < t.recorded_s
    ]
    told = [reviews[t.session] for t in traced if t.session in reviews]
    return Flow(
        recorded=_count(traced, spans, spans.everything),
        unreadable=_count(unreadable, spans, ("unread",)),
        unreadable_by=_reasons(t.reason for t in unreadable),
        read=_count(read, spans, spans.everything - {"unread"}),
        rejected=_count(rejected, spans, ("rejected", "taken_back")),
        rejected_by=_reasons(t.reason for t in rejected),
        cut=_count([t for t in accepted if t.computed_s < t.recorded_s], spans, ("cut", "extended")),
        cut_by=_cut_by(cut),
        accepted=_count(accepted, spans, ("kept", "left_out", "shortened")),
        whole=sum(t.computed == "whole" for t in accepted),
        in_part=sum(t.computed == "in_part" for t in accepted),
        left_out=_count(left_out, spans, ("left_out",)),
        left_out_by=_reasons(t.decided or "" for t in left_out),
        taken_back=_count(taken_back, spans, ("taken_back",)),
        taken_back_by=_reasons(t.decided or "" for t in taken_back),
        shortened=_count([t for t in changed if t.final == "in_part"], spans, ("shortened",)),
        extended=_count([t for t in changed if t.final == "whole"], spans, ("extended",)),
        decided=len(told),
        stale=sum(review["stale"] is True for review in told),
        unfit=sum(not review["followed"] and not review["stale"] for review in told),
        unknown=sum(review["stale"] is None for review in told),
        analysed=_count(analysed, spans, ("kept", "extended", "taken_back")),
        analysed_whole=sum(t.final == "whole" for t in analysed),
        analysed_in_part=sum(t.final == "in_part" for t in analysed),
    )


_BY_VERDICT = (
    ("unread",),
    ("kept", "left_out", "shortened"),
    ("cut", "extended"),
    ("rejected", "taken_back"),
)
"""Cells by what the verdict alone makes of them; the first of each stayed as it was."""


@dataclass(frozen=True)
class _Spans:
    """Time in each cell: in whole steps of a second, and exactly. A step of the flow is a sum of cells.

    What the verdict alone makes of the time is rounded first, and each part of it then shared out among what
    people made of it.
    """

    steps: Mapping[str, int]
    exact_s: Mapping[str, float]
    whole_s: tuple[float, ...]
    per_s: int

    everything = frozenset(cell for cells in _BY_VERDICT for cell in cells)

    @staticmethod
    def of(traced: Sequence[Traced]) -> "_Spans":
        exact = dict.fromkeys(sorted(_Spans.everything), 0.0)
        for t in traced:
            for cell, seconds in _cells(t):
                exact[cell] += seconds
        # Not sums of those cells: what people decided must not move the last digit of the verdicts' times.
        whole_s = tuple(math.fsum(part) for part in zip(*map(_by_verdict, traced), strict=True)) or (0.0,) * 4
        per_s, totals = words.in_steps(whole_s)
        steps: dict[str, int] = {}
        for cells, total in zip(_BY_VERDICT, totals, strict=True):
            shared = words.shared_out([exact[cell] * per_s for cell in cells], total)
            steps |= dict(zip(cells, shared, strict=True))
        return _Spans(steps, exact, whole_s, per_s)

    def time_s(self, names: frozenset[str]) -> float:
        """Exact time of cells together."""
        parts = []
        for cells, whole_s in zip(_BY_VERDICT, self.whole_s, strict=True):
            parts += [whole_s] if names.issuperset(cells) else [self.exact_s[c] for c in cells if c in names]
        return math.fsum(parts)


def _by_verdict(t: Traced) -> tuple[float, float, float, float]:
    """A session's time in the groups of `_BY_VERDICT`."""
    if not t.read:
        return t.recorded_s, 0.0, 0.0, 0.0
    if t.computed == "no":
        return 0.0, 0.0, 0.0, t.recorded_s
    return 0.0, t.computed_s, max(t.recorded_s - t.computed_s, 0.0), 0.0


def _cells(t: Traced) -> list[tuple[str, float]]:
    """A session's time by what becomes of it at which step."""
    both_s = min(t.computed_s, t.final_s)
    lost_s, gained_s = t.computed_s - both_s, t.final_s - both_s
    if not t.read:
        return [("unread", t.recorded_s)]
    if t.computed == "no":
        return [("taken_back", gained_s), ("rejected", t.recorded_s - gained_s)]
    lost = "left_out" if t.final == "no" else "shortened"
    rest_s = max(t.recorded_s - t.computed_s - gained_s, 0.0)
    return [("kept", both_s), (lost, lost_s), ("extended", gained_s), ("cut", rest_s)]


def _count(traced: Sequence[Traced], spans: _Spans, cells: Iterable[str]) -> Count:
    names = frozenset(cells)
    steps, exact_s = sum(spans.steps[name] for name in names), spans.time_s(names)
    participants = len({t.participant for t in traced})
    time, rounded = words.steps_words(steps, spans.per_s), steps != round(exact_s * spans.per_s)
    return Count(len(traced), participants, time, exact_s / 3600, rounded)


def _reasons(reasons: Iterable[str]) -> tuple[tuple[str, int], ...]:
    """Sessions by reason, the most frequent first."""
    return tuple(sorted(Counter(reasons).items(), key=lambda item: (-item[1], item[0])))


def _cut_by(in_part: Sequence[Mapping[str, Any]]) -> tuple[tuple[str, str], ...]:
    """Time in each fault within the sessions that were cut, longest first."""
    seconds = {
        condition.name: sum(
            q["conditions"].get(condition.name, {}).get("seconds") or 0
            for q in in_part
            if condition.name != "mains" or not words.is_mains_all_off(q)
        )
        for condition in CONDITIONS
        if condition.fault
    }
    longest = sorted((item for item in seconds.items() if item[1] > 0), key=lambda item: -item[1])
    return tuple((words.measure_title(name), words.span_words(value)) for name, value in longest)
