"""Text of the datapackage."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.bundle.recoded import Made, Recoded


def datapackage(recoded: Recoded, made: Sequence[Made], folder: Path, sha512: Mapping[str, str]) -> str:
    """Text of the datapackage."""
    raise NotImplementedError
