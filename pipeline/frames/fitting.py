"""Which checks of the catalogue fit frames whose check is not known."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes, check_spans
from pipeline.frames.leftover import Ints
from pipeline.layouts import Checksum
from pipeline.layouts.catalogue import CATALOGUE

MOST = 0.5
"""A check fits when it fits this share of the candidates: some are patterns within samples."""

_FEWEST = 2


@dataclass(frozen=True)
class FittingCheck:
    """A check that fits most of the frames, with what else its part has to say."""

    checksum: Checksum
    covers: Literal["frame", "after_sync"]
    byte_order: Literal["little", "big"]
    n_bytes: int

    def keys(self, covers: bool) -> dict[str, str]:
        """Its keys in a layout beside the name; what it covers matters where there are sync bytes."""
        keys = {"covers": self.covers} if covers else {}
        return {**keys, **({"byte_order": self.byte_order} if self.n_bytes > 1 else {})}


def fitting_checks(
    frames: Sequence[bytes], n_sync: int, n_bytes: int, first: Checksum | None = None
) -> list[FittingCheck]:
    """All checks that fit most of the frames; none where the frames do not differ.

    One value of a check can fit several kinds of it: a kind counts as known only by two frames of different
    content (CRC-8/MAXIM-DOW and CRC-8/I-432-1 share the check value a1; catalogue of parametrised CRC
    algorithms).

    Parameters
    ----------
    frames : sequence of bytes
        Whole frames with their check at the end, as they are before any stuffing.
    n_sync : int
        Sync bytes that each begins with.
    n_bytes : int
        Bytes of the check.
    first : Checksum
        One that is tried beside those of the catalogue, and stands before them.
    """
    frames = [frame for frame in frames if len(frame) > n_sync + n_bytes]
    if len(set(frames)) < _FEWEST:
        return []
    block = np.frombuffer(b"".join(frames), dtype=np.uint8)
    stops = np.cumsum([len(frame) for frame in frames])
    begins = stops - np.array([len(frame) for frame in frames])
    found = list[FittingCheck]()
    for checksum in _candidates(first, n_bytes):
        for covers, skipped in (("after_sync", n_sync), ("frame", 0))[: 2 if n_sync else 1]:
            computed = check_spans(block, begins + skipped, stops - n_bytes, checksum)
            for order in ("little", "big")[: 2 if n_bytes > 1 else 1]:
                n = int((computed == _stored(block, stops, n_bytes, order)).sum())
                if n >= max(_FEWEST, MOST * len(frames)):
                    found.append(FittingCheck(checksum, covers, order, n_bytes))  # type: ignore[arg-type]
    return found


def _candidates(first: Checksum | None, n_bytes: int) -> Iterable[Checksum]:
    if first is not None and (first.width + 7) // 8 == n_bytes:
        yield first
    for checksum in CATALOGUE.values():
        if (checksum.width + 7) // 8 == n_bytes and (first is None or not _is_same(checksum, first)):
            yield checksum


def _is_same(one: Checksum, other: Checksum) -> bool:
    return replace(one, name="") == replace(other, name="")


def _stored(block: Bytes, stops: Ints, n_bytes: int, order: str) -> npt.NDArray[np.uint64]:
    value = np.zeros(len(stops), dtype=np.uint64)
    places = range(-n_bytes, 0) if order == "big" else range(-1, -n_bytes - 1, -1)
    for place in places:
        value = (value << np.uint64(8)) | block[stops + place]
    return value
