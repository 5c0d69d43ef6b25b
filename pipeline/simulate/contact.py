"""The electrode on the skin, beside it, and back on it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.simulate.body import Array, kept_charge

LapseKind = Literal["open", "intermittent", "partial", "drying", "shift"]


@dataclass(frozen=True)
class Lapse:
    """Contact that is not what it should be within [start_s, stop_s).

    Attributes
    ----------
    kind : LapseKind
        open: nothing touches. intermittent: contact comes and goes at random. partial: `ohm` and `farad`
        stand for skin and electrode. drying: the skin's resistance rises evenly on a logarithmic scale up
        to `ohm` while its capacitance falls to `farad`; then the strap is moved and is as before. shift:
        the electrode moves on the skin, its potential by `potential_v`; contact stays.
    ohm, farad : float
        Of a partial contact and of a dry one at its worst. Dry carbon electrodes reach 1.6 Mohm and
        0.05 uF (Burke and Assambo); an edge or a hair between is far worse (common practice, no source).
    open_share, dwell_s : float
        Intermittent: part of the stretch without contact, and the mean length of one opening.
    potential_v : float
        What a shift adds; wet electrodes may stand 0.1 V off (AAMI EC12, from memory).
    """

    start_s: float
    stop_s: float
    kind: LapseKind = "open"
    ohm: float = 1e11
    farad: float = 0.5e-12
    open_share: float = 0.6
    dwell_s: float = 0.4
    potential_v: float = 0.0


@dataclass(frozen=True)
class Contact:
    """Electrode, skin and the input of the sensor.

    Attributes
    ----------
    skin_ohm, skin_farad : float
        Dry electrode on skin: 40 kohm to 1.6 Mohm, 0.05 uF and more (Burke and Assambo); 10 nF here for a
        small electrode (common practice, no source).
    input_ohm, input_farad : float
        Input of the sensor; 500 Mohm and more serves nearly every wearer (Burke and Assambo).
    gap_farad : float
        Electrode to skin when it hangs off (common practice, no source).
    skin_potential_v : float
        Electrode against skin; its limit for wet electrodes is 0.1 V (AAMI EC12, from memory), dry ones
        have more.
    fresh_potential_v, fresh_s : float
        What is added right after a contact, and the time constant by which it goes (common practice).
    off : tuple of (float, float)
        Stretches [start_s, stop_s) without contact.
    chatter_s : float
        How long contact comes and goes at either end of such a stretch.
    lapses : tuple of Lapse
        Other stretches with a contact that is not what it should be.
    """

    skin_ohm: float = 3e5
    skin_farad: float = 10e-9
    input_ohm: float = 1e9
    input_farad: float = 5e-12
    gap_farad: float = 0.1e-12
    skin_potential_v: float = 0.18
    fresh_potential_v: float = 0.4
    fresh_s: float = 1.5
    off: tuple[tuple[float, float], ...] = ()
    chatter_s: float = 0.6
    lapses: tuple[Lapse, ...] = ()


def on_skin(contact: Contact, time_s: Array, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Whether the electrode touches at each of `time_s`; it chatters inside both ends of a stretch."""
    touching = np.ones(len(time_s), dtype=bool)
    for start_s, stop_s in contact.off:
        touching &= (time_s < start_s) | (time_s >= stop_s)
        for edge_s in (start_s, stop_s - contact.chatter_s):
            if edge_s <= time_s[0] or edge_s >= time_s[-1]:
                continue
            for at_s in edge_s + np.sort(rng.uniform(0, contact.chatter_s, 4)):
                touching |= (time_s >= at_s) & (time_s < at_s + 0.03)
    return touching


@dataclass(frozen=True)
class Touch:
    """How the electrode sits, moment by moment: arrays of shape (n,), in farad, siemens and volt."""

    farad: Array
    siemens: Array
    potential_v: Array


def touch(contact: Contact, time_s: Array, rng: np.random.Generator) -> Touch:
    """How the electrode sits at each of `time_s`."""
    touching = on_skin(contact, time_s, rng)
    potential = _skin_potential_v(contact, touching, time_s)
    sits = Touch(
        np.where(touching, contact.skin_farad, contact.gap_farad),
        np.where(touching, 1 / contact.skin_ohm, 0.0),
        potential,
    )
    for lapse in contact.lapses:
        within = slice(*np.searchsorted(time_s, [lapse.start_s, lapse.stop_s]))
        if within.stop > within.start or lapse.kind == "shift":
            _lapse(contact, lapse, time_s, within, sits, rng)
    return sits


