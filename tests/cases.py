"""Layouts of every framing, for tests that hold whatever the layout is: damage, any bytes, any blocks."""

from dataclasses import dataclass

import numpy as np
from encode import Encoded, encode_all, streams_of
from file_cases import file_layout, file_pieces
from shapes import (
    cobs_layout,
    kinds_layout,
    packed_layout,
    planar_layout,
    sectors_layout,
    slip_layout,
    sync_layout,
    text_kinds_layout,
    text_layout,
)

from pipeline.layouts import Layout

WIDE = "CRC-32/ISO-HDLC"


@dataclass(frozen=True)
class Case:
    """A layout and what can be promised of it.

    ``checked``: frames carry a check wide enough that no damage of a test gets past it. ``counted``: a
    counter tells frames apart. ``check_at_end``: as `encode_all` has it.
    """

    layout: Layout
    checked: bool = True
    counted: bool = True
    check_at_end: bool = False

    def encoded(self, n_frames: int, seed: int) -> list[Encoded]:
        """About `n_frames` frames of each kind, with counters that begin anywhere."""
        if self.layout.framing in ("wav", "edf"):
            return file_pieces(self.layout.framing, n_frames, seed)
        return encoded_for(self.layout, n_frames, seed, self.check_at_end)


CASES = {
    "sync fixed": Case(sync_layout(check="CRC-32/ISO-HDLC", count=3)),
    "sync fixed, 16-bit check, short counter": Case(sync_layout(sequence="u8", count=2)),
    "sync stated": Case(sync_layout(check="CRC-32/BZIP2", length="u8", max_bytes=120)),
    "sync stated behind the samples": Case(
        sync_layout(check=WIDE, length="u16", counts="rows", length_last=True, max_bytes=120)
    ),
    "sync stated by samples": Case(sync_layout(check=WIDE, length="u8", counts="samples", max_bytes=120)),
    "sync stated by rest": Case(sync_layout(check=WIDE, length="u8", counts="after_length", max_bytes=120)),
    "no sequence": Case(sync_layout(check=WIDE, sequence="", count=3), counted=False),
    "no ticks": Case(sync_layout(check=WIDE, ticks="", count=3)),
    "no check": Case(sync_layout(check="", count=3), checked=False),
    "no check, stated length": Case(sync_layout(check="", length="u8", max_bytes=120), checked=False),
    "received": Case(sync_layout(check=WIDE, received="u48", count=3)),
    "two rates in a frame": Case(
        sync_layout(check=WIDE, count=6, slow=("c", "d"), slow_count=2, slow_samples="u8")
    ),
    "packed, little": Case(packed_layout(check=WIDE, samples="i12", count=3)),
    "packed, big": Case(packed_layout(check=WIDE, samples="o14", count=5, order="big")),
    "planar": Case(planar_layout(check=WIDE, count=4)),
    "planar, stated length": Case(planar_layout(check=WIDE, length="u8", max_bytes=120)),
    "kinds": Case(kinds_layout(check=WIDE, counts=(4, 2))),
    "kinds by sync bytes, shared counter, events": Case(
        kinds_layout(
            check=WIDE,
            syncs=(b"\xa5\x5a", b"\x5a\xa5", b"\x3c"),
            kind_type="",
            counts=(4, 2),
            shared=True,
            event=True,
        )
    ),
    "kinds, told behind the samples": Case(kinds_layout(check=WIDE, counts=(4, 4), kind_last=True)),
    "kinds, stated length": Case(kinds_layout(check=WIDE, length="u8", counts=(8, 2))),
    "sectors": Case(sectors_layout(check=WIDE, count=6, sector_bytes=64, sync=b"\x51\x0c")),
    "sectors without sync": Case(sectors_layout(check=WIDE, count=8, sector_bytes=48)),
    "sectors, stated length": Case(sectors_layout(check=WIDE, length="u16", sector_bytes=64)),
    "sectors, check at the end": Case(
        sectors_layout(check=WIDE, length="u16", counts="rows", sector_bytes=64), check_at_end=True
    ),
    "sectors, length behind": Case(
        sectors_layout(check=WIDE, length="u16", counts="samples", length_last=True, sector_bytes=64)
    ),
    "sectors of kinds": Case(kinds_layout("sectors", check=WIDE, counts=(6, 3), sector_bytes=48)),
    "sectors of kinds, told behind the samples": Case(
        kinds_layout("sectors", check=WIDE, counts=(6, 6), sector_bytes=48, kind_last=True)
    ),
    "sectors of kinds without check": Case(
        kinds_layout("sectors", check="", counts=(6, 6), sector_bytes=48, kind_last=True), checked=False
    ),
    "cobs": Case(cobs_layout(check=WIDE, count=3)),
    "cobs, stated length": Case(cobs_layout(check=WIDE, length="u8", counts="rows")),
    "cobs of kinds": Case(kinds_layout("cobs", check=WIDE, counts=(4, 2), event=True)),
    "cobs without check": Case(cobs_layout(check="", count=3), checked=False),
    "slip": Case(slip_layout(check=WIDE, count=3)),
    "slip, packed": Case(packed_layout("slip", check=WIDE, samples="u12", count=3)),
    "slip of kinds, told behind the samples": Case(
        kinds_layout("slip", check=WIDE, counts=(4, 4), kind_last=True)
    ),
    "slip of kinds": Case(kinds_layout("slip", check=WIDE, counts=(4, 2), shared=True)),
    "text": Case(text_layout(), checked=False),
    "text, wide delimiter": Case(text_layout(ticks_bits=32, delimiter="; "), checked=False),
    "text without counters": Case(
        text_layout(sequence_bits=None, delimiter="blanks"), checked=False, counted=False
    ),
    "text, received": Case(text_layout(received="rfc3339"), checked=False),
    "text kinds": Case(text_kinds_layout(event=True), checked=False),
    "wav": Case(file_layout("wav"), checked=False, counted=False),
    "edf": Case(file_layout("edf"), checked=False, counted=False),
}
"""Name -> case."""


