"""A study folder made for a test, and its way through the steps up to the verdict."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from encode import encode_frames, header_line

from pipeline.layouts import Layout, load_layout
from pipeline.steps.by_name import SESSION_STEPS
from pipeline.workflow import Plan

SYNC_FRAME = """
[[frame]]
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "sequence"
type = "u16"
[[frame.part]]
is = "ticks"
type = "u32"
[[frame.part]]
is = "samples"
type = "i16"
count = {per_frame}
channels = {channels}
[[frame.part]]
is = "checksum"
name = "CRC-16/XMODEM"
"""

TEXT_FRAME = """
[text]
delimiter = ";"
header = true
[[frame]]
[[frame.part]]
is = "sequence"
column = "n"
bits = 16
[[frame.part]]
is = "ticks"
column = "t"
bits = 32
[[frame.part]]
is = "samples"
channels = {channels}
"""


@dataclass(frozen=True)
class Given:
    """One session of a study to be: its layout in TOML and its dump, and those of other kinds of dump."""

    layout: str
    dump: bytes
    more: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True)
class Judged:
    """What the line left of one session."""

    quality: dict[str, Any]
    samples: pa.Table
    findings: list[dict[str, Any]]
    places: Any

    def value(self, measure: str, channel: str | None = None) -> float | None:
        """A measure's value."""
        rows = [row for row in self.quality["measures"] if row["name"] == measure]
        return next(row["value"] for row in rows if channel in (None, row["channel"]))

    def found(self, detector: str) -> list[dict[str, Any]]:
        """Findings of one detector."""
        return [row for row in self.findings if row["detector"] == detector]

    def line(self, nominal_hz: float, harmonic: int = 1) -> dict[str, Any]:
        """The row of one mains line."""
        rows = self.quality["mains_lines"]
        return next(row for row in rows if (row["nominal_hz"], row["harmonic"]) == (nominal_hz, harmonic))


def layout_text(
    framing: str, sample_hz: float, tick_hz: float, channels: Mapping[str, str], **frame: int
) -> str:
    """A layout in TOML; `channels` are name -> the other keys of the channel."""
    names = json.dumps(list(channels))
    head = f'framing = "{framing}"\nsample_hz = {sample_hz}\ntick_hz = {tick_hz}\n'
    body = TEXT_FRAME if framing == "text" else SYNC_FRAME
    tail = "".join(f'\n[[channel]]\nname = "{name}"\n{keys}\n' for name, keys in channels.items())
    return head + body.format(channels=names, **frame) + tail


def read_layout(text: str, folder: Path) -> Layout:
    """A layout as the project reads it."""
    path = folder / "layout.toml"
    path.write_text(text)
    problems: list[Any] = []
    layout = load_layout(path, "layout.toml", problems)
    assert layout is not None, problems
    return layout


def dump_of(layout: Layout, counts: Any, **how: Any) -> bytes:
    """Counts, shape (n, channels), as a dump of that layout."""
    lines = encode_frames(layout, counts, **how)
    return (header_line(layout) if layout.framing == "text" else b"") + b"".join(lines)


def run_line(folder: Path, given: Mapping[str, Given], mains_hz: int, policy: str = "") -> dict[str, Judged]:
    """Write a study, convert, validate, detect and judge each of its sessions."""
    study, results = folder / "study", folder / "results"
    (study / "layouts").mkdir(parents=True)
    (study / "dumps").mkdir()
    (study / "study.toml").write_text(f'title = "Recordings of others"\nmains_hz = {mains_hz}\n')
    if policy:
        (study / "policy.toml").write_text(policy)
    rows = ["session,participant,site,device,layout,dumps,started_at"]
    for name, session in given.items():
        files = {name: (session.layout, session.dump)}
        files |= {f"{name}-{i}": both for i, both in enumerate(session.more, 2)}
        for file, (layout, dump) in files.items():
            (study / "layouts" / f"{file}.toml").write_text(layout)
            (study / "dumps" / file).write_bytes(dump)
        dumps = ";".join(f"dumps/{file}" for file in files)
        rows.append(f"{name},P01,bench,strap,{';'.join(files)},{dumps},2026-03-02T09:30:00+00:00")
    (study / "sessions.csv").write_text("\n".join(rows) + "\n")
    plan = Plan.of(str(study), str(results), "2026-03-02T12:00:00Z")
    for job in plan.jobs.values():
        for step in ("convert", "validate", "detect", "draw", "judge"):
            SESSION_STEPS[step](job)
    return {
        name: Judged(
            json.loads(job.places.quality.read_text()),
            pq.read_table(job.places.samples),
            pq.read_table(job.places.findings).to_pylist(),
            job.places,
        )
        for name, job in plan.jobs.items()
    }
