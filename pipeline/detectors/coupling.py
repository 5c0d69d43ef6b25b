"""How the electrode is coupled to the body, second by second: the witnesses that three detectors share.

Movement should show in the field when the accelerometer shows it; mains pickup should stay what it was.
An open electrode loses the first and picks up more of the second; a wearer tied to ground loses both.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.findings import Spans
from pipeline.detectors.settling import settling_s
from pipeline.detectors.signs import Signs, quick_seconds, signs_of
from pipeline.detectors.stretches import Stretches, candidates
from pipeline.detectors.tracks import MOVEMENT_HZ, FieldTrack, Settings, Tracks
from pipeline.detectors.weigh import AGREED, NEVER_ON, Weighed, likely, weigh
from pipeline.detectors.windows import Floats

Seconds = npt.NDArray[np.bool_]

LEAST_CONNECTED_S = 5
"""Seconds in which the field answers movement that are needed to know what contact looks like."""

LEAST_MOVING_S = 10
"""Seconds of body movement that are needed before silence of the field means anything."""

LEAST_MOVING_INSIDE_S = 3
"""The same within a stretch that another witness points at."""

LEAST_MEASURED = 0.5
"""Share of seconds that must have been measured for witnesses to be weighed, or contact called proven."""

MOSTLY = 0.7
"""Share of moving seconds that must be silent; and one minus it, the share of answers that clears."""

JUMP = 0.1
"""Step of the mean from one second to the next, in input ranges, that no movement makes."""

EDGE_S = 3
"""Reach around a change of mains in which a transient belongs to it."""


@dataclass(frozen=True)
class Coupling:
    """One field channel and the accelerometer in windows of one second; all arrays have equal length.

    ``field`` is the movement band's rms (NaN where losses, a rail or the settling after it hide it),
    ``mains`` the peak amplitude of the lines at the electrode (NaN where not measured),
    ``moving``/``still`` what the accelerometer says (both None without one), ``stepping`` whether it moves as
    quickly as steps do, ``silence`` by how many octaves movement shows more (or less, negative) than like
    movement elsewhere, ``answers`` whether the field shows movement, ``silent`` whether it shows none at
    all, ``transient`` whether a rail or a jump of the level was met, ``off`` the stretches in which the
    electrode was off.
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
    transient: Seconds
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
    probability; ``witnesses`` are those of the rule of two, in words.
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
    moving = still = None
    stepping = np.zeros(n, bool)
    if acceleration is not None:
        moving = np.nan_to_num(acceleration[:n]) > settings["movement.body_m_s2"]
        still = np.nan_to_num(acceleration[:n], nan=np.inf) < settings["movement.still_m_s2"]
        stepping = moving & quick_seconds(tracks)[:n]
    # The fit of a line to noise alone gives a peak of about noise * sqrt(pi / n) a line.
    noise_peak = noise * np.sqrt(np.pi / tracks.n_fast)
    visible = bool(np.any(~np.isnan(mains))) and float(np.nanpercentile(mains, 90)) > 3 * noise_peak
    signs = signs_of(tracks, track, settings)
    silence = _mean_per_second(signs, n)
    coupling = Coupling(
        track,
        span,
        field,
        mains,
        visible,
        moving,
        still,
        stepping,
        silence,
        answers,
        silent & ~answers,
        transient,
    )
    return replace(coupling, off=find_off(coupling, signs, settings))


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
    """Stretches in which the electrode was off: all witnesses weighed, and the rule that two of them agree.

    Weighed are stretches between edges in windows of 0.2 s. What the rule finds beside them, in seconds and
    where contact is proven, counts if all witnesses together do not speak against it.
    """
    if not len(coupling.field) or not len(signs):
        return ()
    ruled = _by_rule(coupling, settings)
    known = [_windows(coupling, signs, one) for one in ruled]
    agreed = [
        weigh(
            signs,
            Stretches.of([(start, start, stop, stop)], len(signs), 1),
            NEVER_ON if stop - start == len(signs) else AGREED,
        )
        for start, stop in known
    ]
    found = [
        OffStretch(one.start, one.stop, own[0], one.witnesses)
        for one, own in zip(ruled, agreed, strict=True)
        if own and own[0].probability >= settings["contact_loss.least_agreed"]
    ]
    is_whole = bool(found) and found[0].start == 0 and found[0].stop >= len(coupling.field)
    if is_whole or coupling.measured_share < LEAST_MEASURED:
        return tuple(found)
    least = settings["contact_loss.least_probability"]
    likelier = likely(signs, candidates(signs), math.log(least / (1 - least)))
    apart = [
        one
        for one in found
        if not any(one.weighed.start < w.stop and w.start < one.weighed.stop for w in likelier)
    ]
    found = [*apart, *(_in_seconds(coupling, signs, one) for one in likelier)]
    return tuple(sorted(found, key=lambda one: one.weighed.start))


