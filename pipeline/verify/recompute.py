"""``sessiongate verify BUNDLE --recompute STUDY --key KEY``: the dumps at hand decoded and judged again."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Recomputed:
    """What doing the line again gave.

    Attributes
    ----------
    n_sessions, n_done : int
        Sessions of the bundle, and those whose dumps were all at hand.
    differences : tuple of str
        What differs, in which session and column, and how far; empty where everything agrees.
    notes : tuple of str
        What could not be done again, and why.
    """

    n_sessions: int
    n_done: int
    differences: tuple[str, ...]
    notes: tuple[str, ...]


def recompute(bundle: Path, study: Path, key: Path) -> Recomputed:
    """Run the line again on the dumps at hand and compare with the bundle."""
    raise NotImplementedError
