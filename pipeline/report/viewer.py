"""The recording as it travels in the page, to be zoomed into and moved through down to single samples.

A recording that fits the budget travels whole. A longer one travels as the smallest and the largest value of
every bin (`pipeline.report.drawn`), so that no spike disappears, and with every single sample of the moments
that decided its verdict. The browser makes coarser bins from these; the scripts are
``templates/viewer_layers.js``, which unpacks and searches, ``viewer_words.js``, ``viewer_draw.js``, and
``viewer.js``, which listens.
"""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from markupsafe import Markup

from pipeline.recording import Block, Recording
from pipeline.report import moments, words
from pipeline.report.drawn import Bins, Drawn, draw_files
from pipeline.report.glance import Glance, event_times, recordings_of, together, uncovered
from pipeline.report.layers import Layer
from pipeline.report.parts import Activity, script
from pipeline.report.segments import Segment, joined
from pipeline.report.starts import clock_time
from schemas.conditions import CONDITIONS

SINGLE_VALUES = 80_000
"""Samples times channels of the moments that travel beside bins."""
LONGEST_MOMENT_S, SHORTEST_MOMENT_S = 10.0, 1.0
MOST_KNOTS = 2000
MOST_EVENTS = 5000
"""Events up to which each travels with its own time; of more, one for each column of the picture."""


@dataclass(frozen=True)
class Seen:
    """What a session's recordings give its page.

    ``viewer`` is what the macro of ``viewer.html`` takes, ``stills`` what that of ``moments.html`` takes.
    """

    glance: Glance
    viewer: dict[str, Any]
    stills: list[dict[str, Any]]


def see(
    quality: Mapping[str, Any],
    samples: Path,
    findings: Sequence[Mapping[str, Any]],
    activities: Sequence[Activity],
    all_lost: bool = False,
    drawn: Drawn | None = None,
) -> Seen | None:
    """What a page shows of a session's recordings; None where they have no rows.

    Parameters
    ----------
    quality : mapping
        What stands in ``quality.json``.
    samples : Path
        The session's samples, with what stands beside them.
    findings : sequence of mapping
        Rows of ``findings.parquet``.
    activities : sequence of Activity
        The session's part of the activity log.
    all_lost : bool
        Whether not a sample of any field came.
    drawn : Drawn or None
        What was drawn of these files, of which only the moments are read then; without it all is, once.
    """
    drawn = drawn or draw_files(samples, float(quality["duration_s"] or 0))
    if drawn is None:
        return None
    recordings = recordings_of(samples)
    glance = together(recordings, drawn.glances, samples.with_name("events.parquet"), all_lost)
    chosen = moments.choose(quality, findings, _moment_s(recordings))
    packs = [Pack(one, bins, chosen) for one, bins in zip(recordings, drawn.bins, strict=True)]
    viewer = _viewer(quality, packs, chosen, activities, glance.duration_s)
    viewer["facts"]["lost"] = _lost(recordings, glance.duration_s, all_lost)
    viewer["facts"]["events"] = _events(samples, glance)
    stills = [
        {
            "n": i,
            "moment": moment,
            "picture": moments.picture(moment, [t for pack in packs for t in pack.traces(moment)]),
        }
        for i, moment in enumerate(chosen)
    ]
    return Seen(glance, viewer, stills)


def _lost(recordings: Sequence[Recording], duration_s: float, all_lost: bool) -> list[tuple[float, float]]:
    """Start and stop in seconds of what is lost though no row is there to be marked, as in the glance."""
    if all_lost:
        return [(0.0, duration_s)]
    return [part for slower in recordings[1:] for part in uncovered(slower, duration_s)]


def _events(samples: Path, glance: Glance) -> dict[str, Any]:
    """When events came, in seconds; ``each`` is whether all of them are there."""
    path = samples.with_name("events.parquet")
    if not len(glance.events_s) or pq.read_metadata(path).num_rows > MOST_EVENTS:
        return {"each": False, "seconds": glance.events_s.tolist()}
    time_s = event_times(path, glance.duration_s)
    return {"each": True, "seconds": np.unique(time_s.round(6)).tolist()}


