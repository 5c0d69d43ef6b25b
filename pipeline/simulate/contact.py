"""The electrode on the skin, beside it, and back on it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.simulate.body import Array, kept_charge


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


def electrode_v(
    contact: Contact,
    skin_v: Array,
    line_v: Array,
    line_farad: float,
    time_s: Array,
    rng: np.random.Generator,
) -> Array:
    """Voltage at the sensor's input against sensor ground: the electrode's node keeps its charge.

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
    step_s = float(time_s[1] - time_s[0])
    touching = on_skin(contact, time_s, rng)
    source_v = skin_v + _skin_potential_v(contact, touching, time_s)
    near_farad = np.where(touching, contact.skin_farad, contact.gap_farad)
    near_siemens = np.where(touching, 1 / contact.skin_ohm, 0.0)
    all_farad = near_farad + contact.input_farad + line_farad
    all_siemens = near_siemens + 1 / contact.input_ohm
    induced = near_farad * source_v + line_farad * line_v
    rest = all_farad * source_v * near_siemens / all_siemens - induced
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
