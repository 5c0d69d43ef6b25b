"""Recordings by seed in which faults of one kind stand, and what is true of each second of them.

Seeds 0 to 9,999 are for tuning a detector. Seeds from 1,000,000 on are held back: a figure that is reported
comes from them, and nothing is chosen by looking at them.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.simulate.code_faults import Dumped
from pipeline.simulate.movement import Activity
from pipeline.simulate.plants import SCENES
from pipeline.simulate.scenario import Scenario, Truth
from pipeline.simulate.session import simulate
from pipeline.simulate.wearers import Asked, wearing

HELD_BACK_FROM = 1_000_000
"""Seeds from here on are for measuring, never for tuning."""


class Matter(NamedTuple):
    """From which strength and length on an event of a kind has to be found."""

    meaning: str
    strength: float
    lasts_s: float


MATTERS: dict[str, Matter] = {
    "lost": Matter("rows that never arrived", 1, 0.0),
    "stuck": Matter("rows that had another code, 0 where noise holds one as long", 25, 1.0),
    "held": Matter("rows that had other codes before they repeated earlier ones", 25, 1.0),
    "held_rows": Matter("part of the rows that repeat the one before, at random", 0.3, 1.0),
    "zero_filled": Matter("rows that had other codes before they were filled with zero", 5, 0.0),
    "isolated_code": Matter("single samples at an end code: no overload, need not be found", np.inf, 0.0),
    "hard_rails": Matter("how far the converter or a stated amplifier is driven, its end being 1", 1.1, 0.02),
    "soft_rails": Matter("how far an unstated amplifier is driven, its end being 1", 1.2, 0.1),
    "one_sided": Matter("how far an amplifier is driven at its only end in reach", 1.2, 0.1),
    "slew": Matter("steps from sample to sample as far as the amplifier can: need not be found", np.inf, 0.0),
    "mains": Matter("peak of line and harmonics at the electrode over 4 % of the range", 1.25, 2.0),
    "mains_in_steps": Matter(
        "the same, folded to where all else is as large: need not be found", np.inf, 0.0
    ),
    "contact_open": Matter("second plainest of its marks in the codes, 1 being plain", 1.0, 2.0),
    "contact_intermittent": Matter("the same", 1.0, 2.0),
    "contact_partial": Matter("the same", 1.0, 2.0),
    "contact_drying": Matter("the same, where more than half of the movement is lost", 1.0, 10.0),
    "low_coupling": Matter("part of the movement at 2 Hz that the soles lead away", 0.98, 5.0),
    "passing": Matter("peak of the passer's field at the electrode over the range", 0.05, 2.0),
    "shift": Matter("jump of the electrode's potential over the range: need not be found", np.inf, 0.0),
    "fresh_contact": Matter("the same after a new contact", np.inf, 0.0),
    "drain": Matter("the body's charge runs off as the soles grow damp: need not be found", np.inf, 0.0),
    "spark": Matter("the same of a discharge", np.inf, 0.0),
    "noise": Matter("deviation of the noise over the range", 0.02, 0.0),
    "axis_stuck": Matter("1 where an axis of the accelerometer holds one value", 1, 0.0),
    "no_gravity": Matter("1 where gravity is missing", 1, 0.0),
    "gain": Matter("relative error of the accelerometer's gain", 0.1, 0.0),
    "log_shifted": Matter("seconds by which the log is off", 8, 0.0),
    "log_swapped": Matter("steps of intensity between two swapped labels", 2, 10.0),
    "log_at_rest": Matter("1 where walking is logged as rest", 1, 10.0),
    "dead": Matter("1 where nothing reaches the amplifier", 1, 0.0),
}
"""Strengths by the kind of a truth. An event below its strength or length is there, so that a detection of it
is no false alarm, but need not be found. Mains of a strength below 1 is below its limit, and no fault.
A loss of contact is plain (1) where two of three marks show it in the recorded codes: three seconds of
walking fall silent, mains changes by 8 dB, the level jumps at both ends twice as far as in like moments; each
of them alone has an innocent explanation (`pipeline.simulate.witness`)."""

OF_MOVEMENT = ("gravity", "activity_mismatch")
"""What is told of the accelerometer or by it."""

KINDS: tuple[str, ...] = tuple(SCENES)
"""All kinds of draw. 'clean' has nothing that matters, 'mixed' has several kinds."""


@dataclass(frozen=True)
class Drawn:
    """One recording.

    Attributes
    ----------
    scenario : Scenario
        What happened, with the channels that were recorded.
    counts : shape (n, channels)
        Codes; those of rows that did not arrive mean nothing.
    present : shape (n,)
        Rows that arrived.
    truth : tuple of Truth
        In order of time; `Truth.kind` is a key of `MATTERS`.
    mains_hz : float
        Nominal frequency of the grid, as a study states it.
    log : tuple of Activity
        What the activity log says, where it differs from what happened.
    """

    seed: int
    kind: str
    scenario: Scenario
    counts: npt.NDArray[np.int64]
    present: npt.NDArray[np.bool_]
    truth: tuple[Truth, ...]
    mains_hz: float
    log: tuple[Activity, ...]


def matters(truth: Truth) -> bool:
    """Whether an event has to be found."""
    least = MATTERS.get(truth.kind)
    if least is None or np.isnan(truth.strength):
        return True
    return truth.strength >= least.strength and truth.stop_s - truth.start_s >= least.lasts_s


def draw(
    kind: str,
    seed: int,
    *,
    sample_hz: float | None = None,
    mains_hz: float | None = None,
    bits: int | None = None,
    duration_s: float = 240.0,
    accelerometer: bool = True,
) -> Drawn:
    """Make a recording with faults of one kind; wearer, room, device and everything else follow the seed.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    seed : int
        The same seed and arguments give the same recording.
    sample_hz, mains_hz, bits : optional
        In place of what the seed would choose: a rate, 50 or 60 Hz, 10 to 24 bits.
    duration_s : float
        At least 60.
    accelerometer : bool
        Without it the recording has the field alone, and nothing is true of it that only movement tells.

    Raises
    ------
    ValueError
        For another kind or too short a recording.
    """
    if kind not in SCENES:
        raise ValueError(f"no kind '{kind}'; there are {', '.join(KINDS)}")
    if duration_s < 60:
        raise ValueError(f"a draw lasts at least 60 s, not {duration_s:g}")
    rng = np.random.default_rng([seed, *kind.encode()])
    base, nominal_hz = wearing(rng, Asked(sample_hz, mains_hz, bits, duration_s))
    base = replace(base, wears_accelerometer=accelerometer)
    scene = SCENES[kind](base, rng, (10.0, duration_s - 8.0))
    made = simulate(scene.scenario, rng)
    dumped = scene.spoil(Dumped(made.counts, np.ones(len(made.counts), bool), made.truth))
    truth = [_named(truth, scene.rails) for truth in (*dumped.truth, *scene.truth)]
    scenario, counts = scene.scenario, dumped.counts
    if not accelerometer:
        kept = [i for i, channel in enumerate(scenario.channels) if channel.kind == "field"]
        scenario = replace(scenario, channels=tuple(scenario.channels[i] for i in kept))
        counts = counts[:, kept]
        truth = [one for one in truth if one.condition not in OF_MOVEMENT and one.kind != "axis_stuck"]
    truth.sort(key=lambda one: (one.start_s, one.condition))
    log = scene.log or scenario.activities
    return Drawn(seed, kind, scenario, counts, dumped.present, tuple(truth), nominal_hz, log)


def _named(truth: Truth, rails: str) -> Truth:
    return replace(truth, kind=rails) if truth.kind == "overload" else truth
