"""The page of the batch: a row for each session, and what changes over the days."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pipeline.report import words
from pipeline.report.batch_rows import rows
from pipeline.report.flow import Flow, flow_of, trace
from pipeline.report.margins import study_margins
from pipeline.report.parts import script, templates
from pipeline.report.review import Review
from pipeline.report.signal import study_part
from pipeline.report.trend_scales import HEIGHT, WIDTH
from pipeline.report.trends import days, in_numbers, short_days, trends
from pipeline.writing import write_text

GROUPINGS = (("participant", "participant"), ("site", "site"), ("device", "device"), ("day", "day"))

MOST_STANDING = 6
"""Trends that the top of the page tells; the section on the days has them all."""


def write_overview(
    qualities: Sequence[Mapping[str, Any]],
    strips: Mapping[str, str],
    run: Mapping[str, Any],
    out: Path,
    reviews: Mapping[str, Review] = MappingProxyType({}),
    paper: Mapping[str, Any] | None = None,
    signal: Mapping[str, Any] | None = None,
    dated: bool = True,
) -> None:
    """Write ``index.html``.

    Parameters
    ----------
    qualities : sequence of mapping
        What stands in each session's ``quality.json``, in any order.
    strips : mapping
        Session -> SVG text of its strip, as written by `write_report`.
    run : mapping
        ``study`` (title), ``version``, ``policy_sha256``, ``started``, ``finished``, ``counts``
        (verdict -> sessions) and, where something does not fit together, ``matters``: of each its ``kind``,
        ``sessions``, ``files`` and ``text``.
    out : Path
        The results folder.
    reviews : mapping
        Session -> what a person decided, as `review_of` gives it.
    paper : mapping, optional
        What `write_paper` gives: flow and methods.
    signal : mapping, optional
        What `study_signal` gives: whether the study carries the signal.
    dated : bool
        Whether the dates of the sessions are true ones: else nothing is said of changes over the days.
    """
    matters = run.get("matters", ())
    sessions = rows(qualities, strips, matters, reviews)
    flow = flow_of(qualities, reviews)
    quantities = trends(qualities) if dated else []
    standing = _standing_out(quantities)
    page = (
        templates()
        .get_template("overview.html")
        .render(
            run=run,
            scripts=(script("batch.js"), script("copy.js")),
            verdicts=words.VERDICTS,
            verdict_order=("accept", "accept_in_part", "reject", "unreadable"),
            groupings=GROUPINGS,
            sessions=sessions,
            n_doubtful=sum(row["doubtful"] for row in sessions),
            matters=matters,
            n_participants=len({quality["participant"] for quality in qualities}),
            shown=_shown(flow),
            reasons=_by_reason(qualities, reviews),
            by_person=_by_person(flow),
            quantities=quantities,
            days=days(qualities),
            standing_out=standing[:MOST_STANDING],
            n_standing=len(standing),
            short_days=short_days(qualities),
            numbers=in_numbers(qualities, quantities),
            width=WIDTH,
            height=HEIGHT,
            paper=paper,
            margins=study_margins(qualities),
            signal=study_part(signal) if signal else None,
        )
    )
    write_text(out / "index.html", page)


def _by_reason(qualities: Sequence[Mapping[str, Any]], reviews: Mapping[str, Review]) -> list[dict[str, Any]]:
    """Sessions in which each measure was a reason, and how many a person took back; one can have several."""
    counts: dict[str, dict[str, int]] = {}
    back: Counter[str] = Counter()
    for quality in qualities:
        names = {reason["measure"] for reason in quality["reasons"]}
        traced = trace(quality, reviews.get(quality["session"]))
        for name in sorted(names):
            counts.setdefault(name, dict.fromkeys(words.VERDICTS, 0))[quality["verdict"]] += 1
            back[name] += _LEAST_FIRST[traced.final] > _LEAST_FIRST[traced.computed]
    rows = [
        {"name": name, "title": words.measure_title(name), "all": sum(by.values()), "back": back[name], **by}
        for name, by in counts.items()
    ]
    return sorted(rows, key=lambda row: (-int(row["all"]), str(row["title"])))


def _by_person(flow: Flow) -> str:
    """Sessions that people left out, use in part and took back; nothing where no decision is followed."""
    if not flow.followed:
        return ""
    moved = (
        (flow.left_out.sessions, "left out {} more"),
        (flow.shortened.sessions, "use {} in part instead of whole"),
        (flow.taken_back.sessions + flow.extended.sessions, "took back all or some of {}"),
    )
    told = [how.format(words.count(n)) for n, how in moved if n]
    return f"People {words.listed(told) or 'left all as computed'}"


def _standing_out(quantities: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The trends that are claimed, what grows worse first."""
    told = [sentence for quantity in quantities for sentence in quantity["sentences"]]
    return sorted(told, key=lambda sentence: not sentence["worse"])


_LEAST_FIRST = {"no": 0, "in_part": 1, "whole": 2}


@dataclass(frozen=True)
class _Shown:
    """Times of the batch as the flow has them: recorded, usable by the verdicts, and what is analysed.

    ``followed`` counts the decisions of people that are followed; ``uses`` are sessions by the verdict that
    says how they are used then.
    """

    recorded: str
    usable: str
    share: float | None
    followed: int
    analysed: str
    analysed_share: float | None
    uses: Mapping[str, int]


def _shown(flow: Flow) -> _Shown:
    hours = flow.recorded.hours
    return _Shown(
        flow.recorded.time,
        flow.accepted.time,
        flow.accepted.hours / hours if hours else None,
        flow.followed,
        flow.analysed.time,
        flow.analysed.hours / hours if hours else None,
        {
            "accept": flow.analysed_whole,
            "accept_in_part": flow.analysed_in_part,
            "reject": flow.read.sessions - flow.analysed.sessions,
            "unreadable": flow.unreadable.sessions,
        },
    )
