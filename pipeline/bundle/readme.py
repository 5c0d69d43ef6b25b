"""Text of the readme."""

from collections.abc import Sequence

from pipeline.bundle.recoded import Made, Recoded


def readme(recoded: Recoded, made: Sequence[Made]) -> str:
    """Text of the readme."""
    raise NotImplementedError