@dataclass(frozen=True)
class Ruled:
    """Seconds [start, stop) in which two witnesses agree."""

    start: int
    stop: int
    witnesses: tuple[str, ...]


def _windows(coupling: Coupling, signs: Signs, one: Ruled) -> tuple[int, int]:
    """Windows of whole seconds; the last second reaches the end."""
    last = one.stop >= len(coupling.field)
    return signs.at(one.start), len(signs) if last else min(signs.at(one.stop), len(signs))


def _in_seconds(coupling: Coupling, signs: Signs, one: Weighed) -> OffStretch:
    """The seconds that a stretch touches."""
    n = len(coupling.field)
    stop = n if one.stop >= len(signs) else min(n, -int(-one.stop * signs.window_s // 1))
    return OffStretch(min(int(one.start * signs.window_s), max(n - 1, 0)), stop, one)


def _by_rule(coupling: Coupling, settings: Settings) -> tuple[Ruled, ...]:
    """Stretches in which at least two witnesses agree.

    Witnesses are a lasting change of mains pickup, a field that stays silent while the wearer moves, and
    a transient at the stretch's edges. An answer of the field to movement inside clears a stretch: a lamp
    that is switched changes mains as well. Hardly any mains in silence is a wearer tied to ground, unless
    a transient says otherwise. A whole recording in silence counts where mains is plain.
    """
    if not len(coupling.field):
        return ()
    if not coupling.is_proven and coupling.moving is not None and coupling.moving.sum() >= LEAST_MOVING_S:
        return _never_on(coupling, settings)
    reference = _mains_with_contact(coupling)
    suspects = _silent_under_movement(coupling)
    if reference > 0:
        suspects = Spans.merged(suspects, _changed(coupling, reference, settings), bridge=EDGE_S)
    found = []
    for start, stop in zip(suspects.start.tolist(), suspects.stop.tolist(), strict=True):
        change = None
        if reference > 0:
            change = float(np.nanmedian(coupling.mains[start:stop])) / reference
        witnesses = _witnesses(coupling, start, stop, change, settings)
        if witnesses:
            found.append(Ruled(start, stop, witnesses))
    return tuple(found)


def _silent_under_movement(coupling: Coupling) -> Spans:
    """Stretches of silence while the wearer moves, where contact is proven elsewhere."""
    if coupling.moving is None or not coupling.is_proven:
        return Spans()
    speaking = coupling.answers | (coupling.moving & ~coupling.silent & ~np.isnan(coupling.field))
    silent = Spans.merged(Spans.of_mask(coupling.moving & coupling.silent), bridge=EDGE_S)
    silent = silent.without(Spans.of_mask(speaking))
    keep = silent.stop - silent.start >= LEAST_MOVING_S / 2
    silent = Spans(silent.start[keep], silent.stop[keep])
    # What a transient hides before a silence is the beginning of it: the moment when the electrode came off.
    hidden = Spans.of_mask(np.isnan(coupling.field))
    before = np.searchsorted(hidden.start, silent.start) - 1
    touches = (
        (before >= 0) & (hidden.stop[np.maximum(before, 0)] >= silent.start - EDGE_S)
        if len(hidden)
        else False
    )
    start = np.where(touches, hidden.start[np.maximum(before, 0)] if len(hidden) else 0, silent.start)
    return Spans.merged(Spans(start, silent.stop))


def _mains_with_contact(coupling: Coupling) -> float:
    """Mains pickup with contact: where contact is proven, else in most of the recording; 0 if unknown."""
    if not coupling.mains_visible:
        return 0.0
    proven = coupling.mains[coupling.connected] if coupling.is_proven else coupling.mains
    return float(np.nanmedian(proven)) if np.any(~np.isnan(proven)) else 0.0


def _never_on(coupling: Coupling, settings: Settings) -> tuple[Ruled, ...]:
    """The whole recording, where the body moves, the field stays silent, and mains is plain all the same."""
    mains = coupling.mains[~np.isnan(coupling.mains)]
    plain = len(mains) and float(np.median(mains)) > settings["low_coupling.mains_fraction"] * coupling.range
    if not plain or _silent_share(coupling, 0, len(coupling.field)) < MOSTLY:
        return ()
    witnesses = ("the field stays silent while the wearer moves", "mains is picked up plainly all the same")
    return (Ruled(0, len(coupling.field), witnesses),)


def _silent_share(coupling: Coupling, start: int, stop: int) -> float:
    """Share of silent seconds among the measured moving ones of a stretch; 0 where these are too few."""
    if coupling.moving is None:
        return 0.0
    moved = coupling.moving[start:stop] & ~np.isnan(coupling.field[start:stop])
    if moved.sum() < LEAST_MOVING_INSIDE_S:
        return 0.0
    return float(coupling.silent[start:stop][moved].mean())


def _changed(coupling: Coupling, reference: float, settings: Settings) -> Spans:
    """Seconds in which mains pickup stays away from what it is with contact."""
    known = ~np.isnan(coupling.mains)
    ratio = np.where(known, np.maximum(coupling.mains, 1e-3 * reference) / reference, 1.0)
    apart = np.abs(np.log(ratio)) > np.log(settings["contact_loss.mains_change"])
    # A second whose mains could not be measured goes with the last one that could.
    last = np.maximum.accumulate(np.where(known, np.arange(len(known)), 0))
    steady = ndimage.median_filter(apart[last].astype(np.uint8), 3, mode="nearest").astype(bool)
    return _lasting(steady, settings["contact_loss.shortest_s"])


def _lasting(seconds: Seconds, shortest_s: float) -> Spans:
    spans = Spans.merged(Spans.of_mask(seconds), bridge=2)
    keep = spans.stop - spans.start >= shortest_s
    return Spans(spans.start[keep], spans.stop[keep])


def _witnesses(
    coupling: Coupling, start: int, stop: int, change: float | None, settings: Settings
) -> tuple[str, ...]:
    """What speaks for an electrode that is off; nothing where it does not suffice.

    Plain mains while the field is silent is no wearer tied to ground.
    """
    plain = settings["low_coupling.mains_fraction"] * coupling.range
    edges = np.r_[max(0, start - EDGE_S) : start + EDGE_S, max(0, stop - EDGE_S) : stop + EDGE_S]
    transient = bool(coupling.transient[np.minimum(edges, len(coupling.transient) - 1)].any())
    silence = _silent_share(coupling, start, stop) >= MOSTLY
    if coupling.moving is not None:
        moved = coupling.moving[start:stop]
        if moved.sum() >= LEAST_MOVING_INSIDE_S and coupling.connected[start:stop][moved].mean() > 1 - MOSTLY:
            return ()
    factor = settings["contact_loss.mains_change"]
    rises = change is not None and change > factor
    falls_but_stays = (
        change is not None and change < 1 / factor and float(np.nanmedian(coupling.mains[start:stop])) > plain
    )
    if not (rises and (transient or silence)) and not (silence and (transient or falls_but_stays)):
        return ()
    told = []
    if change is not None and not 1 / factor <= change <= factor:
        way = f"rises to {change:.1f} times" if change > 1 else f"falls to {change:.2f} of"
        told.append(f"mains pickup {way} what it is with contact")
    if silence:
        told.append("the field stays silent while the accelerometer shows movement")
    if transient:
        told.append("a transient stands at its edge")
    return tuple(told)
