"""How the electrode is coupled to the body, second by second: the witnesses that three detectors share.

Movement should show in the field when the accelerometer shows it; mains pickup should stay what it was.
An open electrode loses the first and picks up more of the second; a wearer tied to ground loses both.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pipeline.detectors.settling import settling_s
from pipeline.detectors.signs import Signs, peak_of_noise, signs_of
from pipeline.detectors.stretches import candidates
from pipeline.detectors.tracks import MOVEMENT_HZ, FieldTrack, Settings, Tracks
from pipeline.detectors.wearer import quick_seconds
from pipeline.detectors.weigh import NEVER_ON, Weighed, likely, weigh_whole
from pipeline.detectors.windows import Floats

Seconds = npt.NDArray[np.bool_]

LEAST_CONNECTED_S = 5
"""Seconds in which the field answers movement that are needed to know what contact looks like."""

LEAST_MOVING_S = 10
"""Seconds of body movement that are needed before silence of the field means anything."""

LEAST_MEASURED = 0.5
"""Share of seconds that must have been measured for witnesses to be weighed, or contact called proven."""

MOSTLY = 0.7
"""Share of moving seconds that must be silent for a recording without contact."""

NEVER_ON_WITNESSES = (
    "the field stays silent while the wearer moves",
    "mains is picked up plainly all the same",
)

JUMP = 0.1
"""Step of the mean from one second to the next, in input ranges: no movement makes it, it hides the field."""


@dataclass(frozen=True)
class Coupling:
    """One field channel and the accelerometer in windows of one second; all arrays have equal length.

    ``field`` is the movement band's rms (NaN where losses, a rail or the settling after it hide it),
    ``mains`` the peak amplitude of the lines at the electrode (NaN where not measured),
    ``moving``/``still`` what the accelerometer says (both None without one), ``stepping`` whether it moves as
    quickly as steps do, ``silence`` by how many octaves movement shows more (or less, negative) than like
    movement elsewhere, ``answers`` whether the field shows movement, ``silent`` whether it shows none at
    all, ``off`` the stretches in which the electrode was off.
    """

    track: FieldTrack
    range: float
    field: Floats
    mains: Floats
    mains_visible: bool
    moving: Seconds | None
    still: Seconds | None
    stepping: Seconds
    silence: Floats
    answers: Seconds
    silent: Seconds
    off: tuple["OffStretch", ...] = ()

    @cached_property
    def connected(self) -> Seconds:
        """Seconds that prove contact: the body moves and the field answers."""
        return self.answers & self.moving if self.moving is not None else np.zeros_like(self.answers)

    @property
    def is_proven(self) -> bool:
        """Whether there was contact for long enough to know what it looks like."""
        return int(self.connected.sum()) >= LEAST_CONNECTED_S

    @property
    def off_seconds(self) -> Seconds:
        """For each second, whether the electrode was off."""
        off = np.zeros(len(self.field), bool)
        for stretch in self.off:
            off[stretch.start : stretch.stop] = True
        return off

    @property
    def measured_share(self) -> float:
        """Share of seconds in which the field's movement could be measured."""
        return float((~np.isnan(self.field)).mean()) if len(self.field) else 0.0


@dataclass(frozen=True)
class OffStretch:
    """A stretch in which the electrode was off, and why it is taken to have been.

    ``start`` and ``stop`` are whole seconds, ``weighed`` has the windows of 0.2 s, the witnesses and the
    probability; ``witnesses`` are given in words where nothing lay beside the stretch.
    """

    start: int
    stop: int
    weighed: Weighed
    witnesses: tuple[str, ...] = ()


