"""The conditions a sample can be in: one bit each in the column ``quality``."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Condition:
    """A bit of ``quality``. A fault makes the sample unusable; a condition that is none is a note."""

    bit: int
    name: str
    description: str
    fault: bool = True

    @property
    def mask(self) -> int:
        """Value of the bit in the column."""
        return 1 << self.bit


CONDITIONS = (
    Condition(0, "lost", "never arrived, or its frame failed its check"),
    Condition(1, "saturated", "stood at a rail of the ADC or of the amplifier before it"),
    Condition(2, "settling", "lay in the recovery of the AC coupling after an overload or a re-contact"),
    Condition(3, "mains", "lay where mains exceeds its limit"),
    Condition(4, "contact_loss", "lay where the electrode had left the body"),
    Condition(5, "stuck", "repeats a value longer than the signal can"),
    Condition(
        6, "low_coupling", "lay where the wearer was tied to ground and the field hardly moved", fault=False
    ),
    Condition(
        7,
        "uncorroborated",
        "showed field change that the co-worn accelerometer does not bear out",
        fault=False,
    ),
)

BY_NAME = {condition.name: condition for condition in CONDITIONS}
FAULT_MASK = sum(condition.mask for condition in CONDITIONS if condition.fault)