def _lapse(
    contact: Contact, lapse: Lapse, time_s: Array, within: slice, sits: Touch, rng: np.random.Generator
) -> None:
    """Change `sits` by one lapse."""
    if lapse.kind == "shift":
        sits.potential_v[within.start :] += lapse.potential_v
        return
    if lapse.kind == "drying":
        share = (time_s[within] - lapse.start_s) / (lapse.stop_s - lapse.start_s)
        sits.siemens[within] = (1 / contact.skin_ohm) * (contact.skin_ohm / lapse.ohm) ** share
        sits.farad[within] = contact.skin_farad * (lapse.farad / contact.skin_farad) ** share
    elif lapse.kind == "partial":
        sits.siemens[within], sits.farad[within] = 1 / lapse.ohm, lapse.farad
    else:
        apart = np.ones(within.stop - within.start, dtype=bool)
        if lapse.kind == "intermittent":
            apart = _comes_and_goes(lapse, time_s[within], rng)
        sits.siemens[within] = np.where(apart, 0.0, sits.siemens[within])
        sits.farad[within] = np.where(apart, contact.gap_farad, sits.farad[within])
    since_s = time_s[within.stop :] - lapse.stop_s
    sits.potential_v[within.stop :] += contact.fresh_potential_v * np.exp(-since_s / contact.fresh_s)


def _comes_and_goes(lapse: Lapse, time_s: Array, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Whether contact is open: openings and closings of exponential length, open first."""
    mean_s = np.array([lapse.dwell_s, lapse.dwell_s * (1 - lapse.open_share) / lapse.open_share])
    n = 2 * int((lapse.stop_s - lapse.start_s) / mean_s.sum() * 2 + 8)
    ends_s = lapse.start_s + np.cumsum(np.resize(mean_s, n) * rng.exponential(size=n))
    return np.asarray(np.searchsorted(ends_s, time_s, side="right") % 2 == 0, dtype=np.bool_)


def passed(contact: Contact, sits: Touch, movement_hz: float) -> Array:
    """The part of the skin's movement at `movement_hz` that reaches the input, as if nothing changed then."""
    turn = 2j * np.pi * movement_hz
    near = sits.siemens + turn * sits.farad
    whole = near + 1 / contact.input_ohm + turn * contact.input_farad
    return np.asarray(np.abs(near / whole), dtype=np.float64)


def electrode_v(
    contact: Contact,
    skin_v: Array,
    line_v: Array,
    line_farad: float,
    time_s: Array,
    rng: np.random.Generator,
) -> Array:
    """Voltage at the sensor's input against sensor ground.

    Parameters
    ----------
    contact : Contact
        Skin, input, and when the electrode is off.
    skin_v : shape (n,)
        Skin against sensor ground.
    line_v : shape (n,)
        The mains, which reaches the electrode itself through `line_farad`.
    line_farad : float
        Mains to electrode.
    time_s : shape (n,)
        Equally spaced.
    rng : Generator
        For the chatter.
    """
    sits = touch(contact, time_s, rng)
    return node_v(contact, sits, skin_v + sits.potential_v, line_v, line_farad, time_s)


def node_v(
    contact: Contact, sits: Touch, source_v: Array, line_v: Array, line_farad: float, time_s: Array
) -> Array:
    """Voltage at the input where `source_v` stands behind the skin: the electrode's node keeps its charge."""
    step_s = float(time_s[1] - time_s[0])
    all_farad = sits.farad + contact.input_farad + line_farad
    all_siemens = sits.siemens + 1 / contact.input_ohm
    induced = sits.farad * source_v + line_farad * line_v
    rest = all_farad * source_v * sits.siemens / all_siemens - induced
    keep = np.exp(-step_s * all_siemens / all_farad)
    charge = kept_charge(float(rest[0]), keep, rest, np.zeros(len(keep)))
    return np.asarray((charge + induced) / all_farad, dtype=np.float64)


def _skin_potential_v(contact: Contact, touching: npt.NDArray[np.bool_], time_s: Array) -> Array:
    """Electrode against skin: steady, and more for a while after each contact but the first."""
    potential = np.full(len(time_s), contact.skin_potential_v)
    for _, stop_s in contact.off:
        since_s = np.maximum(time_s - (stop_s - contact.chatter_s), 0.0)
        after = time_s >= stop_s - contact.chatter_s
        potential += after * contact.fresh_potential_v * np.exp(-since_s / contact.fresh_s)
    return potential
