"""What speaks for something other than lost contact, beyond what trees make of it: lamps, ground, silence.

Trees know what was drawn for them, and of some innocent things that is little. Each of these takes log-odds
from a stretch by a mark that follows from what an open electrode is; of simulated losses few have it.
"""

import numpy as np
import numpy.typing as npt

from pipeline.detectors.marks import Told
from pipeline.detectors.signs import Signs
from pipeline.detectors.windows import Floats

Mask = npt.NDArray[np.bool_]

SOME_SILENT, PLAIN_SILENT = 0.5, 1.0
"""Parts of the silent movement that makes silence plain (:mod:`.marks`)."""

STEADY, STEADY_RAD, STEADY_ODDS = "steady", 0.15, -3.0
"""A line whose phase stays within so much wherever its size changes is a lamp's: an open electrode feeds it
through other capacitances. It takes these log-odds from a stretch in which no movement falls silent."""

STEADY_UNFELT_ODDS = -1.5
"""The same without an accelerometer: nothing can be seen to fall silent, and more losses would be missed."""

UNCHANGED, UNCHANGED_ODDS = "unchanged", -1.5
UNCHANGED_OCTAVES, EVEN_OCTAVES, PLAIN_LINE_OCTAVES, UNCHANGED_JUMP = 0.25, 0.6, 2.0, 0.3
"""What a plain line takes that stays within so much of itself beside, and as even, without a jump at the
ends: whatever falls silent then, one witness is no lost contact, and an open electrode is fed another line.
Of the draws one loss in two hundred has it."""

GROUNDED, GROUNDED_ODDS = "grounded", -1.5
LESS_LINE_OCTAVES, NO_JUMP = -0.4, 0.0
"""What it takes that movement falls silent and the line gets less by so much, while the level jumps at one of
the ends no further than it does all along: soles that dampen tie the wearer to ground bit by bit."""


def innocent_of(signs: Signs, told: Told) -> dict[str, Floats]:
    """Log-odds that each of these takes from each stretch, by name; 0 where it does not apply."""
    steady_odds = STEADY_ODDS if signs.shown.is_felt else STEADY_UNFELT_ODDS
    return {
        STEADY: np.where(_is_steady(told), steady_odds, 0.0),
        UNCHANGED: np.where(_is_unchanged(told), UNCHANGED_ODDS, 0.0),
        GROUNDED: np.where(_is_grounded(told), GROUNDED_ODDS, 0.0),
    }


def _is_steady(told: Told) -> Mask:
    return np.asarray((told["line_phase_most"] < STEADY_RAD) & (told["silent"] < SOME_SILENT))


def _is_unchanged(told: Told) -> Mask:
    """Of one side that is not known the other one speaks, as at an end of the recording."""

    def within(name: str, most: float) -> Mask:
        return np.asarray(~(np.abs(told[name]) >= most))

    stays = within("line_before", UNCHANGED_OCTAVES) & within("line_behind", UNCHANGED_OCTAVES)
    stays &= ~(np.isnan(told["line_before"]) & np.isnan(told["line_behind"]))
    is_plain = (told["line_range"] < EVEN_OCTAVES) & (told["line_plain"] > PLAIN_LINE_OCTAVES)
    return np.asarray(stays & is_plain & ~(told["far_both"] >= UNCHANGED_JUMP))


def _is_grounded(told: Told) -> Mask:
    less = (told["silent"] > PLAIN_SILENT) & (told["line_change"] < LESS_LINE_OCTAVES)
    return np.asarray(less & (told["far_both"] < NO_JUMP))
