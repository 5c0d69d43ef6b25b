"""The key to the codes of a bundle: it stays behind."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Key:
    """Codes of names, and the shift of each participant's dates.

    Attributes
    ----------
    codes : mapping
        Kind (``participant``, ``session``, ``device``, ``site``, ``layout``, ``activity``, ``channel``) ->
        name in the study -> code in the bundle.
    shifts : mapping
        Participant (as the study has it) -> whole days to add to every date of theirs.
    """

    codes: Mapping[str, Mapping[str, str]]
    shifts: Mapping[str, int]
