"""What every detector is given: the recording, its windowed tracks, and what is known beside them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from pipeline.detectors.coupling import Coupling, measure_coupling
from pipeline.detectors.tracks import FieldTrack, Settings, Tracks
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
    _weighed: dict[str, Coupling] = field(default_factory=dict, repr=False, compare=False)

    def coupling(self, track: FieldTrack, settings: Settings) -> Coupling:
        """How a field channel was coupled to the body; several detectors ask, it is worked out once."""
        name = track.channel.name
        if name not in self._weighed:
            self._weighed[name] = measure_coupling(self.tracks, track, settings)
        return self._weighed[name]

    def at_s(self, sample: int) -> float:
        """Time of a sample on the corrected clock, in seconds."""
        return self.recording.at_s(sample)

    def lasting_s(self, n_samples: int) -> float:
        """How long so many samples last, in seconds."""
        return n_samples / self.recording.sample_hz