def measure_coupling(tracks: Tracks, track: FieldTrack, settings: Settings) -> Coupling:
    """Bring the tracks of one field channel to seconds, judge each of them, and find where it was off."""
    channel = track.channel
    span = channel.adc_high - channel.adc_low
    acceleration = tracks.acceleration_rms
    mains = _per_second(track.mains_peak, tracks.n_fast, tracks.n_slow, len(track.movement_rms))
    n = min(len(track.movement_rms), len(mains), len(acceleration) if acceleration is not None else 1 << 62)
    mains, level = mains[:n], track.level[:n]
    # A layout whose range the codes leave says nothing about rails.
    railed = (track.at_rail[:n] > 0) & (track.n_beyond == 0)
    noise = float(np.nanmedian(track.residue_rms)) if np.any(~np.isnan(track.residue_rms)) else 0.0
    floor = noise * np.sqrt(min(1.0, 2 * MOVEMENT_HZ[1] / tracks.sample_hz))
    quiet = max(settings["contact_loss.silent_fraction"] * span, 2 * floor)
    # A stand-in for lost samples is off by as much as mains swings.
    spoilt = np.nan_to_num(mains) * np.sqrt(track.lost[:n]) > quiet
    recovery_s = settling_s(channel, settings["saturation.settled_residue"]) or 0.0
    transient = railed | (np.abs(np.diff(level, prepend=level[:1])) > JUMP * span)
    hidden = spoilt | _followed(transient, int(np.ceil(recovery_s)))
    field = np.where(hidden, np.nan, track.movement_rms[:n])
    answers = np.nan_to_num(field) > max(settings["low_coupling.response_fraction"] * span, 3 * floor)
    silent = field < quiet
    moving, still, stepping = _moves(tracks, n, settings)
    noise_peak = peak_of_noise(noise, tracks.n_fast)
    visible = bool(np.any(~np.isnan(mains))) and float(np.nanpercentile(mains, 90)) > 3 * noise_peak
    signs = signs_of(tracks, track, settings)
    silence = _mean_per_second(signs, n)
    coupling = Coupling(
        track, span, field, mains, visible, moving, still, stepping, silence, answers, silent & ~answers
    )
    return replace(coupling, off=find_off(coupling, signs, settings))


def _moves(tracks: Tracks, n: int, settings: Settings) -> tuple[Seconds | None, Seconds | None, Seconds]:
    """Whether the wearer moves, keeps still, and steps, second by second."""
    if tracks.acceleration_rms is None:
        return None, None, np.zeros(n, bool)
    acceleration = tracks.acceleration_rms[:n]
    moving = np.nan_to_num(acceleration) > settings["movement.body_m_s2"]
    still = np.nan_to_num(acceleration, nan=np.inf) < settings["movement.still_m_s2"]
    return moving, still, moving & quick_seconds(tracks)[:n]


def _mean_per_second(signs: Signs, n: int) -> Floats:
    """How movement shows in the windows that begin in each second; NaN where nothing is known."""
    second = np.arange(len(signs)) * signs.n_fast // signs.n_slow
    known = ~np.isnan(signs.silence) & (second < n)
    number = np.bincount(second[known], minlength=n)
    total = np.bincount(second[known], signs.silence[known], minlength=n)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _followed(seconds: Seconds, n_after: int) -> Seconds:
    """The seconds given, and so many after each of them."""
    steps = np.cumsum(np.concatenate(([0], seconds.astype(np.int64))))
    first = np.maximum(np.arange(len(seconds)) - n_after, 0)
    return np.asarray(steps[1:] > steps[first])


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


def find_off(coupling: Coupling, signs: Signs, settings: Settings) -> tuple[OffStretch, ...]:
    """Stretches in which the electrode was off: all of the recording, or by the witnesses of each stretch.

    Stretches are weighed against what lies beside them; a recording that was off throughout has nothing
    beside, but shows mains plainly and no movement at all.
    """
    if not len(coupling.field) or not len(signs):
        return ()
    if _never_on(coupling, settings):
        weighed = weigh_whole(signs, NEVER_ON)
        if weighed.probability >= settings["contact_loss.least_probability"]:
            return (OffStretch(0, len(coupling.field), weighed, NEVER_ON_WITNESSES),)
    if signs.measured_share < LEAST_MEASURED:
        return ()
    least = settings["contact_loss.least_probability"]
    found = likely(signs, candidates(signs), math.log(least / (1 - least)))
    return tuple(_in_seconds(coupling, signs, one) for one in found)


def _in_seconds(coupling: Coupling, signs: Signs, one: Weighed) -> OffStretch:
    """The seconds that a stretch touches."""
    n = len(coupling.field)
    stop = n if one.stop >= len(signs) else min(n, -int(-one.stop * signs.window_s // 1))
    return OffStretch(min(int(one.start * signs.window_s), max(n - 1, 0)), stop, one)


def _never_on(coupling: Coupling, settings: Settings) -> bool:
    """Whether the body moves, the field never shows it, and mains is plain all the same."""
    if coupling.is_proven or coupling.moving is None or coupling.moving.sum() < LEAST_MOVING_S:
        return False
    mains = coupling.mains[~np.isnan(coupling.mains)]
    plain = len(mains) and float(np.median(mains)) > settings["low_coupling.mains_fraction"] * coupling.range
    moved = coupling.moving & ~np.isnan(coupling.field)
    return bool(plain and moved.any() and coupling.silent[moved].mean() >= MOSTLY)
