"""The page of the batch, and what was left out and why as a diagram that reads alone."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from pipeline.report import words
from pipeline.report.parts import templates
from pipeline.report.strip import as_markup
from pipeline.writing import write_text
from schemas.conditions import CONDITIONS


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
        ``study`` (title), ``version``, ``policy_sha256``, ``started``, ``finished`` and ``counts``
        (verdict -> sessions).
    out : Path
        The results folder.
    """
    flow = flow_svg(qualities, run["study"])
    ordered = sorted(qualities, key=_urgency)
    page = (
        templates()
        .get_template("overview.html")
        .render(
            run=run,
            verdicts=words.VERDICTS,
            verdict_order=("accept", "accept_in_part", "reject", "unreadable"),
            sessions=[_row(quality, strips) for quality in ordered],
            n_participants=len({quality["participant"] for quality in qualities}),
            recorded_s=sum(quality["duration_s"] or 0 for quality in qualities),
            usable_s=sum(_usable_s(quality) for quality in qualities if words.is_analysed(quality)),
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
    in_part = [q for q in analysed if q["verdict"] == "accept_in_part"]
    excluded = sorted(left_out.items(), key=lambda item: (-len(item[1]), item[0]))
    reasons = [_counted(words.measure_title(name), rows) for name, rows in excluded]
    cut_s = sum(max((q["duration_s"] or 0) - _usable_s(q), 0) for q in in_part)
    page = templates().get_template("flow.svg")
    return page.render(
        study=study,
        recorded=_counted("recorded", qualities),
        excluded=_counted("not analysed", [q for rows in left_out.values() for q in rows]),
        reasons=reasons,
        cut={"n": len(in_part), "hours": words.span_words(cut_s), "by": _cut_by(in_part)},
        analysed={**_counted("analysed", analysed), "hours": words.span_words(sum(map(_usable_s, analysed)))},
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


def _row(quality: Mapping[str, Any], strips: Mapping[str, str]) -> dict[str, Any]:
    duration_s = quality["duration_s"] or 0
    strip = strips.get(quality["session"])
    return {
        **quality,
        "words": words.VERDICTS[quality["verdict"]],
        "said": words.split_sentence(quality["sentence"], quality["verdict"]),
        "strip": as_markup(strip.strip()) if strip else "",
        "usable_s": _usable_s(quality),
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


def _counted(title: str, qualities: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "title": title,
        "n": len(qualities),
        "hours": words.span_words(sum(quality["duration_s"] or 0 for quality in qualities)),
    }


def _cut_by(in_part: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Time in each fault within the sessions used in part, longest first."""
    seconds = {
        condition.name: sum(q["conditions"].get(condition.name, {}).get("seconds") or 0 for q in in_part)
        for condition in CONDITIONS
        if condition.fault
    }
    longest = sorted((item for item in seconds.items() if item[1] > 0), key=lambda item: -item[1])
    return [(words.measure_title(name), words.span_words(value)) for name, value in longest]
