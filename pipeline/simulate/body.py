"""Body, sensor ground and surroundings as three capacitors whose charge is conserved."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg.blas import dtbsv

from pipeline.simulate.shapes import window

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Tied:
    """A stretch [start_s, stop_s) on another floor or in other shoes, `soles_ohm` to ground.

    Soles grow damp and dry again within `edge_s` inside both ends (common practice, no source).
    """

    start_s: float
    stop_s: float
    soles_ohm: float
    edge_s: float = 8.0


@dataclass(frozen=True)
class Spark:
    """A discharge at `at_s` that brings `coulomb` onto the body within a step of the model.

    A spark to a tap or a handle takes what the body holds: up to some uC by JS-001's 100 pF at 8 kV (from
    memory); what matters here is far less.
    """

    at_s: float
    coulomb: float


@dataclass(frozen=True)
class Body:
    """A standing wearer with a sensor on the wrist.

    Attributes
    ----------
    torso_farad : float
        Body to surroundings without the soles. With both soles down the sum lies in the 200-400 pF that
        Jonassen (EOS/ESD Symposium 1998) measured by charge sharing; JS-001 models 100 pF.
    sole_farad, raised_sole_farad : float
        One foot on the ground and lifted (common practice, no source).
    soles_ohm : float
        Leakage through footwear and floor. ANSI/ESD S20.20 wants less than 1e9; dry ordinary soles reach
        1e12, damp ones 1e6 (common practice, no source).
    step_coulomb : float
        Charge parted at each lift of a foot; far below the bound of 4e-7 C that the breakdown of air sets
        for a 150 cm2 sole (Jonassen).
    drift_coulomb : float
        Charge from clothing and air, deviation after a second of a random walk (common practice, no source).
    strap_farad, ground_farad : float
        Body to sensor ground, and sensor ground to surroundings (common practice, no source).
    first_v : float
        Potential of the body as the model starts, without what is induced.
    posture_farad : float
        By how much sitting, standing and leaning differ, standard deviation (common practice, no source).
    tied : tuple of Tied
        Stretches with another leakage.
    sparks : tuple of Spark
        Discharges.
    """

    torso_farad: float = 120e-12
    sole_farad: float = 80e-12
    raised_sole_farad: float = 25e-12
    soles_ohm: float = 5e9
    step_coulomb: float = 4e-10
    drift_coulomb: float = 1e-11
    strap_farad: float = 30e-12
    ground_farad: float = 1e-12
    first_v: float = 0.0
    posture_farad: float = 0.0
    tied: tuple[Tied, ...] = ()
    sparks: tuple[Spark, ...] = ()

    @property
    def seen(self) -> float:
        """The part of the body's potential that lies between body and sensor ground (a ratio)."""
        return self.ground_farad / (self.ground_farad + self.strap_farad)

    @property
    def through_sensor_farad(self) -> float:
        """The way from body to surroundings through strap and sensor ground: two capacitors in series."""
        return self.strap_farad * self.seen

    @property
    def standing_farad(self) -> float:
        """Body to surroundings with both feet down."""
        return self.torso_farad + 2 * self.sole_farad + self.through_sensor_farad


def coupled_v(source_v: float, coupling_farad: float, body_farad: float) -> float:
    """Potential of a floating body beside a source: the divider of two capacitors.

    Worked value: 230 V through 3 pF on 300 pF gives 2.28 V (Haberman, Cassino and Spinelli 2011 for the
    orders of magnitude).
    """
    return source_v * coupling_farad / (coupling_farad + body_farad)


def kept_charge(first: float, keep: Array, rest: Array, added: Array) -> Array:
    """Charge of a node that leaks: exact over each step while the leak's target stands still.

    ``q[i+1] = rest[i] + (q[i] - rest[i]) * keep[i] + added[i]``

    The recursion is a lower bidiagonal system, solved by forward substitution: stable for every ``keep`` in
    [0, 1], since no product of them is ever divided by.

    Parameters
    ----------
    first : float
        Charge at step 0, in coulomb.
    keep : shape (n,)
        exp(-step / time constant) of each step.
    rest : shape (n,)
        Charge at which nothing would leak, in coulomb.
    added : shape (n,)
        Charge brought in during each step, in coulomb.

    Returns
    -------
    shape (n,)
        Charge at the beginning of each step.
    """
    band = np.ones((2, len(keep)), order="F")
    np.negative(keep, out=band[1])
    brought = np.empty(len(keep))
    brought[0] = first
    brought[1:] = (rest * (1 - keep) + added)[:-1]
    return np.asarray(dtbsv(1, band, brought, lower=1, diag=1, overwrite_x=1), dtype=np.float64)


def leakage_ohm(body: Body, time_s: Array) -> Array:
    """Resistance from the body to ground at each of `time_s`; it changes evenly on a logarithmic scale."""
    decades = np.full(len(time_s), np.log10(body.soles_ohm))
    for tied in body.tied:
        near = slice(*np.searchsorted(time_s, [tied.start_s, tied.stop_s]))
        share = window(time_s[near], tied.start_s, tied.stop_s, tied.edge_s)
        decades[near] += (np.log10(tied.soles_ohm) - decades[near]) * share
    return np.asarray(10.0**decades, dtype=np.float64)


def left_of_movement(resistance_ohm: Array, capacitance_farad: float, movement_hz: float) -> Array:
    """The part of movement at `movement_hz` that a leak leaves: a high-pass of first order (a ratio)."""
    turns = 2 * np.pi * movement_hz * resistance_ohm * capacitance_farad
    return np.asarray(turns / np.hypot(1.0, turns), dtype=np.float64)


def spark_charge(body: Body, time_s: Array) -> Array:
    """Charge that discharges bring in during each step (shape (n,))."""
    charge = np.zeros(len(time_s))
    for spark in body.sparks:
        place = int(np.searchsorted(time_s, spark.at_s))
        if 0 < place < len(time_s):
            charge[place] += spark.coulomb
    return charge


def body_v(
    body: Body,
    capacitance: Array,
    induced: Array,
    coupling: Array,
    added: Array,
    step_s: float,
    soles_ohm: Array | None = None,
) -> Array:
    """Potential of the body against the surroundings: ``V = (Q + induced) / C``.

    Parameters
    ----------
    body : Body
        Gives the leakage and the first potential.
    capacitance : shape (n,)
        Body to surroundings without the couplings, in farad.
    induced : shape (n,)
        Sum of coupling capacitance times source potential over all sources, in coulomb.
    coupling : shape (n,)
        Sum of the coupling capacitances, in farad.
    added : shape (n,)
        Charge brought in by steps and rubbing, in coulomb.
    step_s : float
        Time step.
    soles_ohm : shape (n,), optional
        Leakage where it changes, in place of the body's.
    """
    total = capacitance + coupling
    keep = np.exp(-step_s / ((body.soles_ohm if soles_ohm is None else soles_ohm) * total))
    first = body.first_v * float(total[0])
    return (kept_charge(first, keep, -induced, added) + induced) / total
