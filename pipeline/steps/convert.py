"""Convert: dump bytes to recordings in units. Validate: read them again and check them by their schema."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.errors import Problem, ReadingFailed, Unreadable
from pipeline.frames import Dump, Reading, read_frames
from pipeline.layouts import Layout
from pipeline.recording import (
    rate_suffixes,
    validate_recording,
    write_events,
    write_recording,
    write_samples,
)
from pipeline.recording.write import Rows
from pipeline.steps.job import DumpsChanged, Job, read_json, write_json
from pipeline.timebase import Grid, JoinedGrid, Placing, place_session
from pipeline.timebase.spanning import spanned


def convert(job: Job) -> str:
    """Write the recordings and what was counted on the way; return a line for the log.

    A session whose dumps give nothing is no error here: its recording has no rows, and
    ``conversion.json`` says why.

    Raises
    ------
    DumpsChanged
        Where a dump changed, or went away, meanwhile.
    ReadingFailed
        Where the disk does not give a dump that is there.
    """
    before = _stamps(job)
    line = _convert(job)
    after = _stamps(job)
    if changed := [name for name in before if before[name] != after[name]]:
        raise DumpsChanged(f"{', '.join(changed)} changed, or went away, while being read")
    return line


def _stamps(job: Job) -> dict[str, tuple[int, int] | None]:
    """Size and time of the last change of each dump; None where it is missing."""
    found: dict[str, tuple[int, int] | None] = {}
    for name in job.session.dumps:
        try:
            stat = (job.study_folder / name).stat()
            found[name] = stat.st_size, stat.st_mtime_ns
        except OSError:
            found[name] = None
    return found


def _convert(job: Job) -> str:
    places = job.places
    places.recording.parent.mkdir(parents=True, exist_ok=True)
    try:
        readings, problems = read_dumps(job)
        placing = spanned(place_session(readings))
    except ReadingFailed:
        raise
    except Unreadable as error:
        write_setback(job, "unreadable", error.problem)
        return f"unreadable: {error.problem}"
    write_placing(job, placing, problems)
    return "; ".join(
        f"{grid.n_frames} frames to {grid.n_rows} rows at {grid.sample_hz:g} Hz, {grid.n_lost_frames} lost"
        for grid in placing.grids
    )


def read_dumps(job: Job) -> tuple[list[Reading], list[Problem]]:
    """A reading for each layout of the session's dumps, and what was wrong with those that gave nothing.

    Raises
    ------
    Unreadable
        Where no layout's dumps gave anything.
    ReadingFailed
        Where the disk does not give one of them.
    """
    by_layout: dict[str, tuple[Layout, list[str]]] = {}
    for name, layout in zip(job.session.dumps, job.layouts, strict=True):
        by_layout.setdefault(layout.name, (layout, []))[1].append(name)
    readings: list[Reading] = []
    problems: list[Problem] = []
    for layout, names in by_layout.values():
        dumps = [(name, job.study_folder / name) for name in names]
        try:
            readings.append(read_frames(dumps, layout, job.places.recording.parent))
        except ReadingFailed:
            raise
        except Unreadable as error:
            from pipeline.finder.explain import explained  # costs 0.2 s, and most dumps need none

            problems.append(explained(error.problem, dumps[0][1], layout))
    if not readings:
        raise Unreadable(problems[0])
    return readings, problems


def write_placing(job: Job, placing: Placing, problems: Sequence[Problem] = ()) -> None:
    """Write the recordings and events of a session, and what was counted; `problems` are told as notes."""
    places = job.places
    places.clear_converted()
    metadata = _metadata(job, placing.dumps)
    dumps = {name: job.study_folder / name for name in job.session.dumps}
    suffixes = rate_suffixes([grid.sample_hz for grid in placing.grids])
    # The main recording last: what stands beside it is complete where it is there.
    for grid, suffix in reversed([*zip(placing.grids, suffixes, strict=True)]):
        write_recording(grid, metadata, places.recording_of(suffix), dumps)
    events = [kind for kind in placing.events if len(kind.time_s)]
    if events:
        write_events(events, metadata, places.converted_events)
    read = {dump.name: asdict(dump) for dump in placing.dumps}
    unread = {entry["name"]: entry for entry in _what_is_there(job)}
    content = {
        "status": "ok",
        "recordings": _recordings(placing, suffixes),
        "nothing_of": _nothing_of(job, placing),
        "damage": _damage([*read.values(), *(unread[name] for name in unread if name not in read)]),
        "n_events": sum(len(kind.time_s) for kind in events),
        "device_start_utc": _instant(placing.device_start_s),
        "receiver_start_utc": _instant(placing.receiver_start_s),
        "dumps": [read.get(name, unread[name]) for name in job.session.dumps],
        "notes": [*(f"{problem} The other dumps were read." for problem in problems), *placing.notes],
    }
    write_json(places.conversion, content)


def write_setback(job: Job, status: str, problem: Problem) -> None:
    """Write a recording without rows, and why it has none."""
    job.places.clear_converted()
    nothing: Iterator[Rows] = iter(())
    metadata = {**_metadata(job, ()), "sample_hz": repr(job.layout.sample_hz)}
    write_samples(job.places.recording, job.layout.sampled, nothing, metadata)
    content = {
        "status": status,
        "why": str(problem),
        "problem": asdict(problem),
        "recordings": [],
        "n_events": 0,
        "device_start_utc": None,
        "receiver_start_utc": None,
        "dumps": _what_is_there(job),
    }
    write_json(job.places.conversion, content)


def validate(job: Job) -> str:
    """Read the recordings again, block by block, against the schema."""
    conversion = read_json(job.places.conversion)
    suffixes = [entry["suffix"] for entry in conversion["recordings"]] or [""]
    n_rows = [validate_recording(job.places.recording_of(suffix)).n_rows for suffix in suffixes]
    write_json(job.places.validation, {"status": "ok", "n_rows": n_rows})
    return f"{' and '.join(map(str, n_rows))} rows hold"


def _metadata(job: Job, dumps: tuple[Dump, ...]) -> dict[str, str]:
    return {
        "session": job.session.name,
        "start_utc": job.session.started_at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "layout": " ".join(dict.fromkeys(layout.name for layout in job.layouts)),
        "layout_sha256": job.layouts_sha256,
        "dumps_sha256": " ".join(f"{dump.sha256}  {dump.name}" for dump in dumps),
        "sessiongate_version": __version__,
    }


def _recordings(placing: Placing, suffixes: tuple[str, ...]) -> list[dict[str, Any]]:
    """What was counted for each recording; frames of one kind carry several, and count with the first."""
    counted = set[tuple[str, str]]()
    rows = []
    for grid, suffix in zip(placing.grids, suffixes, strict=True):
        kinds = {(part.frames.layout.name, part.frames.stream.frame.name) for part in grid.parts}
        rows.append({"suffix": suffix, **_counted(grid), "shares_frames": kinds <= counted})
        counted |= kinds
    return rows


def _nothing_of(job: Job, placing: Placing) -> dict[str, str]:
    """Channels of field and acceleration of which not a sample came, and what they measure."""
    came = {channel.name for grid in placing.grids for channel in grid.channels}
    streams = [stream for layout in job.layouts for stream in layout.streams if not stream.frame.is_event]
    described = {channel.name: channel.kind for stream in streams for channel in stream.channels}
    return {name: kind for name, kind in described.items() if kind != "other" and name not in came}


def _counted(grid: Grid | JoinedGrid) -> dict[str, Any]:
    clock = grid.clock
    return {
        "n_frames": grid.n_frames,
        "n_expected_frames": grid.n_expected_frames,
        "n_lost_frames": grid.n_lost_frames,
        "n_duplicate_frames": grid.n_duplicate_frames,
        "n_late_frames": grid.n_late,
        "nominal_hz": grid.sample_hz,
        "clock_source": clock.source,
        "clock_rate_hz": clock.rate_hz,
        "clock_residual_s": clock.residual_s,
        "clock_skew_ppm": clock.skew_ppm,
        "clock_skew_uncertainty_ppm": clock.skew_uncertainty_ppm,
        "clock_jitter_s": clock.jitter_s,
        "clock_tick_hz": clock.tick_hz,
        "restarts": [[began.row, began.reason, began.off_s] for began in grid.restarts],
        "breaks": [[paused.row, paused.gap_s, paused.by] for paused in grid.breaks],
        "steps": [[stepped.row, stepped.step_s, stepped.of] for stepped in grid.steps],
    }


def _damage(dumps: list[dict[str, Any]]) -> dict[str, int]:
    ledgers = [dump["ledger"] for dump in dumps]
    return {
        "n_damaged_frames": sum(dump["n_damaged_frames"] for dump in dumps),
        "damaged_bytes": sum(ledger["damaged"] + ledger["unrecognised"] for ledger in ledgers),
        "total_bytes": sum(dump["n_bytes"] for dump in dumps),
    }


def _instant(seconds: float | None) -> str | None:
    """Seconds since 1970 as an instant by RFC 3339, to the microsecond; None where it is no date."""
    try:
        moment = datetime.fromtimestamp(seconds, UTC) if seconds is not None else None
    except (ValueError, OverflowError, OSError):  # a counter that was never set gives any number
        return None
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z") if moment else None


def _what_is_there(job: Job) -> list[dict[str, Any]]:
    """Dumps of a session that could not be read: all their bytes are unrecognised."""
    found = []
    for name in job.session.dumps:
        n_bytes = _n_bytes(job.study_folder / name)
        ledger = {"decoded": 0, "duplicate": 0, "damaged": 0, "unrecognised": n_bytes, "padding": 0}
        found.append(
            {"name": name, "n_bytes": n_bytes, "sha256": "", "ledger": ledger, "n_damaged_frames": 0}
        )
    return found


def _n_bytes(dump: Path) -> int:
    try:
        return dump.stat().st_size if dump.is_file() else 0
    except OSError:  # a folder that may not be looked into
        return 0
