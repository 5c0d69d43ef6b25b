"""Judge: findings to a verdict, and the session's final data files."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline import __version__
from pipeline.detectors import Detected, Spans, on_main
from pipeline.recording import Recording, copy_events, open_recording
from pipeline.recording.restamp import KEY, restamp
from pipeline.steps.detect import read_detected
from pipeline.steps.job import Job, log_rows, read_json, write_json
from pipeline.study import Session
from pipeline.verdict.judge import Extent, Verdict, unreadable
from pipeline.verdict.judge import judge as judge_session
from pipeline.verdict.margins import margins
from schemas.conditions import CONDITIONS
from schemas.measures import BY_NAME

ONE_CUT_S = 1.0
"""Pauses and restarts that two recordings tell of within this time are one."""


@dataclass(frozen=True)
class Recorded:
    """One recording of the session: what tells its file apart, and its samples."""

    suffix: str
    recording: Recording


def judge(job: Job) -> str:
    """Judge a session; write ``quality.json``, stamp its samples, findings and events."""
    conversion = read_json(job.places.conversion)
    counted = conversion["recordings"]
    found, why = read_detected(job.places)
    recordings = [open_recording(job.places.recording_of(one["suffix"])) for one in counted]
    if why or not recordings or not recordings[0].n_rows:
        return write_unreadable(job, why or conversion.get("why") or "the dumps hold no sample")
    whole = on_main(found, recordings, job.policy.settings, conversion["nothing_of"])
    verdict = judge_session(whole, _extent(counted, recordings), job.policy)
    recorded = [
        Recorded(one["suffix"], recording) for one, recording in zip(counted, recordings, strict=True)
    ]
    _write_final(job, recorded, whole, verdict)
    return verdict.sentence


def write_unreadable(job: Job, why: str) -> str:
    """Write the final files of a session that gave nothing: no rows, no further recordings, no events."""
    verdict = unreadable(why)
    _write_final(job, (), Detected(), verdict)
    return verdict.sentence


def _extent(counted: Sequence[Mapping[str, Any]], recordings: Sequence[Recording]) -> Extent:
    main = recordings[0]
    cuts = np.empty(0, np.int64)
    for one, recording in zip(counted, recordings, strict=True):
        rows = np.array([facts[0] for facts in (*one["restarts"], *one["breaks"])], np.int64)
        if recording is not main:
            rows = main.rows_at(recording.clock.time_s(rows))
            rows = rows[_to_nearest(rows, cuts) > ONE_CUT_S * main.sample_hz]
        cuts = np.union1d(cuts, rows)
    return Extent(main.n_rows, main.sample_hz, main.duration_s, tuple(cuts.tolist()))


def _to_nearest(rows: npt.NDArray[np.int64], cuts: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """How far each row is from the nearest of the sorted cuts."""
    edges = np.concatenate(([-np.inf], cuts, [np.inf]))
    after = np.searchsorted(edges, rows)
    return np.minimum(rows - edges[after - 1], edges[after] - rows)


def _write_final(job: Job, recorded: Sequence[Recorded], whole: Detected, verdict: Verdict) -> None:
    """Write all final files; `whole` is what was found on the rows of the main recording, the first."""
    places, sha256 = job.places, job.policy.sha256
    places.clear_final()
    n_events = 0
    if recorded and places.converted_events.exists():
        n_events = copy_events(places.converted_events, {KEY: sha256}, places.events)
    # The main recording last: what stands beside it is complete where it is there.
    for suffix in reversed([one.suffix for one in recorded] or [""]):
        restamp(places.marked_of(suffix), sha256, places.samples_of(suffix))
    restamp(places.found, sha256, places.findings)
    quality = _quality(job, recorded, whole, verdict)
    quality["events"] = {"file": places.events.name, "n_events": n_events} if n_events else None
    write_json(places.quality, quality)


def _quality(job: Job, recorded: Sequence[Recorded], whole: Detected, verdict: Verdict) -> dict[str, Any]:
    session = job.session
    conversion = read_json(job.places.conversion)
    counted = conversion["recordings"]
    main = recorded[0].recording if recorded else None
    return {
        "session": session.name,
        "participant": session.participant,
        "site": session.site,
        "device": session.device,
        "layout": ";".join(dict.fromkeys(layout.name for layout in job.layouts)),
        "started_at": session.started_at.isoformat(),
        "device_start_utc": conversion["device_start_utc"],
        "title": job.study_title,
        "time_zone": job.time_zone,
        "verdict": verdict.name,
        "sentence": verdict.sentence,
        "reasons": [asdict(reason) for reason in verdict.reasons],
        **_stretches(main, verdict),
        "not_assessed": list(verdict.not_assessed),
        "warnings": list(verdict.warnings),
        "duration_s": main.duration_s if main else 0.0,
        "nominal_hz": counted[0]["nominal_hz"] if counted else job.layout.sample_hz,
        "n_samples": main.n_rows if main else 0,
        "recordings": [_recording_row(job, one) for one in recorded],
        "measures": [_measure_row(judged) for judged in verdict.measures],
        "margins": asdict(margins(verdict, job.policy)),
        "conditions": _condition_rows(whole, main),
        "mains_lines": [_line_row(asdict(line)) for line in whole.lines],
        "ledger": {dump["name"]: dump["ledger"] for dump in conversion["dumps"]},
        "frames": _frames(counted, conversion),
        "clock": _clock(counted),
        "notes": [*conversion.get("notes", []), *_of_parts(read_json(job.places.detected).get("cuts_s", []))],
        "made_by": {
            "version": __version__,
            "layout_sha256": job.layouts_sha256,
            "policy_sha256": job.policy.sha256,
            "activities_sha256": _log_sha256(session),
            "dumps": {dump["name"]: dump["sha256"] for dump in conversion["dumps"]},
        },
    }


def _of_parts(cuts_s: Sequence[float]) -> list[str]:
    """What to know of a recording that was too long to be examined at once."""
    if not cuts_s:
        return []
    at = ", ".join(f"{cut_s / 3600:.2f}" for cut_s in cuts_s)
    return [
        f"The recording was examined in {len(cuts_s) + 1} parts, cut at {at} h: what is found is told for "
        "each of them, shares are counted over all."
    ]


def _stretches(main: Recording | None, verdict: Verdict) -> dict[str, Any]:
    """What can be used and what is left out, in seconds; and all that is clean, and the whole recording."""
    if main is None:
        return {"usable": [], "clean": [], "whole": [], "left_out": []}
    return {
        "usable": _in_seconds(main, verdict.usable),
        "clean": _in_seconds(main, verdict.clean),
        "whole": _in_seconds(main, verdict.whole),
        "left_out": [
            {"start_s": main.at_s(part.start), "stop_s": main.until_s(part.stop), "text": part.text}
            for part in verdict.left_out
        ],
    }


def _log_sha256(session: Session) -> str:
    """Digest of the session's part of the activity log: the detectors that read it decide by it, too."""
    return hashlib.sha256(json.dumps(log_rows(session)).encode()).hexdigest()


