"""How the electrode is coupled to the body, second by second: the witnesses that three detectors share.

Movement should show in the field when the accelerometer shows it; mains pickup should stay what it was.
An open electrode loses the first and changes the second; a wearer tied to ground loses both, gently.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Spans
from pipeline.detectors.tracks import MOVEMENT_HZ, FieldTrack, Floats, Settings

Seconds = npt.NDArray[np.bool_]

LEAST_CONNECTED_S = 5
"""Seconds in which the field answers movement that are needed to know what contact looks like."""

LEAST_MOVING_S = 10
"""Seconds of body movement that are needed before silence of the field means anything."""

EDGE_S = 3
"""Reach around a change of mains in which a transient belongs to it."""


@dataclass(frozen=True)
class Coupling:
    """One field channel and the accelerometer in windows of one second; all arrays have equal length.

    ``field`` is the movement band's rms, ``mains`` the peak amplitude of the lines (NaN where not
    measured), ``moving``/``still`` what the accelerometer says (both None without one), ``answers``
    whether the field shows movement, ``transient`` whether a rail or a jump of the level was met.
    """

    track: FieldTrack
    range: float
    field: Floats
    mains: Floats
    mains_visible: bool
    moving: Seconds | None
    still: Seconds | None
    answers: Seconds
    transient: Seconds

    @property
    def connected(self) -> Seconds:
        """Seconds that prove contact: the body moves and the field answers."""
        return self.answers & self.moving if self.moving is not None else np.zeros_like(self.answers)


@dataclass(frozen=True)
class OffStretch:
    """A stretch in which the electrode was off, in whole seconds, and the witnesses that say so."""

    start: int
    stop: int
    witnesses: tuple[str, ...]
    mains_change: float | None


def measure_coupling(evidence: Evidence, track: FieldTrack, settings: Settings) -> Coupling:
    """Bring the tracks of one field channel to seconds and judge each of them."""
    tracks = evidence.tracks
    channel = track.channel
    span = channel.adc_high - channel.adc_low
    acceleration = tracks.acceleration_rms
    mains = _per_second(track.mains_peak, tracks.n_fast, tracks.n_slow, len(track.movement_rms))
    n = min(len(track.movement_rms), len(mains), len(acceleration) if acceleration is not None else 1 << 62)
    field, mains, at_rail, level = track.movement_rms[:n], mains[:n], track.at_rail[:n], track.level[:n]
    noise = float(np.nanmedian(track.residue_rms)) if np.any(~np.isnan(track.residue_rms)) else 0.0
    floor = noise * np.sqrt(min(1.0, 2 * MOVEMENT_HZ[1] / tracks.sample_hz))
    answers = np.nan_to_num(field) > max(settings["low_coupling.response_fraction"] * span, 3 * floor)
    jump = np.abs(np.diff(level, prepend=level[:1])) > 0.1 * span
    moving = still = None
    if acceleration is not None:
        moving = np.nan_to_num(acceleration[:n]) > settings["movement.body_m_s2"]
        still = np.nan_to_num(acceleration[:n], nan=np.inf) < settings["movement.still_m_s2"]
    # The fit of a line to noise alone gives a peak of about noise * sqrt(pi / n) a line.
    noise_peak = noise * np.sqrt(np.pi / tracks.n_fast)
    visible = bool(np.any(~np.isnan(mains))) and float(np.nanpercentile(mains, 90)) > 3 * noise_peak
    return Coupling(
        track, span, field, mains, visible, moving, still, answers, (np.nan_to_num(at_rail) > 0) | jump
    )


def _per_second(fast: Floats, n_fast: int, n_slow: int, n_seconds: int) -> Floats:
    """Median of the fast windows that begin in each second; NaN where there is none."""
    if not len(fast) or not n_seconds:
        return np.full(n_seconds, np.nan)
    per = max(1, round(n_slow / n_fast))
    index = np.minimum((np.arange(n_seconds)[:, None] * n_slow) // n_fast + np.arange(per), len(fast) - 1)
    picked = fast[index]
    known = ~np.isnan(picked)
    middle = np.nanmedian(np.where(known.any(axis=1)[:, None], picked, 0.0), axis=1)
    return np.where(known.any(axis=1), middle, np.nan)


def find_off(coupling: Coupling, settings: Settings) -> tuple[OffStretch, ...]:
    """Stretches in which the electrode was off: at least two witnesses together.

    Witnesses are a lasting change of mains pickup, a field that stays silent while the wearer moves, and
    a transient at the stretch's edges. A whole recording without contact shows as silence under movement
    with plain mains; with hardly any mains it is low coupling instead.
    """
    n_moving = int(coupling.moving.sum()) if coupling.moving is not None else 0
    n_connected = int(coupling.connected.sum())
    if n_connected < LEAST_CONNECTED_S:
        return _never_on(coupling, settings) if n_moving >= LEAST_MOVING_S else ()
    reference = float(np.nanmedian(coupling.mains[coupling.connected])) if coupling.mains_visible else 0.0
    answer = float(np.nanmedian(coupling.field[coupling.connected]))
    silent = coupling.field <= settings["contact_loss.response_fraction"] * answer
    if reference > 0:
        suspects = _changed(coupling, reference, settings)
    else:
        suspects = _lasting(
            silent & ~coupling.still if coupling.still is not None else silent, LEAST_MOVING_S
        )
    found = []
    for start, stop in zip(suspects.start.tolist(), suspects.stop.tolist(), strict=True):
        inside = slice(start, stop)
        change = float(np.nanmedian(coupling.mains[inside])) / reference if reference > 0 else None
        witnesses = _witnesses(coupling, inside, silent, change)
        if len(witnesses) >= 2:
            found.append(OffStretch(start, stop, witnesses, change))
    return tuple(found)


def _never_on(coupling: Coupling, settings: Settings) -> tuple[OffStretch, ...]:
    mains = coupling.mains[~np.isnan(coupling.mains)]
    plain = len(mains) and float(np.median(mains)) > settings["low_coupling.mains_fraction"] * coupling.range
    if not plain:
        return ()
    witnesses = ("the field stays silent while the wearer moves", "mains is picked up plainly all the same")
    return (OffStretch(0, len(coupling.field), witnesses, None),)


def _changed(coupling: Coupling, reference: float, settings: Settings) -> Spans:
    """Seconds in which mains pickup stays away from what it is with contact."""
    known = ~np.isnan(coupling.mains)
    ratio = np.where(known, np.maximum(coupling.mains, 1e-3 * reference) / reference, 1.0)
    apart = np.abs(np.log(ratio)) > np.log(settings["contact_loss.mains_change"])
    steady = ndimage.median_filter(apart.astype(np.uint8), 3, mode="nearest").astype(bool)
    return _lasting(steady, settings["contact_loss.shortest_s"])


def _lasting(seconds: Seconds, shortest_s: float) -> Spans:
    spans = Spans.merged(Spans.of_mask(seconds), bridge=2)
    keep = spans.stop - spans.start >= shortest_s
    return Spans(spans.start[keep], spans.stop[keep])


def _witnesses(coupling: Coupling, inside: slice, silent: Seconds, change: float | None) -> tuple[str, ...]:
    witnesses = []
    if change is not None:
        way = f"rises to {change:.1f} times" if change > 1 else f"falls to {change:.2f} of"
        witnesses.append(f"mains pickup {way} what it is with contact")
    if coupling.moving is not None:
        moved = coupling.moving[inside]
        if moved.sum() >= 2 and np.mean(silent[inside][moved]) > 0.7:
            witnesses.append("the field stays silent while the accelerometer shows movement")
    start, stop = inside.start, inside.stop
    edges = np.r_[max(0, start - EDGE_S) : start + EDGE_S, max(0, stop - EDGE_S) : stop + EDGE_S]
    if coupling.transient[np.minimum(edges, len(coupling.transient) - 1)].any():
        witnesses.append("a transient stands at its edge")
    return tuple(witnesses)
