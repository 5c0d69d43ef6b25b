"""The kinds of fault that a drill plants: what each is, how strong, how long, and what should tell of it."""

from dataclasses import dataclass
from typing import Literal

Level = Literal["counts", "bytes", "copy"]

LEAST_MOVING_S = 3.0
"""So much movement within a loss of contact shows it, as in the simulated recordings of the tests."""


@dataclass(frozen=True)
class Kind:
    """One kind of fault.

    Attributes
    ----------
    name, words : str
        In files, and on the page.
    conditions : tuple of str
        Each of these bits is right where the fault lies, the first being the usual one. Empty where no bit
        tells of it, but a count or a finding (``told_by``).
    strength_is, strength_unit : str
        What the strength counts; empty of kinds that are there or not.
    strengths : (float, float)
        From invisible to plain; log-spaced.
    matters : float
        Strength from which the fault spoils what is measured.
    durations_s : (float, float)
        From invisible to plain; log-spaced.
    matters_s : float
        Length from which it spoils what is measured.
    level : str
        Whether counts in frames are changed, bytes and frames, or the copy as a whole (once in each).
    told_by : str
        What tells of a fault without a bit.
    """

    name: str
    words: str
    conditions: tuple[str, ...]
    strength_is: str = ""
    strength_unit: str = ""
    strengths: tuple[float, float] = (1.0, 1.0)
    matters: float = 1.0
    durations_s: tuple[float, float] = (1.0, 1.0)
    matters_s: float = 0.0
    level: Level = "counts"
    told_by: str = ""

    @property
    def shows_in_movement(self) -> bool:
        """Whether only movement shows it: of a wearer at rest, the field is as still without contact."""
        return self.conditions[:1] in (("contact_loss",), ("low_coupling",))

    @property
    def has_strength(self) -> bool:
        """Whether there is more and less of it."""
        return bool(self.strength_is)

    def counts_in(self, strength: float, lasts_s: float, moving_s: float | None = None) -> bool:
        """Whether a fault of that strength and length has to be found.

        `moving_s` is for how long of it the wearer moves, None where nothing tells.
        """
        is_shown = not self.shows_in_movement or moving_s is None or moving_s >= LEAST_MOVING_S
        is_strong = not self.has_strength or strength >= self.matters
        return is_strong and is_shown and lasts_s >= self.matters_s


# What matters is common practice without a source: as strong and as long as in the simulated recordings of
# the tests, but for contact and coupling, of which a drill knows less than a simulation: three seconds
# without contact are the least that is looked for (see the policy).
KINDS: tuple[Kind, ...] = (
    Kind(
        "hard_rails",
        "at the converter's ends",
        ("saturated",),
        "peak of the swing over half the converter's range",
        "times",
        (1.01, 8.0),
        1.1,
        (0.1, 10.0),
        0.1,
    ),
    Kind(
        "soft_rails",
        "at the amplifier's rails",
        ("saturated",),
        "peak of the swing over the amplifier's rail",
        "times",
        (1.01, 8.0),
        1.2,
        (0.1, 10.0),
        0.1,
    ),
    Kind("stuck", "one value stuck", ("stuck",), durations_s=(0.1, 15.0), matters_s=1.0),
    Kind(
        "held",
        "samples repeated",
        ("stuck", "lost"),
        "samples that show one value",
        "samples",
        (2.0, 64.0),
        8.0,
        (0.5, 15.0),
        1.0,
    ),
    # zero is an end code of many converters
    Kind(
        "zero_filled",
        "gap filled with zeros",
        ("stuck", "lost", "saturated"),
        durations_s=(0.05, 10.0),
        matters_s=0.1,
    ),
    Kind(
        "mains",
        "mains added",
        ("mains",),
        "peak at the electrode over the policy's limit",
        "times",
        (0.2, 5.0),
        1.25,
        (0.3, 20.0),
        2.0,
    ),
    Kind(
        "contact_open",
        "electrode off",
        ("contact_loss",),
        "signal before over signal left",
        "times",
        (3.0, 100.0),
        10.0,
        (0.5, 30.0),
        4.0,
    ),
    Kind(
        "contact_intermittent",
        "contact on and off",
        ("contact_loss",),
        "share of the time without contact",
        "of the time",
        (0.1, 0.95),
        0.5,
        (2.0, 25.0),
        6.0,
    ),
    Kind(
        "contact_partial",
        "electrode half off",
        ("contact_loss",),
        "signal before over signal left",
        "times",
        (1.5, 30.0),
        8.0,
        (2.0, 30.0),
        6.0,
    ),
    Kind(
        "contact_drying",
        "contact dries out",
        ("contact_loss",),
        "signal before over signal left at the end",
        "times",
        (3.0, 100.0),
        20.0,
        (8.0, 40.0),
        15.0,
    ),
    Kind(
        "low_coupling",
        "wearer tied to ground",
        ("low_coupling",),
        "signal before over signal left",
        "times",
        (2.0, 100.0),
        20.0,
        (5.0, 40.0),
        15.0,
    ),
    Kind("lost", "frames lost", ("lost",), durations_s=(0.01, 8.0), level="bytes"),
    Kind(
        "damaged",
        "bytes damaged",
        ("lost",),
        "bits turned in each frame",
        "bits",
        (1.0, 64.0),
        1.0,
        (0.01, 3.0),
        level="bytes",
    ),
    Kind(
        "repeated",
        "frames sent twice",
        (),
        durations_s=(0.01, 2.0),
        level="bytes",
        told_by="counted as duplicate, and no sample changes",
    ),
    Kind(
        "noise",
        "noise added",
        (),
        "rms added over the input range",
        "of the range",
        (1e-5, 1e-1),
        0.01,
        level="copy",
        told_by="a warning of the detector noise_floor",
    ),
    Kind("torn", "end torn off", (), level="copy", told_by="the torn frame counts as damaged"),
)

BY_NAME = {kind.name: kind for kind in KINDS}
