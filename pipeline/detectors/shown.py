"""What each window of 0.2 s shows, held against like windows: what marks of a lost contact are read from.

Everything is in octaves. What is usual comes from the whole recording, by what the wearer does: walking,
strokes, or neither.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.phase import Complexes
from pipeline.detectors.wearer import Wearer
from pipeline.detectors.windows import Floats

Mask = npt.NDArray[np.bool_]

LEAST_LIKE_S = 5.0
USUAL_PERCENT, BEST_PERCENT = 60, 85
"""Like movement bends the level by what so many in a hundred of its windows fall short of, or of medians of
5 s each where these are more."""

ABOVE_NOISE = 4.0
"""Movement shows where it bends the level by so many times the noise of a window's mean."""

FAR, OFTEN = 0.95, 0.8
"""Parts of like windows from which the level goes less far: beyond one it jumps, beyond the other it may."""

LEAST_JUMP, JUMP_NOISE = 0.004, 6.0
"""Part of the range, and times the noise, below which nothing is a jump."""

AROUND_S = 6.0
NEAR_S = 0.8
"""What the wearer does within so long counts for a jump."""

LOWEST = -8.0

AT_ONCE = 1 << 16
"""Windows that are looked at together."""

UNKNOWN = complex(np.nan, np.nan)
"""Both parts, since a mean is taken of each."""

LEAST_SWING = -6.0
ABOVE_LINE_NOISE = 1.2
"""The phase of a line is known where it stands so many times above what noise may make of it."""

STEP_REACH_S, TURN_REACH_S, STEP_OCTAVES = 1.2, 10.0, 0.5
"""A line's size changes where it differs by so much over so long before and behind; what its phase does all
along is taken from the second reach."""

STEP_KNOWN = 0.5
"""Part of that time, before and behind, that has to be known: at a rail nothing is."""


@dataclass(frozen=True)
class Shown:
    """All arrays have one element for each window; octaves, NaN where nothing is known.

    Attributes
    ----------
    walking, stroking : float64
        How far the level bends, against what it usually does in like movement; NaN in any other.
    calm : float64
        How far it wanders while nobody moves, against its median.
    bend : float64
        How far it bends, over the noise.
    line : float64
        The line's peak over what noise alone may make.
    far, often, around : float64
        How far the level goes within 0.6 s, over what 19 of 20, and four of five, like windows do, and
        over what four of five windows within three seconds do.
    size : float64
        The same over the input range.
    residue, step : float64
        What the lines do not explain within a window, and its largest step.
    acceleration : float64
        Spread of the acceleration.
    swing : float64
        How far the line's phasor goes from the window before, over what noise alone may make.
    turn : complex128
        By how much the line's phase differs from the window before, of length 1; NaN where the line drowns.
    phase_step : float64
        By how many radians the line's phase differs before and behind a window's beginning, if its size does;
        NaN where it does not, and where a line among movement cannot be followed.
    line_size, calm_plain : float
        What has to be added to ``line`` for its size over the input range; the median of what is wandered,
        over the noise.
    """

    walking: Floats
    stroking: Floats
    calm: Floats
    bend: Floats
    line: Floats
    far: Floats
    often: Floats
    around: Floats
    size: Floats
    residue: Floats
    step: Floats
    acceleration: Floats
    swing: Floats
    turn: Complexes
    phase_step: Floats
    line_size: float
    calm_plain: float

    @property
    def is_felt(self) -> bool:
        """Whether an accelerometer says what the wearer does."""
        return not bool(np.isnan(self.acceleration).all())


@dataclass(frozen=True)
class Recorded:
    """What was measured of each window, in volts, ``noise`` of a window's mean, and the input's ``span``.

    ``phasor`` is the line as recorded, whose size noise alone makes ``line_noise`` at most, ``followed``
    the same as far as it is known among movement; nothing is known of either where they are ``hidden``.
    """

    level: Floats
    line: Floats
    phasor: Complexes
    followed: Complexes
    line_noise: float
    residue: Floats
    step: Floats
    hidden: Mask
    noise: float
    span: float
    window_s: float


