"""Text of the crate."""

from collections.abc import Sequence
from pathlib import Path

from pipeline.bundle.recoded import Made, Recoded


def crate(
    recoded: Recoded, made: Sequence[Made], folder: Path, authors: Sequence[str] = (), published: str = ""
) -> str:
    """Text of the crate."""
    raise NotImplementedError
