"""What every detector is given: the recording, its windowed tracks, and what is known beside them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pipeline.detectors.tracks import Tracks
from pipeline.recording import Recording


class Logged(Protocol):
    """An entry of the activity log; seconds from the session's first sample."""

    @property
    def start_s(self) -> float: ...  # noqa: D102
    @property
    def stop_s(self) -> float: ...  # noqa: D102
    @property
    def activity(self) -> str: ...  # noqa: D102
    @property
    def intensity(self) -> str: ...  # noqa: D102


@dataclass(frozen=True)
class Conversion:
    """What the conversion counted; see :class:`pipeline.timebase.Grid`.

    ``restarts`` are (row, reason); ``breaks`` are (row, seconds for which the device paused before it);
    ``damaged_bytes`` are those damaged or unrecognised.
    """

    n_frames: int
    n_expected_frames: int
    n_lost_frames: int
    n_duplicate_frames: int
    n_late_frames: int
    n_damaged_frames: int
    damaged_bytes: int
    total_bytes: int
    clock_source: str
    clock_rate_hz: float | None
    clock_residual_s: float | None
    nominal_hz: float
    restarts: tuple[tuple[int, str], ...] = ()
    breaks: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class Evidence:
    """Everything a detector may look at. ``mains_hz`` is the nominal frequency at the site."""

    recording: Recording
    tracks: Tracks
    conversion: Conversion
    mains_hz: float
    activities: Sequence[Logged] = ()

    def at_s(self, sample: int) -> float:
        """Time of a sample on the corrected clock, in seconds."""
        return self.recording.at_s(sample)

    def lasting_s(self, n_samples: int) -> float:
        """How long so many samples last, in seconds."""
        return n_samples / self.recording.sample_hz
