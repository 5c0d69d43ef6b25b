"""What goes into the paper: the flow of the sessions as a picture and as text, and a paragraph of methods."""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from markupsafe import Markup

from pipeline.report.flow import Count, Flow, flow_of
from pipeline.report.methods import Facts, methods_text
from pipeline.report.parts import templates
from pipeline.report.review import Review
from pipeline.report.words import counted, one_line
from pipeline.writing import write_text

_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 cannot hold (section 2.2)."""

_MOST_REASONS = 8
_LONGEST = 36
"""Reasons beyond, and letters beyond, are not drawn; the text has them all."""
_MOST_LINES = 4
"""Of a reason in the picture, so that one without end leaves room for the others."""


@dataclass(frozen=True)
class Box:
    """A box of the diagram: a heading, rows of label and number, and a note.

    ``side`` boxes hang beside the way down: they lead away from it, back to it, or only stand there.
    ``total`` is what is said of the heading more quietly.
    """

    title: str
    total: str
    rows: tuple[tuple[str, str], ...] = ()
    side: Literal["", "outward", "inward", "beside"] = ""
    note: str = ""


def write_paper(
    qualities: Sequence[Mapping[str, Any]], reviews: Mapping[str, Review], facts: Facts, out: Path
) -> dict[str, Any]:
    """Write ``flow.svg``, ``flow.txt`` and ``methods.txt``; give what the batch page shows of them.

    Parameters
    ----------
    qualities : sequence of mapping
        What stands in each session's ``quality.json``, in any order.
    reviews : mapping
        Session -> what `review_of` says of it, for those that a person decided about.
    facts : Facts
        Study, versions and policy.
    out : Path
        The results folder.

    Returns
    -------
    dict
        ``flow`` (SVG for the page), ``flow_text``, ``methods``, and ``stale``: session and why, of each
        decision that is not followed.
    """
    flow = flow_of(qualities, reviews)
    svg, text = flow_svg(flow, facts.study), flow_text(flow, facts.study)
    methods = methods_text(qualities, reviews, flow, facts)
    write_text(out / "flow.svg", svg)
    write_text(out / "flow.txt", text)
    write_text(out / "methods.txt", methods)
    return {
        "flow": Markup(svg[svg.index("<svg") :]),  # noqa: S704 (rendered by our template, escaped there)
        "flow_text": text,
        "methods": methods,
        "stale": [(name, r["why"]) for name, r in sorted(reviews.items()) if not r["followed"]],
    }


def boxes(flow: Flow) -> list[Box]:
    """The diagram from top to bottom; of what nobody did there is no box, of what was looked for there is."""
    return [
        Box(f"{counted(flow.recorded.sessions, 'session')} recorded", _total(flow.recorded)),
        Box(f"{flow.unreadable.sessions} could not be read", "", _rows(flow.unreadable_by), side="outward"),
        Box(f"{flow.read.sessions} read", _total(flow.read)),
        Box(
            f"{flow.rejected.sessions} not to be used",
            _time(flow.rejected) if flow.rejected.sessions else "",
            _rows(flow.rejected_by),
            side="outward",
        ),
        *([_cut(flow)] if flow.cut.sessions else []),
        Box(
            f"{flow.accepted.sessions} accepted: {flow.whole} whole, {flow.in_part} in part",
            _total(flow.accepted),
        ),
        *_reviewed(flow),
        Box(
            f"{flow.analysed.sessions} analysed: {flow.analysed_whole} whole, "
            f"{flow.analysed_in_part} in part",
            _total(flow.analysed),
        ),
    ]


def _cut(flow: Flow) -> Box:
    note = "of it, by fault; faults can overlap" if flow.cut_by else "see the session pages"
    title = f"{flow.cut.time} cut from {counted(flow.cut.sessions, 'session')}"
    return Box(title, "", flow.cut_by, side="outward", note=note)


def _reviewed(flow: Flow) -> Iterable[Box]:
    """What people's decisions changed; one box says so where they changed nothing."""
    moved = (
        (flow.left_out, "left out by a person", flow.left_out_by, False),
        (flow.taken_back, "taken back by a person", flow.taken_back_by, True),
        (flow.shortened, "used in part by a person", (), False),
        (flow.extended, "used whole by a person", (), True),
    )
    for count, words, reasons, inward in moved:
        if count.sessions:
            yield Box(
                f"{count.sessions} {words}",
                _time(count),
                _rows(reasons),
                side="inward" if inward else "outward",
            )
    if not any(count.sessions for count, *_ in moved):
        said = (
            f"{counted(flow.decided, 'decision')} by a person" if flow.decided else "No decision by a person"
        )
        yield Box(said, "", side="beside", note="no session changed" if flow.decided else "")
    if unfollowed := flow.stale + flow.unfit:
        yield Box(
            f"{counted(unfollowed, 'decision')} not followed", "", side="beside", note="see the session pages"
        )


