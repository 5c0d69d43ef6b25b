"""How many frames of random content a checksum lets through, beside 2^-w."""

import contextlib
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapes import read_bytes, sync_layout

from pipeline.errors import Unreadable
from pipeline.layouts.catalogue import CATALOGUE

SYNC = b"\xa5\x5a"
FRAMES = {8: 200_000, 16: 4_000_000, 24: 4_000_000, 32: 4_000_000}
CHECKS = (
    "CRC-8/SMBUS",
    "CRC-8/MAXIM-DOW",
    "CRC-16/XMODEM",
    "CRC-16/MODBUS",
    "CRC-24/OPENPGP",
    "CRC-32/ISO-HDLC",
    "CRC-32/ISCSI",
)
_AT_ONCE = 200_000


@dataclass(frozen=True)
class Escapes:
    """Of `tried` frames with random content and good sync bytes, `found` were taken for good ones."""

    name: str
    width: int
    tried: int
    found: int

    @property
    def expected(self) -> float:
        """By chance alone."""
        return self.tried / 2**self.width

    @property
    def spread(self) -> float:
        """Standard deviation of that number."""
        return math.sqrt(self.expected)

    @property
    def is_plausible(self) -> bool:
        """Within five standard deviations, or two frames where hardly any are expected."""
        return abs(self.found - self.expected) <= max(5 * self.spread, 2)


def checks() -> tuple[str, ...]:
    """Those named above, and whatever sums the catalogue has."""
    return (*CHECKS, *(name for name in CATALOGUE if not name.startswith("CRC-")))


def measure(name: str, scale: float, seed: int) -> Escapes:
    """`scale` times the frames named above, in one layout of fixed length."""
    layout = sync_layout(sync=SYNC, check=name, count=3)
    width, n_bytes = CATALOGUE[name].width, sum(part.n_bytes for part in layout.frame.parts) + 12
    rng, tried, found = np.random.default_rng([seed, *name.encode()]), 0, 0
    wanted = round(FRAMES[width] * scale)
    with tempfile.TemporaryDirectory() as folder:
        while tried < wanted:
            n = min(_AT_ONCE, wanted - tried)
            frames = rng.integers(0, 256, (n, n_bytes), dtype=np.uint8)
            frames[:, : len(SYNC)] = np.frombuffer(SYNC, dtype=np.uint8)
            with contextlib.suppress(Unreadable):
                found += len(read_bytes(frames.tobytes(), layout, Path(folder)).table)
            tried += n
    return Escapes(name, width, tried, found)
