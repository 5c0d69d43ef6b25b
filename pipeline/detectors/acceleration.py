"""The accelerometers of a session in seconds, and the same on the seconds of another recording."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.detectors.windows import Floats, mean_and_variance, whole_windows, windows
from pipeline.layouts import Channel
from pipeline.recording import Recording

SLOW_S = 1.0
LEAST_SAMPLES = 4
"""Samples in a window from which their spread says something of movement."""

CHANGE_S = 0.1
"""Apart by so much, steps of two a second differ by nearly all of their spread, strokes of one by half."""

LEAST_COVERED = 0.5
"""Share of a second that another recording's windows must cover to say anything of it."""


@dataclass(frozen=True)
class SensorTrack:
    """One accelerometer, its axes by name, in windows of a second and in m/s2; arrays have equal length.

    ``start_s`` and ``stop_s`` are when each window begins and ends, ``rms`` the spread of the vector within
    it, ``change`` by how much the vector changes within 0.1 s (rms), ``length`` that of the mean vector;
    ``mean`` and ``spread``, of shape (axes, n), are those of each axis; NaN where too much was lost.
    ``step`` is what one count of each axis is worth, shape (axes,).
    """

    axes: tuple[str, ...]
    start_s: Floats
    stop_s: Floats
    rms: Floats
    change: Floats
    length: Floats
    mean: Floats
    spread: Floats
    step: Floats

    @property
    def axis_spread(self) -> Floats:
        """Spread of the worst axis."""
        return np.asarray(self.spread.max(axis=0), dtype=np.float64)


def window_edges_s(recording: Recording, n: int) -> tuple[Floats, Floats]:
    """When each whole window of `n` rows begins and ends, in seconds."""
    first = np.arange(recording.n_rows // n, dtype=np.int64) * n
    stop_s = recording.clock.time_s(first + n - 1) + 1 / recording.sample_hz
    return recording.clock.time_s(first), stop_s


def measure_sensors(recordings: Sequence[Recording]) -> tuple[dict[str, SensorTrack], ...]:
    """For each recording its accelerometers by name; no name comes twice."""
    axes = [recording.of_kind("acceleration") for recording in recordings]
    several = sum(map(len, axes)) > 3
    measured, taken = [], set[str]()
    for recording, own in zip(recordings, axes, strict=True):
        n = max(LEAST_SAMPLES, round(SLOW_S * recording.sample_hz))
        tracks = {}
        for name, members in sensors(own, several).items():
            unique = name if name not in taken else members[0]
            taken.add(unique)
            tracks[unique] = _measure(recording, members, n)
        measured.append(tracks)
    return tuple(measured)


def sensors(axes: Sequence[Channel], several: bool) -> dict[str, list[str]]:
    """Accelerometers and the names of their axes: where there are several, told apart by name, 'ankle_x'."""
    names = [channel.name for channel in axes]
    if not names:
        return {}
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(name.rpartition("_")[0] or "accelerometer", []).append(name)
    told_apart = several and all(1 < len(members) <= 3 for members in groups.values())
    return groups if told_apart else {"accelerometer": names}


def rms_on(start_s: Floats, stop_s: Floats, tracks: Sequence[SensorTrack]) -> Floats | None:
    """Spread of the acceleration in the given seconds, of the sensor that moves most; None without one.

    Windows of a recording of its own are brought there by the time that they share: the mean square over
    what is covered, NaN where less than half is.
    """
    spreads = [_shared(start_s, stop_s, track, track.rms) for track in tracks]
    return np.fmax.reduce(spreads) if spreads else None


def change_on(start_s: Floats, stop_s: Floats, tracks: Sequence[SensorTrack]) -> Floats | None:
    """The same of the change within 0.1 s."""
    changes = [_shared(start_s, stop_s, track, track.change) for track in tracks]
    return np.fmax.reduce(changes) if changes else None


def _measure(recording: Recording, names: Sequence[str], n: int) -> SensorTrack:
    variances, means, changes = [], [], []
    # Half the width is plenty for the spread of a second: 24 bits of 16 that were measured.
    for axes in whole_windows(recording, names, n, "float32"):
        cut = np.stack([windows(axis, n) for axis in axes])
        mean, variance = mean_and_variance(cut)
        changes.append(_change(cut))
        variances.append(variance)
        means.append(mean)
    variance, mean = (np.concatenate(p or [np.empty((len(names), 0))], axis=1) for p in (variances, means))
    edges = window_edges_s(recording, n)
    rms, length = np.sqrt(variance.sum(axis=0)), np.sqrt((mean**2).sum(axis=0))
    scales = {channel.name: abs(channel.scale) for channel in recording.channels}
    step = np.array([scales[name] for name in names])
    change = np.concatenate(changes or [np.empty(0)])
    return SensorTrack(tuple(names), *edges, rms, change, length, mean, np.sqrt(variance), step)


def _change(cut: Floats) -> Floats:
    """Rms change of the vector within 0.1 s in each window; `cut` has shape (axes, windows, n)."""
    n = cut.shape[-1]
    # Every twentieth of a second is often enough for steps.
    few = cut[..., :: max(1, n // 20)]
    lag = max(1, round(CHANGE_S * few.shape[-1]))
    square = ((few[..., lag:] - few[..., :-lag]) ** 2).sum(axis=0)
    known = ~np.isnan(square)
    number = known.sum(axis=-1)
    total = np.where(known, square, 0.0).sum(axis=-1)
    return np.where(number > 0, np.sqrt(total / np.maximum(number, 1)), np.nan).astype(np.float64)


def _shared(start_s: Floats, stop_s: Floats, track: SensorTrack, values: Floats) -> Floats:
    if np.array_equal(start_s, track.start_s):
        return values
    known = ~np.isnan(values)
    # A pause inside a window belongs to none; what windows hold is told by sums up to each of their edges.
    last_s = np.append(track.start_s[1:], np.inf)
    edges = np.stack((track.start_s, np.minimum(track.stop_s, last_s)), axis=1)
    lasts_s = (edges[:, 1] - edges[:, 0]) * known
    covered = _between(start_s, stop_s, edges, lasts_s)
    # What was rounded off the sums must not make a square negative.
    square = np.maximum(_between(start_s, stop_s, edges, lasts_s * np.nan_to_num(values) ** 2), 0.0)
    enough = covered >= LEAST_COVERED * (stop_s - start_s)
    return np.sqrt(np.where(enough, square, np.nan) / np.where(enough, covered, 1.0))


def _between(start_s: Floats, stop_s: Floats, edges: Floats, amount: Floats) -> Floats:
    """How much of `amount`, spread evenly within each window, lies in [start_s, stop_s)."""
    if not len(amount):
        return np.zeros(len(start_s))
    until = np.cumsum(amount)
    sums = np.stack((until - amount, until), axis=1)
    low, high = (np.interp(at, edges.ravel(), sums.ravel()) for at in (start_s, stop_s))
    return np.asarray(high - low, dtype=np.float64)