def shown_in(recorded: Recorded, wearer: Wearer) -> Shown:
    """Hold every window against like ones."""
    # first what takes most memory, while nothing else does
    phase_step = _phase_step(_seen(recorded, recorded.followed), recorded.line_noise, recorded.window_s)
    phasor, level = _seen(recorded, recorded.phasor), recorded.level
    bend, far = np.full(len(level), np.nan), np.zeros(len(level))
    if len(level) > 6:
        bend[1:-1] = np.abs(level[:-2] - 2 * level[1:-1] + level[2:])
        far[1:-2] = np.abs(level[3:] - level[:-3])
    bend = np.where(recorded.hidden, np.nan, bend)
    noise = max(recorded.noise, 1e-15)
    floor = 2 * np.sqrt(np.pi) * noise
    line = np.where(recorded.hidden, np.nan, octaves(recorded.line, floor, 0.0))
    calm, calm_plain = _calm(recorded, wearer, noise)
    least = max(JUMP_NOISE * noise, LEAST_JUMP * recorded.span)
    around = ndimage.percentile_filter(far, 80, max(1, round(AROUND_S / recorded.window_s)) | 1)
    nothing = np.full(len(level), np.nan)
    return Shown(
        _against(bend, wearer.quick, recorded, noise),
        _against(bend, wearer.moving & ~wearer.quick, recorded, noise),
        calm,
        octaves(bend, noise, 0.0),
        line,
        _jumps(far, FAR, recorded, wearer, least),
        _jumps(far, OFTEN, recorded, wearer, least),
        octaves(far, np.maximum(around, least)),
        octaves(far, recorded.span, -20.0),
        octaves(np.where(recorded.hidden, np.nan, recorded.residue), recorded.span, -20.0),
        octaves(np.where(recorded.hidden, np.nan, recorded.step), recorded.span, -20.0),
        nothing if wearer.acceleration is None else octaves(np.nan_to_num(wearer.acceleration), 1.0, -5.6),
        octaves(_swing(phasor), recorded.line_noise, LEAST_SWING),
        _turn(phasor, recorded.line_noise),
        phase_step,
        float(np.log2(floor / recorded.span)),
        calm_plain,
    )


def _seen(recorded: Recorded, phasor: Complexes) -> Complexes:
    """A phasor as far as it is known: not where windows are hidden."""
    return np.where(recorded.hidden, UNKNOWN, phasor)


def _swing(phasor: Complexes) -> Floats:
    swing = np.full(len(phasor), np.nan)
    swing[1:] = np.abs(np.diff(phasor))
    return swing


def _turn(phasor: Complexes, noise: float) -> Complexes:
    turn = np.full(len(phasor), UNKNOWN)
    size = np.abs(phasor)
    known = ~np.isnan(size) & (size > ABOVE_LINE_NOISE * noise)
    both = np.flatnonzero(known[1:] & known[:-1])
    for first in range(0, len(both), AT_ONCE):
        at = both[first : first + AT_ONCE]
        turn[at + 1] = phasor[at + 1] * phasor[at].conj() / (size[at + 1] * size[at])
    return turn


def _phase_step(phasor: Complexes, noise: float, window_s: float) -> Floats:
    """What a line that is not quite of the assumed frequency turns by the way is taken out."""
    n, reach = len(phasor), round(STEP_REACH_S / window_s)
    step = np.full(n, np.nan)
    if n <= 2 * reach:
        return step
    steady = _without_usual_turn(phasor, noise, round(TURN_REACH_S / window_s))
    known = ~np.isnan(steady)
    sums, number = _cumulated(np.where(known, steady, 0.0)), _cumulated(known)
    for first in range(reach + 1, n - reach, AT_ONCE):
        k = np.arange(first, min(first + AT_ONCE, n - reach))
        n_before, n_behind = number[k - 1] - number[k - 1 - reach], number[k + 1 + reach] - number[k + 1]
        before = (sums[k - 1] - sums[k - 1 - reach]) / np.maximum(n_before, 1)
        behind = (sums[k + 1 + reach] - sums[k + 1]) / np.maximum(n_behind, 1)
        smaller, larger = np.sort(np.abs([before, behind]), axis=0)
        leaps = (smaller > ABOVE_LINE_NOISE * noise) & (larger > 2.0**STEP_OCTAVES * smaller)
        leaps &= np.minimum(n_before, n_behind) >= STEP_KNOWN * reach
        step[k[leaps]] = np.abs(np.angle(behind * before.conj()))[leaps]
    return step


