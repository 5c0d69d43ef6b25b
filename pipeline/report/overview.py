"""The page of the batch, and what was left out and why as a diagram that reads alone."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from pipeline.report import words
from pipeline.report.parts import templates
from pipeline.report.strip import as_markup
from pipeline.writing import write_text
from schemas.conditions import CONDITIONS

_MATTER_WORDS = {"shared_dump": "shared dump", "start": "start time", "overlap": "overlap in time"}
"""What a session's row says of the matters across the study that concern it."""


def write_overview(
    qualities: Sequence[Mapping[str, Any]], strips: Mapping[str, str], run: Mapping[str, Any], out: Path
) -> None:
    """Write ``index.html`` and ``flow.svg``.

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
    """
    flow = flow_svg(qualities, run["study"])
    shown = _shown(qualities)
    ordered = sorted(qualities, key=_urgency)
    matters = run.get("matters", ())
    page = (
        templates()
        .get_template("overview.html")
        .render(
            run=run,
            verdicts=words.VERDICTS,
            verdict_order=("accept", "accept_in_part", "reject", "unreadable"),
            sessions=[_row(quality, strips, _concerning(quality["session"], matters)) for quality in ordered],
            matters=matters,
            n_participants=len({quality["participant"] for quality in qualities}),
            shown=shown,
            reasons=_by_reason(qualities),
            flow=Markup(flow[flow.index("<svg") :]),  # noqa: S704 (rendered by our template, escaped there)
        )
    )
    write_text(out / "flow.svg", flow)
    write_text(out / "index.html", page)


def flow_svg(qualities: Sequence[Mapping[str, Any]], study: str) -> str:
    """Recorded, excluded by first reason, analysed: sessions and time, as SVG text."""
    left_out: dict[str, list[Mapping[str, Any]]] = {}
    for quality in qualities:
        if not words.is_analysed(quality):
            left_out.setdefault(_first_reason(quality), []).append(quality)
    analysed = [q for q in qualities if words.is_analysed(q)]
    in_part = [q for q in analysed if _cut_s(q) > 0]
    excluded = sorted(left_out.items(), key=lambda item: (-len(item[1]), item[0]))
    reasons = [{"title": words.measure_title(name), "n": len(rows)} for name, rows in excluded]
    shown = _shown(qualities)
    page = templates().get_template("flow.svg")
    return page.render(
        study=study,
        recorded={"n": len(qualities), "time": shown.recorded},
        excluded={"n": len(qualities) - len(analysed), "time": shown.excluded},
        reasons=reasons,
        cut={"n": len(in_part), "time": shown.cut, "by": _cut_by(in_part)},
        analysed={"n": len(analysed), "time": shown.usable},
    )


def _urgency(quality: Mapping[str, Any]) -> tuple[int, float, str]:
    duration_s = quality["duration_s"] or 0
    usable = _usable_s(quality) / duration_s if duration_s else 0.0
    return words.VERDICTS[quality["verdict"]].rank, round(usable, 6), quality["session"]


def _usable_s(quality: Mapping[str, Any]) -> float:
    return float(sum(stop - start for start, stop in quality["usable"]))


def _first_reason(quality: Mapping[str, Any]) -> str:
    if quality["verdict"] == "unreadable":
        return "could not be read"
    return quality["reasons"][0]["measure"] if quality["reasons"] else "no reason stated"


def _concerning(session: str, matters: Sequence[Mapping[str, Any]]) -> list[tuple[int, str]]:
    """Number and name of each matter across the study that concerns a session."""
    return [
        (i, _MATTER_WORDS.get(matter["kind"], matter["kind"]))
        for i, matter in enumerate(matters, 1)
        if session in matter["sessions"]
    ]


def _row(
    quality: Mapping[str, Any], strips: Mapping[str, str], matters: Sequence[tuple[int, str]]
) -> dict[str, Any]:
    duration_s = quality["duration_s"] or 0
    strip = strips.get(quality["session"])
    return {
        **quality,
        "words": words.VERDICTS[quality["verdict"]],
        "said": words.split_sentence(quality["sentence"], quality["verdict"]),
        "matters": matters,
        "strip": as_markup(strip.strip()) if strip else "",
        "not_assessed": words.not_assessed(quality) if duration_s else [],
        "warnings": quality.get("warnings", []) if duration_s else [],
        "usable_share": _usable_s(quality) / duration_s if duration_s else None,
    }


def _by_reason(qualities: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Sessions in which each measure was a reason; one session can have several."""
    counts: dict[str, dict[str, int]] = {}
    for quality in qualities:
        names = {reason["measure"] for reason in quality["reasons"]}
        for name in sorted(names):
            counts.setdefault(name, dict.fromkeys(words.VERDICTS, 0))[quality["verdict"]] += 1
    rows = [
        {"title": words.measure_title(name), "all": sum(by.values()), **by} for name, by in counts.items()
    ]
    return sorted(rows, key=lambda row: (-int(row["all"]), str(row["title"])))


@dataclass(frozen=True)
class _Shown:
    """Times of the batch in words that add up as they stand: usable + cut + excluded = recorded."""

    recorded: str
    usable: str
    cut: str
    excluded: str
    share: float | None


def _shown(qualities: Sequence[Mapping[str, Any]]) -> _Shown:
    analysed = [q for q in qualities if words.is_analysed(q)]
    parts = [
        sum(_duration_s(q) - _cut_s(q) for q in analysed),
        sum(map(_cut_s, analysed)),
        sum(_duration_s(q) for q in qualities if not words.is_analysed(q)),
    ]
    total, (usable, cut, excluded) = words.adding_up(parts)
    return _Shown(total, usable, cut, excluded, parts[0] / sum(parts) if sum(parts) else None)


def _duration_s(quality: Mapping[str, Any]) -> float:
    return float(quality["duration_s"] or 0)


def _cut_s(quality: Mapping[str, Any]) -> float:
    """Time of an analysed session outside its usable intervals; less than a sample is rounding."""
    cut_s = _duration_s(quality) - _usable_s(quality)
    return cut_s if cut_s * (quality["nominal_hz"] or 1.0) > 1.5 else 0.0


def _cut_by(in_part: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Time in each fault within the sessions that were cut, longest first."""
    seconds = {
        condition.name: sum(q["conditions"].get(condition.name, {}).get("seconds") or 0 for q in in_part)
        for condition in CONDITIONS
        if condition.fault
    }
    longest = sorted((item for item in seconds.items() if item[1] > 0), key=lambda item: -item[1])
    return [(words.measure_title(name), words.span_words(value)) for name, value in longest]