def _total(count: Count) -> str:
    return f"{counted(count.participants, 'participant')} · {_time(count)}"


def _time(count: Count) -> str:
    """The time, and whether it is off by a moment so that all of them add up."""
    return f"{count.time}, rounded" if count.rounded else count.time


def _rows(reasons: Sequence[tuple[str, int]]) -> tuple[tuple[str, str], ...]:
    return tuple((reason, str(n)) for reason, n in reasons)


def flow_svg(flow: Flow, study: str) -> str:
    """The flow as SVG text, which reads alone; `flow_text` says the same in words."""
    shown, drawn, y = boxes(flow), [], 36
    for box in shown:
        rows = [line for label, number in box.rows[:_MOST_REASONS] for line in _lines(label, number)]
        if more := box.rows[_MOST_REASONS:]:
            rows.append((f"{len(more)} more: see flow.txt", ""))
        height = 44 + 26 * (len(rows) + bool(box.note)) if box.side else 62
        drawn.append({"box": box, "rows": rows, "y": y, "height": height, "bottom": y + height})
        y += height + 20
    said = "; ".join(f"{box.title}{f', {box.total}' if box.total else ''}" for box in shown)
    page = templates().get_template("flow.svg")
    svg = page.render(study=study, short_study=_fit(study, 60), boxes=drawn, height=y - 6, said=said)
    return _NO_XML.sub("\ufffd", svg)


def _lines(label: str, number: str) -> list[tuple[str, str]]:
    """A reason in as many lines as it takes, up to a few; its number stands on the first."""
    lines: list[str] = []
    for word in one_line(label).split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and _fit(joined) == joined:
            lines[-1] = joined
            continue
        while _fit(word) != word and len(lines) < _MOST_LINES:  # a word without end is broken anywhere
            head = _fit(word)[:-1] or word[0]
            lines.append(head)
            word = word[len(head) :]
        lines.append(word)
    kept = lines[:_MOST_LINES] or [""]
    if len(lines) > _MOST_LINES:
        kept[-1] = _fit(f"{kept[-1]} {lines[_MOST_LINES]}")
    return [(line, number if not i else "") for i, line in enumerate(kept)]


def _fit(text: str, longest: int = _LONGEST) -> str:
    """Text cut to so many letters; those of double width (Unicode, UAX 11) count twice."""
    width = 0
    for i, sign in enumerate(text):
        width += 2 if unicodedata.east_asian_width(sign) in "WF" else 1
        if width > longest:
            return text[: max(i - 1, 0)].rstrip() + "…"
    return text


def flow_text(flow: Flow, study: str) -> str:
    """The flow as lines of text: what leaves at a step is set in below it."""
    lines = [f"{one_line(study)}: sessions from recorded to analysed", ""]
    for box in boxes(flow):
        deep = "    " if box.side else ""
        total = f" ({box.total.replace(' · ', ', ')})" if box.total else ""
        lines.append(f"{deep}{one_line(box.title + total)}")
        if box.note:
            lines.append(f"{deep}    {box.note}")
        lines += [f"{deep}    {one_line(number)}  {one_line(label)}" for label, number in box.rows]
    return "\n".join(lines) + "\n"
