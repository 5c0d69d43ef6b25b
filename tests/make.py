"""Recordings for tests, straight from counts: no dump, no frames, no clock."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.detectors import (
    Began,
    Conversion,
    Detected,
    Evidence,
    Finding,
    Paused,
    measure_tracks,
    run_detectors,
)
from pipeline.layouts import Channel
from pipeline.recording import BLOCK_ROWS, Recording, open_recording, to_units, write_samples
from pipeline.verdict import Policy, builtin_policy
from pipeline.verdict.judge import Extent, Verdict, judge

POLICY = builtin_policy()
SETTINGS = POLICY.settings

FIELD = Channel("field", "field", "V", 3.0 / 4096 / 5.0, -0.3, 250.0, 0, 4095, ac_corner_hz=0.16)
"""12 bits over 3 V behind a gain of 5, biased at mid-rail: 146.5 uV a count, 0.6 V range (invented)."""


def acceleration_axes(sample_hz: float = 250.0) -> tuple[Channel, ...]:
    """Three axes of 16 bits over +-8 g (invented)."""
    scale = 9.80665 / 4096
    return tuple(
        Channel(f"acc_{axis}", "acceleration", "m/s2", scale, 0.0, sample_hz, -32768, 32767) for axis in "xyz"
    )


def counts_of(values: np.ndarray, channel: Channel) -> np.ndarray:
    """Values in the channel's unit as an ideal converter codes them, clipped to its end codes."""
    codes = np.rint((values - channel.offset) / channel.scale)
    return np.clip(codes, channel.adc_min, channel.adc_max).astype(np.int64)


def recording_of(
    path: Path,
    channels: Sequence[Channel],
    counts: Sequence[np.ndarray],
    sample_hz: float,
    present: np.ndarray | None = None,
    first_s: float = 0.0,
) -> Recording:
    """Write counts, one array for each channel, sampled from `first_s` on, and open them."""
    n = len(counts[0])
    here = np.ones(n, bool) if present is None else present

    def blocks() -> Any:
        for start in range(0, n, BLOCK_ROWS):
            rows = np.arange(start, min(start + BLOCK_ROWS, n))
            values: dict[str, Any] = {"sample": rows, "time_s": rows / sample_hz}
            for channel, codes in zip(channels, counts, strict=True):
                values[channel.name] = to_units(codes[rows], channel)
            yield here[rows], values

    clock = {"clock_rows": f"[0, {sample_hz}]", "clock_s": f"[{first_s}, {first_s + 1}]"}
    write_samples(path, channels, blocks(), {"sample_hz": repr(float(sample_hz)), **clock})
    return open_recording(path)


def evidence_of(
    recording: Recording, mains_hz: float = 50.0, settings: dict[str, float] | None = None, **counted: Any
) -> Evidence:
    """A recording with its tracks; `counted` are fields of Conversion and ``activities``."""
    return evidence_together([recording], mains_hz, settings, **counted)[0]


def evidence_together(
    recordings: Sequence[Recording],
    mains_hz: float = 50.0,
    settings: dict[str, float] | None = None,
    **counted: Any,
) -> list[Evidence]:
    """All recordings of a session with their tracks, the main one first."""
    activities = counted.pop("activities", ())
    recording = recordings[0]
    whole: dict[str, Any] = {
        "n_frames": recording.n_rows,
        "n_expected_frames": recording.n_rows,
        "n_lost_frames": 0,
        "n_duplicate_frames": 0,
        "n_late_frames": 0,
        "n_damaged_frames": 0,
        "damaged_bytes": 0,
        "total_bytes": 2 * recording.n_rows,
        "clock_source": "nominal",
        "clock_rate_hz": None,
        "clock_residual_s": None,
        "nominal_hz": recording.sample_hz,
    }
    for name, kind in (("restarts", Began), ("breaks", Paused)):
        counted[name] = tuple(kind(*facts) for facts in counted.get(name, ()))
    tracks = measure_tracks(recordings, mains_hz, settings or SETTINGS)
    conversion = Conversion(**{**whole, **counted})
    return [
        Evidence(
            one, tracks[i], conversion, mains_hz, activities, recording if i else None, len(recordings) == 1
        )
        for i, one in enumerate(recordings)
    ]


def detected_in(recording: Recording, mains_hz: float = 50.0, **counted: Any) -> Detected:
    """What all detectors find under the built-in policy."""
    return run_detectors([evidence_of(recording, mains_hz, **counted)], SETTINGS)[0]


def judged(detected: Detected, recording: Recording, policy: Policy = POLICY) -> Verdict:
    """The verdict on it."""
    return judge(detected, Extent(recording.n_rows, recording.sample_hz, recording.duration_s), policy)


def value_of(detected: Detected, measure: str, channel: str | None = None) -> float | None:
    """A measure's value; the first of that name where no channel is asked for."""
    return next(m.value for m in detected.measures if m.name == measure and channel in (None, m.channel))


def absent_of(detected: Detected, measure: str) -> str:
    """Why a measure has no value."""
    return next(m.absent for m in detected.measures if m.name == measure)


def findings_of(detected: Detected, detector: str, severity: str | None = None) -> list[Finding]:
    """Findings of one detector."""
    return [f for f in detected.findings if f.detector == detector and severity in (None, f.severity)]


def n_marked(detected: Detected, condition: str) -> int:
    """Samples that carry a condition."""
    return detected.marks[condition].n_samples if condition in detected.marks else 0
