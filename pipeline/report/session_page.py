"""The page of one session, and its strip for the page of the batch."""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
from markupsafe import Markup

from pipeline.recording import open_recording
from pipeline.report import words
from pipeline.report.advice import advice
from pipeline.report.analysed import length_s, within_s
from pipeline.report.course import clock, losses
from pipeline.report.drawn import Drawn
from pipeline.report.glance import Glance
from pipeline.report.margins import session_margins
from pipeline.report.parts import Activity, script, templates
from pipeline.report.pictures import glance_picture
from pipeline.report.review import review_of, session_review
from pipeline.report.signal import session_part
from pipeline.report.spectrum_picture import spectrum_picture
from pipeline.report.starts import started_words
from pipeline.report.strip import strip_svg
from pipeline.report.viewer import Seen, see
from pipeline.report.whole import whole
from pipeline.study import Decision
from pipeline.writing import write_text
from schemas.conditions import CONDITIONS, FAULT_MASK
from schemas.measures import BY_NAME

MOST_FINDINGS = 200
_LEDGER = ("decoded", "duplicate", "damaged", "unrecognised", "padding")
_FINDING_COLUMNS = [
    "detector",
    "channel",
    "start_s",
    "stop_s",
    "severity",
    "measure",
    "value",
    "limit",
    "unit",
    "explanation",
]


def write_report(
    quality: Mapping[str, Any],
    samples: Path,
    findings: Path,
    activities: Sequence[Activity],
    out: Path,
    strip: Path,
    review: Decision | None = None,
    signal: Mapping[str, Any] | None = None,
    drawn: Drawn | None = None,
) -> None:
    """Write the page of one session and its strip. The same input gives the same bytes.

    Parameters
    ----------
    quality : mapping
        What stands in ``quality.json``.
    samples, findings : Path
        The session's Parquet files. Slower channels are taken from ``samples_<rate>hz.parquet`` beside
        `samples`, events from ``events.parquet``.
    activities : sequence of Activity
        The session's part of the activity log; times in seconds from its first sample.
    out, strip : Path
        The page (HTML, nothing outside it is needed) and the thin picture (SVG).
    review : Decision or None
        What a person decided about the session.
    signal : mapping or None
        Whether it carries the signal, by `pipeline.signal.session_signal`.
    drawn : Drawn or None
        What was drawn of `samples` and what stands beside them; without it they are read, block by block.
    """
    activities = [_Doing(one) for one in activities]
    found, every = _findings(findings)
    readable = quality["verdict"] != "unreadable" and samples.exists()
    all_lost = quality["conditions"].get("lost", {}).get("fraction") == 1.0
    seen = see(quality, samples, every, activities, all_lost, drawn) if readable else None
    glance, margins, copying = (
        seen.glance if seen else None,
        session_margins(quality),
        script("copy.js", "among.js"),
    )
    page = (
        templates()
        .get_template("session.html")
        .render(
            **_answers(quality, found["warned"], readable),
            advice=advice(quality, every, activities) if readable else (),
            **(_pictured(quality, seen, samples, activities) if seen else _NOTHING_SEEN),
            scripts=[*([seen.viewer["script"]] if seen else []), copying],
            copying=copying,
            review=session_review(quality, review_of(quality, review)),
            signal=session_part(signal) if signal and seen else "",
            margins=margins,
            contents=_contents(seen, activities, margins is not None, signal),
            doings=_doings(quality, activities),
            groups=_grouped(quality["measures"]),
            **found,
            **_origin(quality),
        )
    )
    write_text(out, page)
    write_text(strip, strip_svg(quality, glance, activities))


class _Doing:
    """An activity by a name that does nothing to what stands beside it."""

    def __init__(self, logged: Activity) -> None:
        self.start_s, self.stop_s = logged.start_s, logged.stop_s
        self.activity, self.intensity = words.visible(logged.activity), logged.intensity