def _without_usual_turn(phasor: Complexes, noise: float, wide: int) -> Complexes:
    n, turned = len(phasor), _cumulated(np.nan_to_num(_turn(phasor, noise)))
    steady, reached = np.empty(n, np.complex128), 0.0
    for first in range(0, n, AT_ONCE):
        at = np.arange(first, min(first + AT_ONCE, n))
        usual = np.angle(turned[np.minimum(at + wide, n)] - turned[np.maximum(at - wide, 0)])
        turns = np.cumsum(np.concatenate(([reached], usual)))[1:]
        steady[at] = phasor[at] * np.exp(-1j * turns)
        reached = float(turns[-1])
    return steady


def _cumulated(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    return np.concatenate(([0], np.cumsum(values)))


def _against(bend: Floats, like: Mask, recorded: Recorded, noise: float) -> Floats:
    """How far the level bends in like movement, against its usual."""
    shows, known = np.full(len(bend), np.nan), like & ~np.isnan(bend)
    if known.sum() * recorded.window_s >= LEAST_LIKE_S:
        usual = max(float(np.percentile(bend[known], USUAL_PERCENT)), _usual_at_best(bend[known], recorded))
        if usual > ABOVE_NOISE * noise:
            shows[known] = octaves(bend[known], usual, -6.0)
    return shows


def _usual_at_best(bend: Floats, recorded: Recorded) -> float:
    """The median of such parts as are among the best: a loss may hide most of all movement."""
    n = round(LEAST_LIKE_S / recorded.window_s)
    parts = bend[: len(bend) // n * n].reshape(-1, n)
    return float(np.percentile(np.median(parts, axis=1), BEST_PERCENT)) if len(parts) else 0.0


def _calm(recorded: Recorded, wearer: Wearer, noise: float) -> tuple[Floats, float]:
    """How far the level wanders from one second to the next while nobody moves."""
    smooth = ndimage.uniform_filter1d(recorded.level, 3) if len(recorded.level) else recorded.level
    wander = np.full(len(smooth), np.nan)
    if len(smooth) > 6:
        wander[3:-3] = np.abs(smooth[:-6] - 2 * smooth[3:-3] + smooth[6:])
    wander = octaves(np.where(~wearer.busy & ~recorded.hidden, wander, np.nan), noise, 0.0)
    known = wander[~np.isnan(wander)]
    usual = float(np.median(known)) if len(known) else float("nan")
    return wander - usual, usual


def _jumps(far: Floats, part: float, recorded: Recorded, wearer: Wearer, least: float) -> Floats:
    """How far the level goes beyond what is usual in all that the wearer does nearby."""
    n, usual = len(far), np.zeros(len(far))
    near = np.ones(2 * max(1, round(NEAR_S / recorded.window_s)) + 1, bool)
    groups = [wearer.steps, wearer.body & ~wearer.steps, ~wearer.body]
    if wearer.acceleration is None:
        groups = [np.ones(n, bool)]
    for group in groups:
        like = group & ~recorded.hidden
        like = like if like.any() else group
        if like.any():
            alike = max(float(np.quantile(far[like], part)), least)
            usual = np.where(ndimage.binary_dilation(group, near), np.maximum(usual, alike), usual)
    return octaves(far, np.maximum(usual, least))


def octaves(value: Floats, unit: Floats | float, lowest: float = LOWEST) -> Floats:
    """Base-2 logarithm of a ratio, `lowest` at least; NaN stays."""
    return np.asarray(np.log2(np.maximum(value / np.maximum(unit, 1e-15), 2.0**lowest)))
