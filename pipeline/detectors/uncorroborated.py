"""Field and accelerometer that do not bear each other out: somebody passes, or the field does not answer."""

from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.coupling import LEAST_MOVING_S, Coupling
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans, listed
from pipeline.detectors.settling import settling_s
from pipeline.detectors.tracks import Settings
from pipeline.detectors.windows import Floats

Mask = npt.NDArray[np.bool_]

MAX_LISTED = 50
BRIDGE_S = 1.0
SHORTEST_S = 3.0
LEAST_PLAIN_S = 1.2
"""Lulls that are closed, the shortest stretch, and how much of it must be above the limit: a spark rings for
two seconds in the band of movement, a passer takes longer."""

EDGE_SHARE = 0.3
"""Down to this share of the limit what lies beside a plain change belongs to it."""

CLEAR_S = 2
"""So far from the wearer's movement a change must be plain: the filter rings, and arms come to rest."""

USUAL_TIMES = 3.5
"""By how much a change exceeds what the field does in half of the quiet time, where that is noisy."""

LEAST_UNANSWERED = 0.2
"""Share of the moving time, neither tied to ground nor without contact, from which a note is made."""


@dataclass(frozen=True)
class _Quiet:
    """Short windows of a channel: movement (0 where unknown), where the wearer is quiet, and clearly so."""

    field: Floats
    quiet: Mask
    clear: Mask
    limit: Floats
    window_s: float


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure field change without acceleration and acceleration without field change; neither is a fault.

    The sensor sees the body's coupling to its surroundings, so a person who walks past moves it, and so does
    another limb (common practice, no source). Fingers move the wrist a little and the field less: below body
    movement a change of the field must stand out from the session's quiet time.
    """
    return Detected.united(
        _detect_channel(evidence, evidence.coupling(track, settings), settings)
        for track in evidence.tracks.field.values()
    )


def _detect_channel(evidence: Evidence, coupling: Coupling, settings: Settings) -> Detected:
    name, acceleration = coupling.track.channel.name, evidence.tracks.acceleration_rms
    measures = ("uncorroborated_fraction", "unanswered_fraction")
    if acceleration is None or coupling.moving is None or not len(coupling.field):
        none = acceleration is None or coupling.moving is None
        absent = "no accelerometer in the dump to bear it out" if none else "no whole second"
        return Detected((), tuple(Measure(measure, None, "1", name, absent) for measure in measures))
    windows = _quiet(evidence, coupling, acceleration[: len(coupling.field)], settings)
    spans = _alone(windows)
    n_known = int((~np.isnan(coupling.track.movement_fast)).sum())
    absent = "" if n_known else "no second of the field could be measured"
    share = spans.n_samples / n_known if n_known else None
    alone = Measure(measures[0], share, "1", name, absent, n_known)
    n_fast = evidence.tracks.n_fast
    findings = listed(spans, partial(_finding, evidence, coupling, windows), MAX_LISTED)
    unanswered, notes = _unanswered(evidence, coupling, settings)
    return Detected((*findings, *notes), (alone, unanswered), {"uncorroborated": spans.stretched(n_fast)})


def _quiet(evidence: Evidence, coupling: Coupling, acceleration: Floats, settings: Settings) -> _Quiet:
    tracks = evidence.tracks
    moving = ~(acceleration < settings["movement.body_m_s2"])
    hidden = _hidden(coupling, settings)
    near = ndimage.binary_dilation(moving, iterations=CLEAR_S)
    fast = coupling.track.movement_fast
    middle = np.arange(len(fast)) * tracks.n_fast + tracks.n_fast // 2
    second = np.minimum(middle // tracks.n_slow, len(moving) - 1)
    quiet, clear = ~(moving | hidden)[second], ~(near | hidden)[second]
    still = (acceleration < settings["movement.still_m_s2"])[second]
    limit = np.full(len(fast), settings["uncorroborated.field_fraction"] * coupling.range)
    # Fingers at work move the field more than sleep does: each is measured by itself.
    for alike in (still, ~still):
        known = fast[alike & clear & ~np.isnan(fast)]
        if len(known):
            limit[alike] = np.maximum(limit[alike], USUAL_TIMES * np.median(known))
    return _Quiet(np.nan_to_num(fast), quiet, clear, limit, tracks.n_fast / tracks.sample_hz)


def _hidden(coupling: Coupling, settings: Settings) -> Mask:
    """Seconds in which something else explains the field: electrode off, an overload, the time after it."""
    track, n = coupling.track, len(coupling.field)
    recovery = int(np.ceil(settling_s(track.channel, settings["saturation.settled_residue"]) or 0.0))
    # A layout whose range the codes leave says nothing about rails.
    railed = Spans.of_mask((track.at_rail[:n] > 0) & (track.n_beyond == 0))
    hidden = np.isnan(track.movement_rms[:n])
    for start, stop in railed.pairs():
        hidden[max(0, start - 1) : stop + recovery] = True
    for stretch in coupling.off:
        hidden[max(0, stretch.start - 1) : stretch.stop + recovery] = True
    return hidden


def _alone(windows: _Quiet) -> Spans:
    """Stretches of windows: plain somewhere clear of movement, with all that hangs together with it."""
    plain = windows.clear & (windows.field > windows.limit)
    joined = windows.quiet & (windows.field > EDGE_SHARE * windows.limit)
    spans = Spans.merged(Spans.of_mask(joined), bridge=round(BRIDGE_S / windows.window_s))
    spans = spans.without(Spans.of_mask(~windows.quiet))
    until = np.concatenate(([0], np.cumsum(plain))) * windows.window_s
    lasts_s = (spans.stop - spans.start) * windows.window_s
    # Half a window of slack: their length is no whole part of a second.
    keep = lasts_s >= SHORTEST_S - windows.window_s / 2
    keep &= until[spans.stop] - until[spans.start] >= LEAST_PLAIN_S - windows.window_s / 2
    return Spans(spans.start[keep], spans.stop[keep])


def _finding(evidence: Evidence, coupling: Coupling, windows: _Quiet, start: int, stop: int) -> Finding:
    n_fast = evidence.tracks.n_fast
    return Finding(
        "uncorroborated",
        coupling.track.channel.name,
        evidence.at_s(start * n_fast),
        evidence.at_s(stop * n_fast),
        "note",
        "movement_rms_v",
        float(windows.field[start:stop].max()),
        float(windows.limit[start:stop].min()),
        coupling.track.channel.unit,
        "The field moved while the wrist lay still or nearly so: somebody passed, or another limb moved; "
        "keep it out of rest.",
    )


def _unanswered(
    evidence: Evidence, coupling: Coupling, settings: Settings
) -> tuple[Measure, tuple[Finding, ...]]:
    """Share of the moving time in which the field does not answer, and a note where nothing explains it."""
    channel = coupling.track.channel
    known = ~np.isnan(coupling.field)
    moving = known & coupling.moving if coupling.moving is not None else np.zeros_like(known)
    n_moving = int(moving.sum())
    if n_moving < LEAST_MOVING_S:
        absent = f"the wearer moved for {n_moving} measured s, {LEAST_MOVING_S} are needed"
        return Measure("unanswered_fraction", None, "1", channel.name, absent), ()
    silent = moving & ~coupling.answers
    share = int(silent.sum()) / n_moving
    measure = Measure("unanswered_fraction", share, "1", channel.name, out_of=n_moving)
    little_mains = ~(coupling.mains > settings["low_coupling.mains_fraction"] * coupling.range)
    unexplained = silent & ~coupling.off_seconds & ~little_mains
    if unexplained.sum() < LEAST_UNANSWERED * n_moving:
        return measure, ()
    seconds, n_second = np.flatnonzero(unexplained), evidence.tracks.n_slow
    text = (
        f"In {unexplained.sum()} of {n_moving} s of movement {channel.name} does not answer, though mains is "
        "picked up plainly and nothing shows that the electrode came off: look at the strap, and at what "
        "is found of contact and coupling beside this."
    )
    note = Finding(
        "uncorroborated",
        channel.name,
        evidence.at_s(int(seconds[0]) * n_second),
        evidence.at_s((int(seconds[-1]) + 1) * n_second),
        "note",
        "unanswered_fraction",
        float(unexplained.sum() / n_moving),
        LEAST_UNANSWERED,
        "1",
        text,
    )
    return measure, (note,)