def _answers(quality: Mapping[str, Any], warned: Sequence[str], readable: bool) -> dict[str, Any]:
    """What the first screen says, but for its picture and its advice."""
    return {
        "q": quality,
        "verdict": words.VERDICTS[quality["verdict"]],
        "sentence": words.split_sentence(quality["sentence"], quality["verdict"]),
        "not_assessed": words.not_assessed(quality) if readable else [],
        "warnings": quality.get("warnings", warned) if readable else [],
        "tied": _tied(quality) if readable else "",
        "cause": "" if readable else _cause(quality),
        "left_out": quality.get("left_out", []),
        "unsaid": [
            reason["text"] for reason in quality["reasons"] if reason["text"] not in quality["sentence"]
        ],
        "usable_words": words.intervals_words(quality["usable"], quality["duration_s"] or 0),
        "usable_s": length_s(quality["usable"]),
        "started": started_words(
            quality["started_at"], quality.get("time_zone") or "", quality["duration_s"]
        ),
        "measures": _deciding(quality["measures"]),
        "conditions": words.conditions_words(quality),
    }


_TIED_FROM = 0.2
"""Share of a recording from which the first screen says that the wearer was tied to ground."""


def _tied(quality: Mapping[str, Any]) -> str:
    """How long the wearer was tied to ground, where that is a good part of the recording."""
    tied = quality["conditions"].get("low_coupling", {})
    if (tied.get("fraction") or 0.0) < _TIED_FROM:
        return ""
    return f"Tied to ground for {words.span_words(tied['seconds'])}, {words.share(tied['fraction'])} of it"


_NOTHING_SEEN: Mapping[str, Any] = {
    "whole": {}, "view": None, "stills": [], "course": {}, "pictures": {}, "spectra": {}, "no_spectrum": [],
}  # fmt: skip


def _pictured(
    quality: Mapping[str, Any], seen: Seen, samples: Path, activities: Sequence[Activity]
) -> dict[str, Any]:
    """All pictures of the recording, in the order of the page."""
    glance = seen.glance
    return {
        "whole": whole(quality, glance, activities),
        "view": seen.viewer,
        "stills": seen.stills,
        "moments_title": _moments_title([still["moment"].decided for still in seen.stills]),
        "course": {"losses": losses(glance, quality), "clock": clock(open_recording(samples), quality)},
        "pictures": _pictures(quality, glance, activities),
        "spectra": glance.spectra,
        "no_spectrum": _no_spectrum(glance),
    }


def _moments_title(decided: Sequence[bool]) -> str:
    if all(decided):
        return "The moments that decided"
    return "Moments that decided, and others" if any(decided) else "Moments of what was found; none decided"


def _origin(quality: Mapping[str, Any]) -> dict[str, Any]:
    """Where it all comes from: lines of the mains, bytes, files, layouts, clock."""
    return {
        "lines": [
            {**line, "words": words.joined(words.line_words(line, with_verdict=False))}
            for line in quality["mains_lines"]
        ],
        "ledger": _ledger(quality["ledger"]),
        "ledger_kinds": _LEDGER,
        "layouts": _layouts(quality),
        "files": quality.get("recordings", []),
        "events": quality.get("events"),
        "clock_words": words.CLOCK_WORDS.get(quality["clock"]["source"], quality["clock"]["source"]),
        "fault_mask": FAULT_MASK,
        "notes": [condition for condition in CONDITIONS if not condition.fault],
        "faults": [condition for condition in CONDITIONS if condition.fault],
    }


def _contents(
    seen: Seen | None, activities: Sequence[Activity], margins: bool, signal: Mapping[str, Any] | None
) -> list[tuple[str, str]]:
    """Sections below the first screen: anchor and what a link to it says."""
    sections = [
        ("glance", "Recording", True),
        ("moments", "Moments", bool(seen and seen.stills)),
        ("spectrum", "Spectrum", True),
        ("course", "Losses and clock", True),
        ("margins", "Margins", margins),
        ("limits", "Limits", True),
        ("review", "Sign-off", True),
        ("signal", "Signal", signal is not None),
        ("findings", "Findings", True),
        ("doings", "Activities", bool(activities)),
        ("bytes", "Bytes", True),
        ("made", "Origin", True),
    ]
    return [(anchor, label) for anchor, label, there in sections if there]


