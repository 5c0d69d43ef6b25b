"""One field channel in windows of 0.2 s as contact is judged by: mains, jumps of the level, silence.

Seconds are too coarse for an electrode that is off for two of them. What counts as a jump is held against
what the wearer does at that moment: at rest a small one is none that a body makes, under steps a large one
may be.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.findings import Spans
from pipeline.detectors.lines import SLOW_LINE_HZ
from pipeline.detectors.runs import CHANCE, log_chance
from pipeline.detectors.shown import Recorded, Shown, octaves, shown_in
from pipeline.detectors.tracks import FieldTrack, Settings, Tracks
from pipeline.detectors.wearer import BUSY_REACH_S, Wearer, wearer_of
from pipeline.detectors.windows import Floats
from pipeline.machine import give_back_memory

Mask = npt.NDArray[np.bool_]

REST_M_S2 = 0.12
"""Spread of the acceleration below which not even fingers move (common practice, no source)."""

USUAL_STEPS, USUAL_MOVING = 0.65, 0.85
"""Part of the seconds in which the wearer does the like whose largest step of the level is held to be usual:
at rest and with busy fingers, and in movement, which damp soles may hide for a part of the time."""

STEEPER, FARTHER = 3.0, 2.3
"""How many times the usual a step from sample to sample, or from window to window, is a jump."""

ABRUPT = 0.5
"""A jump makes so much of its way within two cycles of mains; leaning, sitting down and soles take longer."""

LINE_SWITCH, LINE_STEP = 0.6, 1.2
"""A line that is switched within a cycle leaves up to this times its amplitude in a mean over the cycle, and
where a cycle is no whole number of samples, so many times what leaks through."""

LINE_LEVEL = 0.15
"""It moves the level of the windows beside it by up to this part of its amplitude."""

BIG = 0.04
"""Jump in input ranges from which it is told as big: electrodes stand 0.1 V and more apart from the skin
(AAMI EC12 for wet ones, from memory)."""

FLAT = 0.25
"""Noise below this part of the quiet one: the values stand still."""

VISIBLE, PLAINLY, PLAINLY_S = 3.0, 12.0, 0.6
"""Mains is visible where a tenth of the windows has so many times what noise makes, or where so many seconds
have more: with contact it may lie in the noise, and stand far above it without."""

UNMEASURED = 0.5
"""A window of which so much was lost or repeats what was before tells nothing."""

LEAST_ALIKE_S = 5.0
USUAL_PERCENT = 80
"""Like movement shows by what so many in a hundred of its windows fall short of; in most it may be silent."""


@dataclass(frozen=True)
class Signs:
    """All arrays have one element for each window of ``window_s``.

    Attributes
    ----------
    mains : float64
        Base-2 logarithm of the peak of line and harmonics in volts; NaN where it is not known.
    mains_step : float64
        Octaves by which mains differs between the 0.6 s before and behind each window.
    jump : float64
        Octaves by which the level jumps farther than is usual; above 0 it is a jump.
    size : float64
        Octaves by which that jump is larger than `BIG` input ranges, -1 to 2.
    silence : float64
        Octaves by which movement shows less (negative) or more than like movement usually does; NaN where
        nobody moves, or nothing is known.
    calm : float64
        The same of what goes on in a wearer who keeps still or moves the fingers alone; NaN while walking
        or stroking, and where it drowns in the noise.
    railed : bool
        Windows with a sample at a rail.
    driven : bool
        Those of them in which the wearer moves, which may drive the amplifier there.
    mains_visible : bool
        Whether mains stands above the noise.
    mains_floor : float
        The same logarithm of what noise alone may make.
    folded_hz : float
        Where the line folds to, that of `SLOW_LINE_HZ` at most.
    shown : Shown
        What each window shows against like ones.
    measured_share : float
        Part of the windows that were measured off the rails.
    mains_plain : float
        Base-2 logarithm of the peak in volts from which mains is plain (``low_coupling.mains_fraction``).
    """

    window_s: float
    measured_share: float
    mains: Floats
    mains_step: Floats
    jump: Floats
    size: Floats
    silence: Floats
    calm: Floats
    railed: Mask
    driven: Mask
    mains_visible: bool
    mains_floor: float
    mains_plain: float
    n_fast: int
    n_slow: int
    folded_hz: float
    shown: Shown

    def __len__(self) -> int:
        return len(self.mains)

    def n(self, seconds: float) -> int:
        """So many windows, at least one."""
        return max(1, round(seconds / self.window_s))


def signs_of(tracks: Tracks, track: FieldTrack, settings: Settings) -> Signs:
    """Bring what is known of a field channel to windows of 0.2 s."""
    n = min(len(track.mains_peak), len(track.level_fast), len(track.step_fast))
    window_s = tracks.n_fast / tracks.sample_hz
    span = track.channel.adc_high - track.channel.adc_low
    noise = track.residue_rms[:n]
    # Sums of floating point leave a little of a value that stands still.
    still = (track.step_fast[:n] <= 1e-9 * span) & ~(noise > 1e-9 * span)
    known = noise[~np.isnan(noise) & ~still]
    quiet = float(np.percentile(known, 20)) if len(known) else 0.0
    wearer = wearer_of(tracks, n, window_s, settings)
    railed = track.railed_fast[:n] & (track.n_beyond == 0)
    unmeasured = _unmeasured(tracks, track, n)
    flat = still | unmeasured | (np.nan_to_num(noise) < FLAT * quiet)
    of_noise = peak_of_noise(quiet, tracks.n_fast)
    mains, visible = _mains(track, wearer, railed, flat, of_noise, window_s)
    level = filled(track.level_fast[:n])
    jump, size = _jumps(track, level, _Sizes(span, quiet, window_s, tracks.sample_hz), wearer, railed)
    line = np.nan_to_num(track.mains_peak[:n]) if track.lines[0].folded_hz < SLOW_LINE_HZ else np.zeros(n)
    # What lies beside such windows is held against what was never measured.
    beside = ndimage.binary_dilation(unmeasured, iterations=2)
    jump, size = np.where(beside, -8.0, jump), np.where(beside, -1.0, size)
    hidden = (jump > 0) | railed | unmeasured
    silence = _silence(level, line, wearer, hidden, flat, quiet, window_s)
    calm = _calm(level, line, wearer, _Sizes(span, quiet, window_s, tracks.sample_hz), hidden, flat)
    step = _steps(mains, max(1, round(0.6 / window_s))) if visible else np.zeros(n)
    plain = float(np.log2(settings["low_coupling.mains_fraction"] * span))
    measured_share = float(1 - (unmeasured | railed).mean()) if n else 0.0
    driven = railed & (wearer.body | (wearer.acceleration is None))
    give_back_memory(n * tracks.n_fast)
    return Signs(
        window_s, measured_share, mains, step, jump, size, silence, calm, railed, driven, visible,
        float(np.log2(_floor(of_noise))), plain, tracks.n_fast, tracks.n_slow,
        min(track.lines[0].folded_hz, SLOW_LINE_HZ), _shown(tracks, track, wearer, railed, window_s, quiet),
    )  # fmt: skip


def peak_of_noise(noise: float, n_fast: int) -> float:
    """Peak that the fit of a line to noise alone gives in a window: about noise * sqrt(pi / n) a line."""
    return noise * float(np.sqrt(np.pi / n_fast))


def _floor(peak_of_noise: float) -> float:
    """Peak of a line below which nothing is known of it."""
    return max(2 * peak_of_noise, 1e-12)


def _shown(
    tracks: Tracks, track: FieldTrack, wearer: Wearer, railed: Mask, window_s: float, quiet: float
) -> Shown:
    """What each window shows against like ones."""
    n = len(railed)
    level, line, followed = track.bare_level[:n], track.bare_line[:n], track.line_phasor[:n] * track.line_gain
    hidden = ndimage.binary_dilation(railed | np.isnan(level))
    line_noise = _floor(peak_of_noise(quiet, tracks.n_fast))
    recorded = Recorded(
        filled(level), np.abs(line), np.where(np.isnan(followed), line, followed), followed, line_noise,
        track.residue_rms[:n], track.step_fast[:n], hidden,
        quiet / float(np.sqrt(tracks.n_fast)), track.channel.adc_high - track.channel.adc_low, window_s,
    )  # fmt: skip
    shown = shown_in(recorded, wearer)
    give_back_memory(n * tracks.n_fast)
    return shown


def filled(values: Floats) -> Floats:
    """Values with unknown ones standing in by the last known; zeros where nothing is known."""
    known = ~np.isnan(values)
    if not known.any():
        return np.zeros(len(values))
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return np.asarray(values[np.where(last < 0, np.argmax(known), last)])


def _unmeasured(tracks: Tracks, track: FieldTrack, n: int) -> Mask:
    """Windows most of which was lost, or filled, sent again, held or stuck."""
    repeats, name = tracks.repeats, track.channel.name
    runs = repeats.runs[name]
    rails = track.overloads.rails
    off_rails = (runs.value[:, 0] > rails.low) & (runs.value[:, 0] < rails.high)
    by_chance = log_chance(runs, repeats.changes[name], repeats.pairs[name], repeats.n_window)
    stuck = runs.spans.where(off_rails & (by_chance < np.log(CHANCE)))
    at = np.arange(n, dtype=np.int64) * tracks.n_fast
    rows = Spans.merged(tracks.held.together(repeats), stuck)
    n_rows = rows.n_within(Spans(at, at + tracks.n_fast))
    return np.asarray((n_rows >= UNMEASURED * tracks.n_fast) | np.isnan(track.level_fast[:n]))


@dataclass(frozen=True)
class _Sizes:
    """Input range and quiet noise in volts, and how long a window lasts."""

    span: float
    quiet: float
    window_s: float
    sample_hz: float


def _mains(
    track: FieldTrack, wearer: Wearer, railed: Mask, flat: Mask, noise_peak: float, window_s: float
) -> tuple[Floats, bool]:
    """Logarithm of the mains, and whether it is visible at all."""
    n = len(railed)
    noise, leads = track.residue_rms[:n], track.mains_leads[:n]
    usual = float(np.nanmedian(noise)) if np.any(~np.isnan(noise)) else 0.0
    # Where lines do not lead and the rest is loud, or at a rail, it is the rest that has power there.
    loud = ~(np.nan_to_num(noise) < 2 * usual) & (np.isnan(track.middle_peak[:n]) | railed | wearer.steps)
    hidden = ~leads & (railed | loud)
    if track.lines[0].folded_hz < SLOW_LINE_HZ:
        hidden |= wearer.body & ~(track.mains_peak[:n] > track.movement_fast[:n])
    peak = np.where(hidden | flat, np.nan, _peak(track, n))
    free = ~ndimage.binary_dilation(railed, iterations=2)
    plainly = int((free & (peak > PLAINLY * noise_peak)).sum()) >= PLAINLY_S / window_s
    visible = plainly or (
        bool(np.any(~np.isnan(peak))) and float(np.nanpercentile(peak, 90)) > VISIBLE * noise_peak
    )
    return np.log2(np.maximum(peak, _floor(noise_peak))), visible


def _peak(track: FieldTrack, n: int) -> Floats:
    """Peak of the mains: a step only makes the fit over a window larger, noise that over two cycles."""
    whole = track.mains_peak[:n]
    parts = np.where(track.railed_fast[:n], np.nan, track.middle_peak[:n])
    return np.where(np.isnan(whole), np.nan, np.fmin(whole, parts))


def _jumps(
    track: FieldTrack, level: Floats, sizes: _Sizes, wearer: Wearer, railed: Mask
) -> tuple[Floats, Floats]:
    n, window_s = len(level), sizes.window_s
    steep = np.nan_to_num(track.step_fast[:n])
    # A line among movement is known by the second.
    reach = 5 if track.lines[0].folded_hz >= SLOW_LINE_HZ else 2 * max(1, round(3.0 / window_s)) + 1
    line = ndimage.maximum_filter1d(np.where(railed, 0.0, np.nan_to_num(_peak(track, n))), reach)
    usual = np.maximum(STEEPER * _usual(steep, wearer, window_s), max(6 * sizes.quiet, 0.004 * sizes.span))
    steeper = octaves(steep, np.maximum(usual, (LINE_SWITCH + LINE_STEP * track.step_leak) * line))
    far = _far(level, window_s, track.channel.ac_corner_hz)
    usual = np.maximum(FARTHER * _usual(far, wearer, window_s), max(6 * sizes.quiet, 0.004 * sizes.span))
    slow = track.lines[0].folded_hz < 1 / window_s
    usual = np.maximum(usual, (2.0 if slow else LINE_LEVEL) * line)
    abrupt = ndimage.maximum_filter1d(steep, 5) >= ABRUPT * far
    jump = np.maximum(steeper, np.where(abrupt, octaves(far, usual), -8.0))
    size = np.where(railed, 4 * BIG * sizes.span, np.maximum(far, steep))
    return np.where(railed, np.maximum(jump, 0.5), jump), np.clip(octaves(size, BIG * sizes.span), -1, 2)


def _far(level: Floats, window_s: float, ac_corner_hz: float | None) -> Floats:
    """How far the level goes from the two windows before each to the two behind it.

    What the AC coupling takes back in between is added, so that its recovery from a jump is no other one.
    """
    far = np.zeros(len(level))
    if len(level) > 6:
        # None of the four is the window in which it happens.
        far[2:-2] = ((level[3:-1] + level[4:]) - (level[:-4] + level[1:-3])) / 2
        if ac_corner_hz:
            between = (level[:-4] + level[4:]) / 4 + (level[1:-3] + level[3:-1]) * 0.75 + level[2:-2]
            far[2:-2] += 2 * np.pi * ac_corner_hz * window_s * between
    return np.abs(far)


def _usual(steps: Floats, wearer: Wearer, window_s: float) -> Floats:
    """The largest step of a second as it usually is while the wearer does the like.

    What comes just before and behind a movement goes with it.
    """
    if not len(steps):  # shorter than a window
        return steps
    per_s, reach = max(1, round(1 / window_s)), 2 * max(1, round(BUSY_REACH_S / window_s)) + 1
    largest = ndimage.maximum_filter1d(steps, per_s)
    usual, at_rest = np.zeros(len(steps)), 0.0
    for does, part in _does(wearer):
        known = does.sum() * window_s >= LEAST_ALIKE_S
        alike = float(np.quantile(largest[does], part) if known else np.quantile(largest, USUAL_STEPS))
        alike = max(alike, at_rest) if known else alike
        at_rest = at_rest or (alike if known else 0.0)
        near = ndimage.binary_dilation(does, np.ones(reach, bool))
        usual = np.where(near, np.maximum(usual, alike), usual)
    return usual


def _does(wearer: Wearer) -> list[tuple[Mask, float]]:
    """Windows in which the wearer does the like, and which part of their steps is usual.

    Without an accelerometer the wearer may move at any time.
    """
    if wearer.acceleration is None:
        return [(np.ones(len(wearer.busy), bool), USUAL_MOVING)]
    return [
        (wearer.still, USUAL_STEPS),
        (~wearer.still & ~wearer.body, USUAL_STEPS),
        (wearer.body & ~wearer.steps, USUAL_MOVING),
        (wearer.steps, USUAL_MOVING),
    ]


def _silence(
    level: Floats, line: Floats, wearer: Wearer, hidden: Mask, flat: Mask, quiet: float, window_s: float
) -> Floats:
    """How the level bends from window to window over the acceleration, against like movement elsewhere.

    Steps bend it, while the exponential of an AC coupling that recovers hardly does.
    """
    n, out = len(level), np.full(len(level), np.nan)
    if wearer.acceleration is None or n < 3:
        return out
    bend = np.abs(np.convolve(level, (1, -2, 1), "same"))
    bend[0], bend[-1] = bend[1], bend[-2]
    spoilt = ndimage.binary_dilation(hidden, iterations=2) | ndimage.binary_dilation(flat)
    # Strokes of four windows bend it in every other one: their median would be next to nothing.
    smooth = ndimage.percentile_filter(
        filled(np.where(spoilt, np.nan, bend)), 70, max(1, round(1.2 / window_s)) | 1
    )
    bend = np.where(spoilt | (line > smooth / 2), np.nan, smooth)
    answer = bend / np.maximum(wearer.acceleration, 1e-3)
    for alike in (wearer.quick, wearer.moving & ~wearer.quick):
        free = alike & ~np.isnan(answer)
        if free.sum() < LEAST_ALIKE_S / window_s:
            continue
        usual = float(np.percentile(answer[free], USUAL_PERCENT))
        if usual > 4 * quiet / np.sqrt(10) / max(float(np.median(wearer.acceleration[free])), 1e-3):
            out[free] = octaves(answer[free], usual)
    return out


def _calm(level: Floats, line: Floats, wearer: Wearer, sizes: _Sizes, hidden: Mask, flat: Mask) -> Floats:
    """How the level wanders from one 0.6 s to the next while nobody walks or strokes, against its usual.

    A body at rest still breathes, shifts its weight and takes up charge; an open electrode shows none of it.
    """
    n, out = len(level), np.full(len(level), np.nan)
    per, reach = max(1, round(0.6 / sizes.window_s)), max(1, round(1.6 / sizes.window_s)) | 1
    if wearer.acceleration is None or n < 6 * per:
        return out
    smooth = ndimage.uniform_filter1d(level, per, mode="nearest")
    bend = np.zeros(n)
    bend[per:-per] = np.abs(smooth[2 * per :] - 2 * smooth[per:-per] + smooth[: -2 * per])
    spoilt = ndimage.binary_dilation(hidden, iterations=2 * per) | ndimage.binary_dilation(flat)
    shown = ndimage.percentile_filter(filled(np.where(spoilt, np.nan, bend)), 70, reach)
    shown = np.where(spoilt | (line > 3 * shown), np.nan, shown)
    noise = 2.5 * sizes.quiet / np.sqrt(per * sizes.window_s * sizes.sample_hz)
    quiet = np.nan_to_num(wearer.acceleration) < REST_M_S2
    for alike in (quiet, ~quiet & ~wearer.busy):
        free = alike & ~wearer.busy & ~np.isnan(shown)
        if free.sum() < LEAST_ALIKE_S / sizes.window_s:
            continue
        usual = float(np.percentile(shown[free], 60))
        if usual > 3 * noise:
            out[free] = octaves(shown[free], usual)
    return out


def _steps(mains: Floats, n: int) -> Floats:
    """Mean of the `n` windows behind each less that of the `n` before it; 0 near the ends."""
    known = filled(ndimage.median_filter(filled(mains), 3, mode="nearest"))
    sums = np.concatenate(([0.0], np.cumsum(known)))
    step = np.zeros(len(known))
    at = np.arange(n, max(len(known) - n, n))
    step[at] = ((sums[at + 1 + n] - sums[at + 1]) - (sums[at] - sums[at - n])) / n
    return step