class Pack:
    """One recording as it travels: bins of all of it, and single samples where these are not that already."""

    def __init__(self, recording: Recording, bins: Bins, chosen: Sequence[moments.Moment]) -> None:
        self.recording, self.bins = recording, bins
        self._read = [_single(recording, *rows) for rows in _stretches(recording, chosen)]

    @property
    def details(self) -> list[Layer]:
        """Single samples that travel beside bins."""
        return self._read if self.bins.step > 1 else []

    def traces(self, moment: moments.Moment) -> list[moments.Trace]:
        """Every single sample of the moment, channel by channel."""
        start, stop = self.recording.rows_at(np.array([moment.start_s, moment.stop_s])).tolist()
        for layer in self._read:
            if layer.first <= start < stop <= layer.stop:
                time_s = self.recording.clock.time_s(np.arange(start, stop))
                part = slice(start - layer.first, stop - layer.first)
                return [
                    moments.Trace(channel, time_s, layer.low[i, part])
                    for i, channel in enumerate(self.recording.channels)
                ]
        return []

    def packed(self) -> tuple[list[Mapping[str, Any]], list[Segment]]:
        """Facts and bytes of each layer, the bins of all of it first."""
        own = [layer.packed() for layer in self.details]
        facts = [self.bins.facts, *(facts for facts, _ in own)]
        return facts, [self.bins.segment, *(Segment.of(data) for _, data in own)]


def _single(recording: Recording, start: int, stop: int) -> Layer:
    """Every sample of the rows [start, stop)."""
    layer = Layer(recording.channels, start, stop, 1)
    names = [*(channel.name for channel in recording.channels), "quality"]
    layer.add(Block(start, recording.read(names, start, stop)))
    return layer


def _moment_s(recordings: Sequence[Recording]) -> float:
    """How long a moment may be, so that the single samples of all of them stay within their budget."""
    in_a_second = sum(one.sample_hz * len(one.channels) for one in recordings) or 1.0
    most_s = SINGLE_VALUES / moments.MOST_MOMENTS / in_a_second
    return min(max(most_s, SHORTEST_MOMENT_S), LONGEST_MOMENT_S)


def _stretches(recording: Recording, chosen: Sequence[moments.Moment]) -> list[tuple[int, int]]:
    """Rows [start, stop) of the moments, those that touch as one."""
    edges = np.array([[moment.start_s, moment.stop_s] for moment in chosen]).reshape(-1, 2)
    rows = recording.rows_at(edges.ravel()).reshape(-1, 2)
    joined: list[tuple[int, int]] = []
    for start, stop in sorted(rows.tolist()):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        elif stop > start:
            joined.append((start, stop))
    return joined


def _viewer(
    quality: Mapping[str, Any],
    packs: Sequence[Pack],
    chosen: Sequence[moments.Moment],
    activities: Sequence[Activity],
    duration_s: float,
) -> dict[str, Any]:
    packed = [pack.packed() for pack in packs]
    layers = [own for own, _ in packed]
    data = joined([segment for _, own in packed for segment in own])
    facts = {
        "duration_s": duration_s,
        "clock_time": clock_time(quality),
        "usable": quality["usable"],
        "conditions": [
            {
                "mask": c.mask,
                "words": words.condition_title(c.name, quality),
                "name": c.name,
                "fault": c.fault,
            }
            for c in CONDITIONS
        ],
        "activities": [
            {"start_s": a.start_s, "stop_s": a.stop_s, "activity": a.activity, "intensity": a.intensity}
            for a in activities
        ],
        "moments": [
            {"title": m.title, "start_s": m.start_s, "stop_s": m.stop_s, "from_s": m.from_s, "to_s": m.to_s}
            for m in chosen
        ],
        "recordings": [_recording_facts(pack, own) for pack, own in zip(packs, layers, strict=True)],
    }
    return {
        "facts": facts,
        "data": Markup(base64.b64encode(data).decode()),  # noqa: S704 (letters and digits)
        "script": script("viewer_layers.js", "viewer_words.js", "viewer_draw.js", "viewer.js"),
        "travels": _travels(packs),
        "quantised": _quantised(packs, layers),
        "chosen": chosen,
    }


