"""What speaks for an electrode that is off in a stretch, and what against it: one number for each witness.

A number is 0 where the witness says nothing, and NaN where it is missing. Changes are in octaves (1 is twice
as much), means of logarithms over the stretch against the seconds about it in which nothing is odd. All
stretches are looked at together, by sums over the windows up to each edge.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.signs import SMOOTHED_S, Mask, Signs, smoothed
from pipeline.detectors.stretches import sharp_steps
from pipeline.detectors.windows import Floats

Places = npt.NDArray[np.int64]

CONTEXT_S = 15.0
"""Reach of the seconds about a stretch that it is held against."""

ENOUGH_S = 2.0
"""So much of them must be even; else all that is even in the recording stands in."""

LEAST_S = 0.6
"""Movement, noise and mains of a stretch are known from so many seconds on."""

GAP_S = 0.4
EDGE_S = 0.8
"""What lies so near to an edge belongs to neither side; a step so near to it belongs to it."""

MOST_OCTAVES = 4.0
CLEAR_OCTAVES = 3.0
"""Movement that stands so far above the noise is plain."""


WITNESSES = (
    "mains_more", "mains_less", "mains_at_once", "mains_unsteady", "overtones", "tied",
    "silent", "answers", "rattles", "noise_more", "noise_less", "step_in", "step_out",
    "recovery", "loose", "restless", "lamp", "grounded",
)  # fmt: skip


@dataclass(frozen=True)
class Scene:
    """A field channel with what is the same for all stretches.

    ``odd`` are windows in which anything differs from the usual, ``usual_mains`` the mains with contact (0
    where it is not visible), ``plain_v`` the mains that a wearer tied to ground stays below.
    """

    signs: Signs
    odd: Mask
    usual_mains: float
    plain_v: float

    @cached_property
    def sharp(self) -> Mask:
        """Windows whose level steps far more than is usual about them."""
        return sharp_steps(self.signs)

    @cached_property
    def mains(self) -> Floats:
        """Logarithm of the mains, single windows smoothed away."""
        return _log(smoothed(self.signs.mains, self.signs.n(SMOOTHED_S)), self.signs.noise_peak)

    @cached_property
    def steps(self) -> Floats:
        """Logarithm of the largest step of the level near each window."""
        jump = np.where(
            self.signs.abrupt, np.maximum(self.signs.jump, 0.1 * self.signs.input_range), self.signs.jump
        )
        near = ndimage.maximum_filter1d(np.nan_to_num(jump), 2 * self.signs.n(EDGE_S) + 1, mode="nearest")
        return _log(near, self.signs.noise_floor)


def witnesses_of(scene: Scene, start: Places, stop: Places) -> dict[str, Floats]:
    """All witnesses of the stretches [start, stop) of windows."""
    unknown = np.full(len(start), np.nan)
    out = dict.fromkeys(WITNESSES, unknown)
    if len(start):
        compare = Compare(scene, start, stop)
        out.update(_mains(scene, compare))
        out.update(_movement(scene, compare))
        out.update(_noise(scene, compare))
        out.update(_edges(scene, start, stop))
        out["restless"] = _restless(scene, start, stop)
        # Steps of the wearer are sharp, too: comings and goings make the mains unsteady, or rattle.
        unsteady = np.where(np.isnan(out["mains_unsteady"]), out["rattles"], 2 * out["mains_unsteady"])
        out["restless"] = out["restless"] * (np.nan_to_num(unsteady) >= 1)
        step = np.nan_to_num(np.fmax(out["step_in"], out["step_out"]))
        silent, more = np.nan_to_num(out["silent"]), np.nan_to_num(out["mains_more"])
        change = more + np.nan_to_num(out["mains_less"])
        calm = 1 - np.minimum(out["restless"], 1.0)
        heard = np.maximum(np.nan_to_num(out["answers"]), np.clip(1 - step - silent, 0, 1))
        out["lamp"] = np.minimum(change, 2.0) * heard * calm
        out["grounded"] = np.minimum(silent, 2.0) * np.clip(1 - more, 0, 1) * np.clip(1.5 - step / 2, 0, 1)
        fifth = np.maximum(2, (stop - start) // 5)
        odd = Sums(scene.odd.astype(float), np.ones(len(scene.odd), bool))
        out["loose"] = 1 - np.minimum(odd.mean(start, start + fifth), odd.mean(stop - fifth, stop))
    return out


class Sums:
    """Means of values over any stretch of windows, those left out that do not count or are unknown."""

    def __init__(self, values: Floats, counts: Mask) -> None:
        use = counts & ~np.isnan(values)
        self.total = np.concatenate(([0.0], np.cumsum(np.where(use, values, 0.0))))
        self.number = np.concatenate(([0], np.cumsum(use)))

    def mean(self, start: Places, stop: Places, least: int = 1) -> Floats:
        """NaN where fewer than `least` windows are known."""
        return self.share([(start, stop)], least)

    def share(self, parts: list[tuple[Places, Places]], least: int) -> Floats:
        """Mean over several stretches together."""
        number = sum(self.number[b] - self.number[a] for a, b in parts)
        total = sum(self.total[b] - self.total[a] for a, b in parts)
        return np.where(number >= least, total / np.maximum(number, 1), np.nan)


@dataclass(frozen=True)
class Compare:
    """Stretches and the seconds about them."""

    scene: Scene
    start: Places
    stop: Places

    def inside(self, values: Floats, counts: Mask) -> Floats:
        """Mean within each stretch."""
        signs = self.scene.signs
        least = np.minimum(signs.n(LEAST_S), self.stop - self.start)
        return Sums(values, counts).mean(self.start, self.stop, least)

    def beside(self, values: Floats, counts: Mask) -> Floats:
        """Mean of what is even about each stretch; where there is too little, of what is even anywhere."""
        signs, n = self.scene.signs, len(self.scene.signs)
        gap, reach, least = signs.n(GAP_S), signs.n(CONTEXT_S), signs.n(ENOUGH_S)
        before = np.maximum(self.start - gap - reach, 0), np.maximum(self.start - gap, 0)
        after = np.minimum(self.stop + gap, n), np.minimum(self.stop + gap + reach, n)
        even = Sums(values, counts & ~self.scene.odd)
        near = even.share([before, after], least)
        zero = np.zeros_like(self.start)
        far = even.share([(zero, before[1]), (after[0], zero + n)], least)
        any_ = Sums(values, counts).share([before, after], least)
        return np.where(np.isnan(near), np.where(np.isnan(far), any_, far), near)


def _mains(scene: Scene, compare: Compare) -> dict[str, Floats]:
    signs = scene.signs
    if scene.usual_mains <= 0:
        return {}
    known = ~np.isnan(signs.mains)
    here = compare.inside(scene.mains, known)
    change = np.clip(here - compare.beside(scene.mains, known), -MOST_OCTAVES, MOST_OCTAVES)
    raw = _log(signs.mains, signs.noise_peak)
    uneven = np.abs(np.diff(raw, prepend=raw[:1]))
    spread = np.clip(compare.inside(uneven, known) - compare.beside(uneven, known), -1, 2)
    gap = signs.n(GAP_S)
    step = np.zeros(len(raw))
    step[gap : len(raw) - gap] = np.abs(scene.mains[2 * gap :] - scene.mains[: len(raw) - 2 * gap])
    step = ndimage.maximum_filter1d(np.nan_to_num(step), 2 * gap + 1)
    last = len(raw) - 1
    sharpest = np.maximum(step[np.minimum(compare.start, last)], step[np.minimum(compare.stop, last)])
    clear = signs.overtones > 2 * signs.noise_peak
    overtones = _log(signs.overtones, signs.noise_peak) - raw
    share = compare.inside(overtones, known & clear) - compare.beside(overtones, known & clear)
    plain = float(np.log2(max(scene.plain_v, 1e-12)))
    return {
        "mains_more": np.maximum(change, 0.0),
        "mains_less": np.maximum(-change, 0.0),
        "mains_at_once": np.minimum(sharpest, np.abs(change)),
        "mains_unsteady": spread,
        "overtones": np.clip(share, -3, 3),
        "tied": np.clip(plain - here, -2, 3),
    }


def _movement(scene: Scene, compare: Compare) -> dict[str, Floats]:
    signs = scene.signs
    if signs.moving is None or signs.acceleration is None:
        return {}
    movement = _log(signs.movement, 0.5 * signs.noise_floor)
    acceleration = _log(signs.acceleration, 1e-3)
    usable = signs.moving & ~signs.abrupt & ~np.isnan(signs.movement)
    # Strokes move the field less than steps do: like is held against like.
    quick = signs.quick if signs.quick is not None else usable
    loss = np.full(len(compare.start), np.nan)
    for alike in (usable & quick, usable & ~quick):
        less = compare.beside(movement, alike) - compare.inside(movement, alike)
        more = compare.inside(acceleration, alike) - compare.beside(acceleration, alike)
        loss = np.fmin(loss, less + np.clip(more, -1, 1))
    # With nothing like it beside, movement far above the noise is an answer all the same.
    above = compare.inside(movement, usable) - _log(np.array([signs.noise_floor]), 0.0)
    loss = np.where(np.isnan(loss) & (above > CLEAR_OCTAVES), 0.0, loss)
    loss = np.clip(loss, -MOST_OCTAVES, MOST_OCTAVES + 1)
    return {
        "silent": np.maximum(loss - 1, 0.0),
        "answers": np.clip(1 - loss, 0.0, 1.0),
        "rattles": np.clip(-loss - 0.5, 0.0, 3.0),
    }


def _noise(scene: Scene, compare: Compare) -> dict[str, Floats]:
    signs = scene.signs
    noise = _log(signs.noise, 1e-12)
    alike = [~signs.abrupt]
    if signs.moving is not None:
        alike = [~signs.abrupt & signs.moving, ~signs.abrupt & ~signs.moving]
    change = np.full(len(compare.start), np.nan)
    for usable in alike:
        one = compare.inside(noise, usable) - compare.beside(noise, usable)
        change = np.where(np.isnan(change), one, change)
    change = np.clip(change, -MOST_OCTAVES, MOST_OCTAVES)
    return {"noise_more": np.maximum(change, 0.0), "noise_less": np.maximum(-change, 0.0)}


def _edges(scene: Scene, start: Places, stop: Places) -> dict[str, Floats]:
    signs, n = scene.signs, len(scene.signs)
    usual = Compare(scene, start, stop).beside(scene.steps, np.ones(n, bool))
    found = {}
    for name, edge in (("step_in", start), ("step_out", stop)):
        size = np.clip(scene.steps[np.minimum(edge, n - 1)] - usual, 0, MOST_OCTAVES)
        found[name] = np.where((edge <= 0) | (edge >= n), np.nan, size)
    if signs.tau_s is not None:
        found["recovery"] = _recovery(signs, stop, signs.tau_s)
    return found


def _restless(scene: Scene, start: Places, stop: Places) -> Floats:
    """Sharp steps within a stretch, away from its edges, more of them than beside it: 0 to 2."""
    begins = scene.sharp & ~np.concatenate(([False], scene.sharp[:-1]))
    edge = scene.signs.n(EDGE_S)
    a, b = np.minimum(start + edge, stop), np.maximum(stop - edge, start)
    total = np.concatenate(([0], np.cumsum(begins)))
    number = np.where(b > a, total[np.maximum(b, a)] - total[a], 0)
    rate = number / np.maximum((b - a) * scene.signs.window_s, 1.0)
    usual = Compare(scene, start, stop).beside(begins / scene.signs.window_s, np.ones(len(begins), bool))
    return np.clip(3 * (rate - 2 * np.nan_to_num(usual)), 0.0, 2.0)


def _recovery(signs: Signs, stop: Places, tau_s: float) -> Floats:
    """How well the level behind each stretch falls off as the AC coupling recovers: 0 to 1."""
    n, length = len(signs), signs.n(float(np.clip(3 * tau_s, 1.0, 6.0)))
    at = stop[:, np.newaxis] + np.arange(length)
    level = signs.level[np.minimum(at, n - 1)]
    use = (at < n) & ~np.isnan(level)
    model = np.broadcast_to(np.exp(-np.arange(length) * signs.window_s / tau_s), level.shape)
    number = np.maximum(use.sum(axis=1), 1)
    a, b = (
        np.where(use, v - (np.where(use, v, 0).sum(axis=1) / number)[:, np.newaxis], 0)
        for v in (level, model)
    )
    total = (a * a).sum(axis=1) * (b * b).sum(axis=1)
    share = (a * b).sum(axis=1) ** 2 / np.where(total > 0, total, 1.0)
    return np.where(use.sum(axis=1) >= 6, share, np.nan)


def _log(values: Floats, floor: float) -> Floats:
    return np.asarray(np.log2(np.maximum(values, max(floor, 1e-12))))
