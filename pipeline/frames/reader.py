"""A dump on its way through a reader."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO


@dataclass
class OpenDump:
    """A dump while it is read: name in the study, path, index, beginning, and the open file."""

    name: str
    path: Path
    index: int
    head: bytes = b""
    source: BinaryIO = field(repr=False, default=None)  # type: ignore[assignment]
