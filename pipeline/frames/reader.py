"""A dump on its way through a reader."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO


@dataclass
class OpenDump:
    """A dump while it is read: name in the study, path, index, beginning, and the open file.

    A reader may leave here what the file says beside its samples: ``header_start`` (see `Dump`), and
    sentences for a person in ``notes``.
    """

    name: str
    path: Path
    index: int
    head: bytes = b""
    header_start: str = ""
    notes: list[str] = field(default_factory=list)
    source: BinaryIO = field(repr=False, default=None)  # type: ignore[assignment]
