"""Body, sensor ground and surroundings as three capacitors whose charge is conserved."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


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
    strap_farad, ground_farad : float
        Body to sensor ground, and sensor ground to surroundings (common practice, no source).
    first_v : float
        Potential of the body as the model starts, without what is induced.
    """

    torso_farad: float = 120e-12
    sole_farad: float = 80e-12
    raised_sole_farad: float = 25e-12
    soles_ohm: float = 5e9
    step_coulomb: float = 4e-10
    strap_farad: float = 30e-12
    ground_farad: float = 1e-12
    first_v: float = 0.0

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
    charge = np.empty(len(keep))
    now = first
    # A recursion whose factor changes with every step has no vectorised form that stays stable.
    for i, (kept, target, brought) in enumerate(
        zip(keep.tolist(), rest.tolist(), added.tolist(), strict=True)
    ):
        charge[i] = now
        now = target + (now - target) * kept + brought
    return charge


def body_v(
    body: Body, capacitance: Array, induced: Array, coupling: Array, added: Array, step_s: float
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
    """
    total = capacitance + coupling
    keep = np.exp(-step_s / (body.soles_ohm * total))
    first = body.first_v * float(total[0])
    return (kept_charge(first, keep, -induced, added) + induced) / total
