"""What every detector is given: a recording, its windowed tracks, and what is known beside them.

A session has one recording for each rate. Most detectors look at one of them at a time, by its own rows; the
others are given the evidence of all of them, the main one first.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Protocol

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


class Began(NamedTuple):
    """The device began anew before `row`; it was off for `off_s`, None where that is unknown."""

    row: int
    reason: str
    off_s: float | None = None


class Paused(NamedTuple):
    """Nothing was recorded for `gap_s` before `row`, by the stamps of 'ticks' or 'receiver'."""

    row: int
    gap_s: float
    by: str = "ticks"


class Stepped(NamedTuple):
    """The clock of 'ticks' or 'receiver' was set by `step_s` before `row`."""

    row: int
    step_s: float
    of: str = "receiver"


@dataclass(frozen=True)
class Conversion:
    """What the conversion counted for one recording; see :class:`pipeline.timebase.Grid` and ``Clock``.

    Damaged frames and bytes are those of all the session's dumps, ``damaged_bytes`` with unrecognised ones.
    ``shares_frames``: its frames carry an earlier recording, too, and are counted there. ``nothing_of``: with
    the main recording, the session's channels of field and acceleration of which not a sample came.
    ``n_rows_of_whole``: where this is a part of a recording, the rows by which its rate was measured.
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
    clock_skew_ppm: float | None = None
    clock_skew_uncertainty_ppm: float | None = None
    clock_jitter_s: float | None = None
    clock_tick_hz: float | None = None
    restarts: tuple[Began, ...] = ()
    breaks: tuple[Paused, ...] = ()
    steps: tuple[Stepped, ...] = ()
    shares_frames: bool = False
    nothing_of: tuple[str, ...] = ()
    n_rows_of_whole: int | None = None

    def part(self, start: int, stop: int) -> "Conversion":
        """What concerns the rows [start, stop), as rows of their own; where frames were lost is not known."""
        cuts = {
            name: tuple(cut._replace(row=cut.row - start) for cut in several if start <= cut.row < stop)
            for name, several in (("restarts", self.restarts), ("breaks", self.breaks), ("steps", self.steps))
        }
        return replace(self, n_lost_frames=0, **cuts)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Evidence:
    """Everything that a detector may look at in one recording of a session.

    ``mains_hz`` is the nominal frequency at the site, ``main`` the main recording, which is the fastest;
    None where this is it. ``is_only``: there is none beside it.
    """

    recording: Recording
    tracks: Tracks
    conversion: Conversion
    mains_hz: float
    activities: Sequence[Logged] = ()
    main: Recording | None = None
    is_only: bool = True
    _weighed: dict[str, Coupling] = field(default_factory=dict, repr=False, compare=False)

    def coupling(self, track: FieldTrack, settings: Settings) -> Coupling:
        """How a field channel was coupled to the body; several detectors ask, it is worked out once."""
        name = track.channel.name
        if name not in self._weighed:
            self._weighed[name] = measure_coupling(self.tracks, track, settings)
        return self._weighed[name]

    def without_filled(self) -> "Evidence":
        """The same with rows that a writer filled read as lost, as its tracks have them."""
        return replace(self, recording=self.tracks.repeats.hiding(self.recording))

    def at_s(self, sample: int) -> float:
        """Time of a sample on the corrected clock, in seconds."""
        return self.recording.at_s(sample)

    def lasting_s(self, n_samples: int) -> float:
        """How long so many samples last, in seconds."""
        return n_samples / self.recording.sample_hz