def _recording_facts(pack: Pack, layers: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    recording, channels = pack.recording, []
    for channel, largest in zip(recording.channels, pack.bins.largest, strict=True):
        factor, unit = words.prefix_for(largest, channel.unit)
        decimals = int(np.clip(np.ceil(-np.log10(abs(channel.scale) / factor)), 0, 6))
        channels.append(
            {
                "name": channel.name,
                "kind": channel.kind,
                "unit": unit,
                "scale": channel.scale / factor,
                "offset": channel.offset / factor,
                "decimals": decimals,
            }
        )
    rows, seconds = _knots(recording)
    return {
        "sample_hz": recording.sample_hz,
        "n_rows": recording.n_rows,
        "rows": rows,
        "seconds": seconds,
        "channels": channels,
        "layers": list(layers),
    }


def _knots(recording: Recording) -> tuple[list[float], list[float]]:
    """Rows and seconds between which the clock is straight, to a tenth of a sample or as few allow."""
    clock, n = recording.clock, recording.n_rows
    inner = clock.knot_row[(clock.knot_row > 0) & (clock.knot_row < n - 1)]
    rows = np.unique(np.concatenate(([0.0], np.floor(inner), np.ceil(inner), [n - 1.0])))
    seconds = clock.time_s(rows.astype(np.int64))
    within_s = 0.1 / recording.sample_hz
    kept = _straight(rows, seconds, within_s)
    while len(kept) > MOST_KNOTS:
        within_s *= 4
        kept = _straight(rows, seconds, within_s)
    last_s = recording.until_s(n)
    return [*rows[kept].tolist(), float(n)], [round(s, 6) for s in (*seconds[kept].tolist(), last_s)]


def _straight(rows: Any, seconds: Any, within_s: float) -> list[int]:
    """Indices of knots that must stay so that lines between them pass all others within that distance."""
    kept, low, high = [0], -np.inf, np.inf
    for i in range(1, len(rows)):
        run, rise = rows[i] - rows[kept[-1]], seconds[i] - seconds[kept[-1]]
        if not low <= rise / run <= high:
            kept.append(i - 1)
            run, rise = rows[i] - rows[i - 1], seconds[i] - seconds[i - 1]
            low, high = -np.inf, np.inf
        low, high = max(low, (rise - within_s) / run), min(high, (rise + within_s) / run)
    return [*kept, len(rows) - 1] if kept[-1] != len(rows) - 1 else kept


def _travels(packs: Sequence[Pack]) -> str:
    """What of the recording is in the page, in words."""
    if all(pack.bins.step == 1 for pack in packs):
        return "Every single sample of the recording is in this page."
    longest = max(packs, key=lambda pack: pack.bins.step / pack.recording.sample_hz)
    each_s = longest.bins.step / longest.recording.sample_hz
    said = (
        f"Of the whole recording this page holds the smallest and the largest value of every "
        f"{longest.bins.step} samples ({words.span_words(each_s)})"
    )
    if any(pack.details for pack in packs):
        return said + ", and every single sample of the moments below."
    return said + "; every single sample is in the files beside it."


def _quantised(packs: Sequence[Pack], layers: Sequence[Sequence[Mapping[str, Any]]]) -> str:
    """How exact the values are, in words."""
    rounded = [
        f"{channel.name} to {1 << fact['shift']} counts"
        for pack, own in zip(packs, layers, strict=True)
        for channel, fact in zip(pack.recording.channels, own[0]["channels"], strict=True)
        if fact["shift"]
    ]
    if not rounded:
        return "Values are the device’s own counts, not rounded."
    listed = ", ".join(rounded)
    return f"Values are the device’s own counts, rounded outwards by less than can be seen: {listed}."
