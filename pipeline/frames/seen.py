"""What was seen of a dump of binary frames: for its ledger and for messages."""

from dataclasses import dataclass, field, replace

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Tally
from pipeline.frames.shape import Bools, Ints

_KEPT_CANDIDATES = 256
_KEPT_BYTES = 1 << 18


@dataclass
class SeenKind:
    """Places where frames of one kind might stand.

    ``kept`` holds the bytes of the first ones whose length is believable, as they are before any stuffing.
    """

    n_believable: int = 0
    n_frames: int = 0
    kept: list[bytes] = field(default_factory=list)
    kept_bytes: int = 0

    def keep(self, buffer: Bytes, starts: Ints, stops: Ints, believable: Bools) -> None:
        """Count the believable ones, and keep the first of them."""
        self.n_believable += int(believable.sum())
        room = _KEPT_CANDIDATES - len(self.kept)
        if not room or self.kept_bytes > _KEPT_BYTES:
            return
        first = believable.nonzero()[0][:room]
        for start, stop in zip(starts[first].tolist(), stops[first].tolist(), strict=True):
            if self.kept_bytes > _KEPT_BYTES:
                break
            self.kept_bytes += stop - start
            self.kept.append(buffer[start:stop].tobytes())


@dataclass
class Seen:
    """What was seen of one dump.

    ``n_sync`` counts the places where a frame might begin: sync patterns, packets between delimiters, or
    sectors that are not erased. ``kinds`` has one entry for each kind of frame, in the layout's order.
    """

    tally: Tally = field(default_factory=Tally)
    n_bytes: int = 0
    sha256: str = ""
    n_sync: int = 0
    kinds: list[SeenKind] = field(default_factory=list)

    @property
    def n_frames(self) -> int:
        """Good frames of all kinds."""
        return sum(kind.n_frames for kind in self.kinds)

    @property
    def n_believable(self) -> int:
        """Candidates of all kinds whose length is believable."""
        return sum(kind.n_believable for kind in self.kinds)

    @property
    def kept(self) -> list[bytes]:
        """The bytes of candidates of all kinds that were kept."""
        return [frame for kind in self.kinds for frame in kind.kept]

    def of(self, kind: int) -> "Seen":
        """The same with what was seen of one kind alone."""
        return replace(self, kinds=[self.kinds[kind]])
