"""The way of the sessions from recorded to analysed: how many leave at each step, and why.

The steps are those of a study's flow diagram: STROBE (von Elm et al. 2007, PLoS Med 4:e296), item 13, and
CONSORT 2010 (Schulz et al. 2010, BMJ 340:c332), item 13. Every time is made of the same cells, so the steps
add up as they are shown.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pipeline.report import words
from pipeline.report.review import Review, clean_time_s
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
    """Sessions at a step, the participants that they are of, and their time."""

    sessions: int
    participants: int
    time: str
    hours: float


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
    def confirmed(self) -> int:
        """Decisions that are followed and say the same as the verdict."""
        moved = (self.left_out, self.taken_back, self.shortened, self.extended)
        return self.decided - self.stale - self.unfit - sum(count.sessions for count in moved)


def trace(quality: Mapping[str, Any], review: Review | None) -> Traced:
    """Follow one session from its recording to its use."""
    recorded_s = float(quality["duration_s"] or 0)
    computed = _USE[quality["verdict"]]
    computed_s = recorded_s - cut_s(quality) if computed != "no" else 0.0
    final, final_s, decided = computed, computed_s, None
    if review is not None and review["followed"]:
        final, decided = _USE[review["decision"]], review["reason"]
        if final != computed:
            clean_s = min(clean_time_s(quality), recorded_s)
            final_s = {"whole": recorded_s, "in_part": clean_s, "no": 0.0}[final]
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


def cut_s(quality: Mapping[str, Any]) -> float:
    """Time of an analysed session outside its usable intervals; less than a sample is rounding."""
    usable_s = float(sum(stop - start for start, stop in quality["usable"]))
    cut = float(quality["duration_s"] or 0) - usable_s
    return cut if cut * (quality["nominal_hz"] or 1.0) > 1.5 else 0.0


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
    cut = [q for q in qualities if _USE[q["verdict"]] != "no" and cut_s(q) > 0]
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
        unknown=sum(review["stale"] is None and review["followed"] for review in told),
        analysed=_count(analysed, spans, ("kept", "extended", "taken_back")),
        analysed_whole=sum(t.final == "whole" for t in analysed),
        analysed_in_part=sum(t.final == "in_part" for t in analysed),
    )


@dataclass(frozen=True)
class _Spans:
    """Time in each cell: in whole steps of a second, and exactly. A step of the flow is a sum of cells."""

    steps: Mapping[str, int]
    exact_s: Mapping[str, float]
    per_s: int

    everything = frozenset(
        ("unread", "kept", "left_out", "shortened", "extended", "cut", "rejected", "taken_back")
    )

    @staticmethod
    def of(traced: Iterable[Traced]) -> "_Spans":
        exact = dict.fromkeys(sorted(_Spans.everything), 0.0)
        for t in traced:
            for cell, seconds in _cells(t):
                exact[cell] += seconds
        per_s, steps = words.in_steps(list(exact.values()))
        return _Spans(dict(zip(exact, steps, strict=True)), exact, per_s)


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
    names = sorted(cells)
    steps = sum(spans.steps[name] for name in names)
    hours = math.fsum(spans.exact_s[name] for name in names) / 3600
    participants = len({t.participant for t in traced})
    return Count(len(traced), participants, words.steps_words(steps, spans.per_s), hours)


def _reasons(reasons: Iterable[str]) -> tuple[tuple[str, int], ...]:
    """Sessions by reason, the most frequent first."""
    return tuple(sorted(Counter(reasons).items(), key=lambda item: (-item[1], item[0])))


def _cut_by(in_part: Sequence[Mapping[str, Any]]) -> tuple[tuple[str, str], ...]:
    """Time in each fault within the sessions that were cut, longest first."""
    seconds = {
        condition.name: sum(q["conditions"].get(condition.name, {}).get("seconds") or 0 for q in in_part)
        for condition in CONDITIONS
        if condition.fault
    }
    longest = sorted((item for item in seconds.items() if item[1] > 0), key=lambda item: -item[1])
    return tuple((words.measure_title(name), words.span_words(value)) for name, value in longest)
