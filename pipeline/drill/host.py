"""An accepted recording that can take faults: its files, its frames, its clean stretches."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.detectors.acceleration import measure_sensors
from pipeline.detectors.findings import Spans
from pipeline.drill.places import Places, places_of
from pipeline.drill.rewriting import cannot_come_back
from pipeline.drill.scoring import Event, joined
from pipeline.layouts import Layout
from pipeline.recording import Recording, open_recording
from pipeline.steps.job import Job, read_json
from pipeline.steps.job import Places as Files
from pipeline.timebase.sequence import Floats
from schemas.conditions import CONDITIONS

AWAY_S = 3.0
"""Clean stretches keep so far from whatever is marked."""

SHORT_LOSS_S = 0.5
"""Lost samples for no longer than this are in most recordings, and end no clean stretch."""

SHORTEST_S = 15.0
"""A clean stretch shorter than this takes no fault."""

EDGE_S = 5.0
"""Kept free at both ends of the recording."""

MOST_MISSING = 0.01
"""Share of the frames that need not come back byte for byte; they are left alone."""


@dataclass(frozen=True)
class Host:
    """One accepted session.

    Attributes
    ----------
    session : str
        Its name.
    layout : Layout
        Of all its dumps.
    dumps : tuple of Path
        As the user has them; only read.
    mains_hz : float
        Nominal, at the site.
    recordings : tuple of Recording
        Files of samples with the account of their frames, the main one first.
    places : Places
        Of all frames with samples.
    left_alone : frozenset of (dump, offset)
        Frames that are never changed.
    clean : tuple of (start_s, stop_s)
        Stretches without any mark.
    detected : tuple of Event
        What is marked in the recording as it is.
    duration_s : float
        Length of the main recording.
    reach : dict
        Field channel -> its largest distance from the middle of the range, as a share of half of it.
    noise_v : dict
        Field channel -> its noise as measured, rms, where it was.
    moving : float64 array or None
        Start of each second in which the wearer moves; None without an accelerometer.
    quality : dict
        What its ``quality.json`` counts of bytes and frames.
    """

    session: str
    layout: Layout
    dumps: tuple[Path, ...]
    mains_hz: float
    recordings: tuple[Recording, ...]
    places: Places
    left_alone: frozenset[tuple[int, int]]
    clean: tuple[tuple[float, float], ...]
    detected: tuple[Event, ...]
    duration_s: float
    reach: dict[str, float]
    noise_v: dict[str, float]
    moving: Floats | None
    quality: dict[str, Any]

    @property
    def clean_s(self) -> float:
        """Time without any mark, that is long enough to plant in."""
        return sum(stop - start for start, stop in self.clean)

    def moving_within(self, start_s: float, stop_s: float) -> float | None:
        """For how long the wearer moves in a stretch; None without an accelerometer."""
        if self.moving is None:
            return None
        return float(np.count_nonzero((self.moving >= start_s - 0.5) & (self.moving < stop_s - 0.5)))


def open_host(job: Job) -> Host | str:
    """The accepted session of a job as a host, or why it cannot be one."""
    if len({layout.name for layout in job.layouts}) > 1:
        return "its samples come from dumps of several layouts, which would contradict each other"
    conversion = read_json(job.places.conversion)
    suffixes = [one["suffix"] for one in conversion["recordings"]]
    recordings = tuple(open_recording(job.places.recording_of(suffix)) for suffix in suffixes)
    fields = {channel.name for recording in recordings for channel in recording.of_kind("field")}
    if not fields:
        return "it has no field channel"
    places = places_of(recordings)
    if not len(places):
        return "nothing was kept of how its frames are written"
    dumps = tuple(job.study_folder / name for name in job.session.dumps)
    missing = cannot_come_back(recordings[0].path, job.layout, dumps, places)
    if len(missing) > MOST_MISSING * len(places):
        share = f"{len(missing):,} of {len(places):,} frames"
        return f"{share} cannot be made again byte for byte from their samples"
    main = open_recording(job.places.samples)
    clean = tuple(_away_from(_joints_s(places), _clean_stretches(main)))
    if not clean:
        return f"no stretch of {SHORTEST_S:g} s is free of any mark"
    return Host(
        job.session.name,
        job.layout,
        dumps,
        job.session.mains_hz,
        recordings,
        places,
        frozenset(missing),
        clean,
        detections_of(job.places, suffixes),
        main.duration_s,
        {name: reach for recording in recordings for name, reach in _reaches(recording)},
        _noise_v(job.places),
        _moving(recordings, job.policy.settings["movement.body_m_s2"]),
        counted(job.places),
    )


def detections_of(files: Files, suffixes: Sequence[str]) -> tuple[Event, ...]:
    """The runs of every bit in a session's files of samples as events, joined."""
    events = list[Event]()
    for suffix in suffixes:
        recording = open_recording(files.samples_of(suffix))
        runs: dict[str, list[Spans]] = {condition.name: [] for condition in CONDITIONS}
        for start, quality in _quality(recording):
            for condition in CONDITIONS:
                runs[condition.name].append(Spans.of_mask((quality & condition.mask) > 0, start))
        for name, several in runs.items():
            events += _events(name, Spans.merged(*several), recording)
    return joined(events)