def _doings(quality: Mapping[str, Any], activities: Sequence[Activity]) -> list[dict[str, Any]]:
    """Each activity, and which share of it lies in usable intervals."""
    rows = []
    for one in activities:
        inside_s = within_s(quality["usable"], one.start_s, one.stop_s)
        rows.append(
            {
                "start_s": one.start_s,
                "stop_s": one.stop_s,
                "activity": one.activity,
                "intensity": one.intensity,
                "usable": _share_of(inside_s, one.stop_s - one.start_s, quality["nominal_hz"]),
            }
        )
    return rows


def _share_of(inside_s: float, lasts_s: float, sample_hz: float | None) -> float | None:
    """Share of an activity; all of it where less than two samples lack, for ends lie between samples."""
    if lasts_s <= 0:
        return None
    return 1.0 if lasts_s - inside_s < 1.5 / (sample_hz or math.inf) else min(inside_s / lasts_s, 1.0)


def _layouts(quality: Mapping[str, Any]) -> dict[str, str]:
    """The layouts of the session's dumps, and their digests."""
    names, digests = quality["layout"].split(";"), quality["made_by"]["layout_sha256"].split()
    return dict(zip(names, digests, strict=False))


def _cause(quality: Mapping[str, Any]) -> str:
    """What kept a session from being read, as far as the ledger tells: it decides what advice fits.

    ``file``: a dump has no byte; ``bytes``: there are bytes, but no frame; ``step``: frames were decoded,
    and what came after failed.
    """
    entries = quality["ledger"].values()
    if not entries or any(sum(entry[kind] for kind in _LEDGER) == 0 for entry in entries):
        return "file"
    return "step" if any(entry["decoded"] for entry in entries) else "bytes"


def _no_spectrum(glance: Glance) -> list[str]:
    """Why channels have no spectrum, a sentence for each."""
    if not glance.of_kind("field"):
        return ["No spectrum: the layout names no field channel."]
    return [f"No spectrum of {name}: {why}." for name, why in glance.no_spectrum.items()]


def _pictures(
    quality: Mapping[str, Any], glance: Glance, activities: Sequence[Activity]
) -> dict[str, Markup]:
    pictures = {"glance": glance_picture(quality, glance, activities)}
    if glance.spectra:
        units = {envelope.channel.name: envelope.channel.unit for envelope in glance.envelopes}
        pictures["spectrum"] = spectrum_picture(glance.spectra, units, quality["mains_lines"])
    return pictures


