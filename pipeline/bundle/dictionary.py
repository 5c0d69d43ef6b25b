"""Text of the dictionary."""

from collections.abc import Sequence
from pathlib import Path

from pipeline.bundle.recoded import Made, Recoded


def dictionary(recoded: Recoded, made: Sequence[Made], folder: Path) -> str:
    """Text of the dictionary."""
    raise NotImplementedError