def counted(files: Files) -> dict[str, Any]:
    """Bytes, frames, verdict and warnings of a session."""
    quality = read_json(files.quality)
    ledger: dict[str, int] = {}
    for own in quality["ledger"].values():
        for name, n_bytes in own.items():
            ledger[name] = ledger.get(name, 0) + n_bytes
    frames = {name: n or 0 for name, n in quality["frames"].items()}
    return {
        "verdict": quality["verdict"],
        "ledger": ledger,
        "frames": frames,
        "duration_s": quality["duration_s"],
    }


def _quality(recording: Recording) -> Iterator[tuple[int, npt.NDArray[np.uint32]]]:
    for block in recording.blocks(["quality"]):
        yield block.start, block.columns["quality"]


def _events(name: str, spans: Spans, recording: Recording) -> list[Event]:
    start_s = recording.clock.time_s(spans.start)
    stop_s = recording.clock.time_s(spans.stop - 1) + 1 / recording.sample_hz
    return [Event(name, a, b) for a, b in zip(start_s.tolist(), stop_s.tolist(), strict=True)]


def _clean_stretches(main: Recording) -> Iterator[tuple[float, float]]:
    """Stretches without any bit, away from what is marked and from the ends, across no pause."""
    lost_bit = CONDITIONS[0].mask
    losses, others = list[Spans](), list[Spans]()
    for start, quality in _quality(main):
        losses.append(Spans.of_mask(quality == lost_bit, start))
        others.append(Spans.of_mask((quality & ~np.uint32(lost_bit)) > 0, start))
    away = round(AWAY_S * main.sample_hz)
    lost = Spans.merged(*losses)
    long = lost.stop - lost.start > SHORT_LOSS_S * main.sample_hz
    marked = Spans.merged(*others, Spans(lost.start[long], lost.stop[long]))
    wide = Spans.merged(Spans(marked.start - away, marked.stop + away))
    edge = round(EDGE_S * main.sample_hz)
    whole = Spans(np.array([edge], np.int64), np.array([max(main.n_rows - edge, edge)], np.int64))
    free = whole.without(wide)
    for start, stop in free.pairs():
        start_s, stop_s = main.at_s(start), main.until_s(stop)
        is_even = stop_s - start_s < 1.02 * (stop - start) / main.sample_hz
        if is_even and stop_s - start_s >= SHORTEST_S:
            yield start_s, stop_s


def _joints_s(places: Places) -> list[float]:
    """When one dump goes on where another ends: both may hold the same frames, which must not differ."""
    order = np.argsort(places.start_s, kind="stable")
    changes = np.flatnonzero(np.diff(places.dump[order]) != 0)
    return [float(second) for second in places.start_s[order][changes + 1]]


def _away_from(
    seconds: Sequence[float], stretches: Iterator[tuple[float, float]]
) -> Iterator[tuple[float, float]]:
    """The stretches without what lies near any of these seconds."""
    for start_s, stop_s in stretches:
        inside = [second for second in seconds if start_s - AWAY_S < second < stop_s + AWAY_S]
        starts = [start_s, *(second + AWAY_S for second in inside)]
        stops = [*(second - AWAY_S for second in inside), stop_s]
        yield from ((a, b) for a, b in zip(starts, stops, strict=True) if b - a >= SHORTEST_S)


def _noise_v(files: Files) -> dict[str, float]:
    measures = read_json(files.quality)["measures"]
    return {m["channel"]: float(m["value"]) for m in measures if m["name"] == "noise_v" and m["value"]}


def _moving(recordings: Sequence[Recording], least_m_s2: float) -> Floats | None:
    """Start of each second in which an accelerometer moves as much as a body does; None without one."""
    tracks = [track for own in measure_sensors(recordings) for track in own.values()]
    if not tracks:
        return None
    return tracks[0].start_s[np.nan_to_num(tracks[0].rms) >= least_m_s2]


def _reaches(recording: Recording) -> Iterator[tuple[str, float]]:
    channels = recording.of_kind("field")
    if not channels:
        return
    low = {channel.name: np.inf for channel in channels}
    high = {channel.name: -np.inf for channel in channels}
    for block in recording.blocks([channel.name for channel in channels]):
        for name, values in block.columns.items():
            there = values[~np.isnan(values)]
            if len(there):
                low[name] = min(low[name], float(there.min()))
                high[name] = max(high[name], float(there.max()))
    for channel in channels:
        middle, half = (channel.adc_high + channel.adc_low) / 2, (channel.adc_high - channel.adc_low) / 2
        yield channel.name, max(high[channel.name] - middle, middle - low[channel.name]) / half