def _deciding(measures: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Each measure by its name; of several channels the largest of either sign, and `whose` it is."""
    by_name: dict[str, list[Mapping[str, Any]]] = {}
    for measure in measures:
        by_name.setdefault(measure["name"], []).append(measure)
    found = {}
    for name, rows in by_name.items():
        row = max((row for row in rows if row["value"] is not None), key=_size, default=rows[0])
        alike = [other["channel"] for other in rows if other["channel"] and other["value"] == row["value"]]
        whose = ", ".join(alike) if len(rows) > 1 and row["channel"] else ""
        found[name] = {**row, "whose": whose}
    return found


def _size(measure: Mapping[str, Any]) -> float:
    return abs(float(measure["value"]))


_Groups = list[tuple[str, list[dict[str, Any]]]]


def _grouped(measures: Sequence[Mapping[str, Any]]) -> tuple[_Groups, _Groups]:
    """Measures under headings, those outside their limit first; those that have no limit for themselves."""
    groups: dict[str, list[dict[str, Any]]] = {
        "Outside the limit": [],
        "Not assessed against its limit": [],
        "Within the limit": [],
        "For information, without a limit": [],
        "For information, but not assessed": [],
    }
    outside, unknown, inside, plain, without = groups.values()
    for measure in measures:
        row = dict(measure)
        known = BY_NAME.get(row["name"])
        row["description"] = words.by_titles(known.description) if known else ""
        row["covers"] = words.COVERS.get(row["name"], "")
        row["bar"] = _bar(measure)
        if measure["within"] is False:
            outside.append(row)
        elif measure["within"]:
            inside.append(row)
        elif measure["limit"] is not None:
            unknown.append(row)
        else:
            (without if measure["value"] is None else plain).append(row)
    seen: set[str] = set()
    for row in (*outside, *unknown, *inside, *plain, *without):
        row["anchor"] = row["name"] not in seen  # of several channels the gravest is linked to
        seen.add(row["name"])
    there = [(title, rows) for title, rows in groups.items() if rows]
    judged = [group for group in there if any(row["limit"] is not None for row in group[1])]
    return judged, [group for group in there if group not in judged]


def _bar(measure: Mapping[str, Any]) -> dict[str, float | bool] | None:
    """How far the value reaches on a bar of 100 whose limit stands at 50; None where there is no bar."""
    value, limit = measure["value"], measure["limit"]
    if value is None or limit is None:
        return None
    reach = abs(value) / abs(limit) * 50 if limit else (100.0 if value else 0.0)
    return {"reach": round(min(reach, 100.0), 1), "beyond": reach > 100}


def _findings(path: Path) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """What the page lists of the findings, in order of time, and all of them; of many the graver are listed.

    The first warning of each detector carries an anchor, and the detectors that warn are ``warned``.
    """
    if not path.exists():
        return {"findings": [], "n_findings": 0, "warned": []}, []
    rows = pq.read_table(path, columns=_FINDING_COLUMNS).to_pylist()
    rows.sort(key=lambda row: (row["start_s"], row["detector"], row["channel"] or ""))
    warned: list[str] = []
    order = {"fault": 1, "warning": 2, "note": 3}
    for row in rows:
        first = row["severity"] == "warning" and row["detector"] not in warned
        row["anchor"] = f"w-{row['detector']}" if first else ""
        if first:
            warned.append(row["detector"])
    # Sorting is stable: what is equally grave stays in order of time. What is linked to is always shown.
    kept = sorted(rows, key=lambda row: 0 if row["anchor"] else order[row["severity"]])[:MOST_FINDINGS]
    kept.sort(key=lambda row: (row["start_s"], row["detector"], row["channel"] or ""))
    return {"findings": kept, "n_findings": len(rows), "warned": sorted(warned)}, rows


def _ledger(ledger: Mapping[str, Mapping[str, int]]) -> list[dict[str, Any]]:
    """One row for each dump, and their sum where there are several; bars of 100."""
    rows: list[dict[str, Any]] = [{"path": path, **entry} for path, entry in sorted(ledger.items())]
    if len(rows) > 1:
        rows.append({"path": "all dumps", **{kind: sum(row[kind] for row in rows) for kind in _LEDGER}})
    for row in rows:
        row["total"] = sum(row[kind] for kind in _LEDGER)
        row["bars"] = _stacked([(kind, row[kind]) for kind in _LEDGER if row[kind]], row["total"])
    return rows


def _stacked(parts: Sequence[tuple[str, int]], total: int) -> list[tuple[str, float, float]]:
    """Kind, start and width on a bar of 100; even one byte gets a width that can be seen."""
    widths = [max(n / total * 100, 1.0) for _, n in parts]
    scale, start, bars = 100 / (math.fsum(widths) or 1.0), 0.0, []
    for (kind, _), width in zip(parts, widths, strict=True):
        bars.append((kind, round(start, 2), round(width * scale, 2)))
        start += width * scale
    return bars