def counts_for(layout: Layout, n_frames: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Random counts within the codes of each stream, enough for about `n_frames` frames of its kind."""
    blocks = []
    for stream in layout.streams:
        rows = max(1, next((part.count for part in stream.parts if part.count), 8)) * n_frames
        columns = []
        for part in stream.parts:
            low, high = -2000, 2001
            if part.bits:
                low, high = (0, 1 << part.bits) if part.form == "unsigned" else _ends(part.bits)
            columns.append(rng.integers(low, high, (rows, len(part.channels))))
        blocks.append(np.hstack(columns))
    return blocks


def _ends(bits: int) -> tuple[int, int]:
    return -(1 << (bits - 1)), 1 << (bits - 1)


def encoded_for(layout: Layout, n_frames: int, seed: int, check_at_end: bool = False) -> list[Encoded]:
    """About `n_frames` frames of each kind; those that state their length have 5 to 8 rows."""
    rng = np.random.default_rng(seed)
    counts = counts_for(layout, n_frames, rng)
    seconds = n_frames * 4 / layout.sample_hz
    return encode_all(
        layout,
        counts,
        first_sequence=int(rng.integers(0, 65536)),
        first_tick=int(rng.integers(0, 2**32)),
        first_received=1_700_000_000_000,
        samples_per_frame=rng.integers(5, 9, n_frames).tolist(),
        event_s=sorted(rng.uniform(0, seconds, n_frames)) if layout.frames[-1].is_event else (),
        check_at_end=check_at_end,
    )


def streams_by_kind(layout: Layout) -> list[list[int]]:
    """For each kind of frame, the numbers of its streams."""
    return [[layout.streams.index(stream) for stream in streams_of(layout, frame)] for frame in layout.frames]