def _in_seconds(main: Recording, spans: Spans) -> list[list[float]]:
    pairs = zip(spans.start.tolist(), spans.stop.tolist(), strict=True)
    return [[main.at_s(start), main.until_s(stop)] for start, stop in pairs]


def _recording_row(job: Job, one: Recorded) -> dict[str, Any]:
    return {
        "file": job.places.samples_of(one.suffix).name,
        "sample_hz": one.recording.nominal_hz,
        "n_samples": one.recording.n_rows,
        "channels": [channel.name for channel in one.recording.channels],
    }


def _frames(counted: Sequence[Mapping[str, Any]], conversion: Mapping[str, Any]) -> dict[str, int | None]:
    """Frames of all kinds that carry samples, each counted once; None where no counter tells."""
    own = [one for one in counted if not one["shares_frames"]]
    names = {"decoded": "n_frames", **{n: f"n_{n}_frames" for n in ("expected", "lost", "duplicate", "late")}}
    frames: dict[str, int | None] = {name: sum(one[key] for one in own) for name, key in names.items()}
    if not all(one["n_expected_frames"] for one in own):
        frames |= {"expected": None, "lost": None}
    return {**frames, "damaged": conversion.get("damage", {}).get("n_damaged_frames", 0)}


def _clock(counted: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The clock of the main recording."""
    one = counted[0] if counted else {}
    return {
        "source": one.get("clock_source", "nominal"),
        "rate_hz": one.get("clock_rate_hz"),
        "residual_s": one.get("clock_residual_s"),
        "skew_ppm": one.get("clock_skew_ppm"),
        "skew_uncertainty_ppm": one.get("clock_skew_uncertainty_ppm"),
        "jitter_s": one.get("clock_jitter_s"),
        "restarts": len(one.get("restarts", [])),
    }


def _measure_row(judged: Any) -> dict[str, Any]:
    measure, limit = judged.measure, judged.limit
    return {
        "name": measure.name,
        "title": BY_NAME[measure.name].title,
        "unit": measure.unit,
        "channel": measure.channel,
        "value": measure.value,
        "absent": measure.absent,
        "limit": limit.value if limit else None,
        "limit_is": limit.bound if limit else None,
        "within": judged.within,
        "limit_reason": limit.reason if limit else "",
    }


def _condition_rows(detected: Detected, recording: Recording | None) -> dict[str, dict[str, float]]:
    """Time in each condition; that of further recordings is brought to the main rows."""
    if recording is None:
        return {c.name: {"samples": 0, "seconds": 0.0, "fraction": 0.0} for c in CONDITIONS}
    rows = {}
    for condition in CONDITIONS:
        n = detected.marks.get(condition.name, Spans()).n_samples
        seconds, fraction = n / recording.sample_hz, n / recording.n_rows
        rows[condition.name] = {"samples": n, "seconds": seconds, "fraction": fraction}
    return rows


def _line_row(line: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in line.items() if key != "ratio"}
