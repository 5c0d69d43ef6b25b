"""Binary frames in the sectors of a memory, one to a sector.

- Where sync bytes, kind and checksum make 32 bits, what begins with sync bytes and passes its check is a
  frame wherever it stands. Behind it comes the one a sector farther, where there is one.
- Otherwise the reader goes on from sector to sector. Where that leads to no frame for as many sectors as
  could bring one by chance once in 256, where the file ends, or where erased sectors follow, frames are
  looked for at all places: bytes were lost, the image began within a sector, or a file system's leftovers
  stand there.
- At a place that was not led to, a frame is believed when its sync bytes, kind and checksum make 32 bits, or
  as many frames on end as do, one sector behind the other. Frames before it at the same distance, up to as
  many sectors as above, are then believed as well.
- Where a circular log had come round, its oldest frame comes first, when the sequence goes on from the last
  frame of the dump to the first one.
- The rest of a good sector is padding, and so are erased sectors: all 0x00, or all 0xFF.
- Damaged is what begins with the sync bytes and is no frame. Without sync bytes, damaged are the sectors
  between two good ones, and the first sector behind a good one when erased memory follows within it or behind
  it, or the file ends in it: it was torn. All else is unrecognised.

The frames found do not depend on the size of the blocks in which the file is read.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np

from pipeline.frames.blocks import BlockReader
from pipeline.frames.checksum import Bytes
from pipeline.frames.circular import turn_to_oldest
from pipeline.frames.emit import Found, emit
from pipeline.frames.kinds import UNKNOWN, Kinds
from pipeline.frames.lattice import (
    ERASED,
    GOOD,
    Known,
    Stretch,
    find_seed,
    known_of,
    looked_through,
    misses_at,
    one_by_one,
    stretch_at,
    trust_of,
)
from pipeline.frames.leftover import PADDING_RUN, open_run, tally_leftover
from pipeline.frames.sector import BEHIND, Judged, begins, filler_of, judge, places_for
from pipeline.frames.sector_rest import (
    damaged_by_sync,
    damaged_in,
    ends_of,
    filler_bytes,
    is_torn,
    trimmed,
)
from pipeline.frames.seen import Seen, SeenKind
from pipeline.frames.shape import Ints
from pipeline.frames.sinks import FrameSink

_FIRST_LOOK = 16
_NONE = np.zeros(0, dtype=np.int64)


@dataclass
class _Settled:
    """What is known of one block, in its order: good sectors, damaged spans, and places looked at."""

    places: list[Ints] = field(default_factory=lambda: [_NONE])
    judged: list[Judged] = field(default_factory=lambda: [Judged(_NONE, _NONE, _NONE, _NONE)])
    damaged: list[tuple[Ints, Ints]] = field(default_factory=lambda: [(_NONE, _NONE)])
    looked: list[Ints] = field(default_factory=lambda: [_NONE])

    def take(self, places: Ints, judged: Judged) -> None:
        """Add good sectors."""
        self.places.append(places)
        self.judged.append(judged)

    def damage(self, starts: Ints, sector_bytes: int) -> None:
        """Add sectors that are damaged."""
        self.damaged.append((starts, starts + sector_bytes))

    def good(self) -> tuple[Ints, Judged]:
        """All good sectors."""
        return np.concatenate(self.places), self.judged[0].and_then(*self.judged[1:])


class SectorReader:
    """Reads one dump of sectors.

    Parameters
    ----------
    kinds : Kinds
        What frames look like.
    sector_bytes : int
        Bytes of a sector.
    dump : int
        Its index, for the table.
    sinks : sequence of FrameSink
        Get the frames and their counts, one for each kind.
    """

    def __init__(self, kinds: Kinds, sector_bytes: int, dump: int, sinks: Sequence[FrameSink]) -> None:
        self._kinds, self._sector_bytes = kinds, sector_bytes
        self._dump, self._sinks = dump, sinks
        self._seen = Seen(kinds=[SeenKind() for _ in sinks])
        self._trust = trust_of(kinds, sector_bytes)
        self._has_sync = all(shape.sync for shape in kinds.shapes)
        self._base = 0
        self._settled = 0
        # where the next sector begins, -1 where that is not known; sectors failed since the last good one
        self._led, self._misses, self._n_looked = 0, 0, _FIRST_LOOK
        self._had_good = False
        # where nothing leads on any more, the good sector before it that is not settled (-1: none), and up to
        # where a frame has been looked for since
        self._lost, self._held, self._searched = 0, -1, 0

    def read(self, source: BinaryIO, block_bytes: int) -> Seen:
        """Read an open file from its beginning to its end; the ledger sums to its size."""
        reader, limit, is_last = BlockReader(source, max(block_bytes, 1)), 0, False
        firsts = [len(sink) for sink in self._sinks]
        while not is_last:
            block, is_last = reader.advance(limit)
            found = _Settled()
            if self._has_sync and self._trust.n_seed == 1:
                self._take_all(block, is_last, found)
            else:
                self._go_on(block, is_last, found)
            limit = self._account(block, is_last, found)
            self._base += limit
        self._seen.n_bytes, self._seen.sha256 = reader.n_bytes, reader.sha256
        turn_to_oldest(self._sinks, firsts, reader.n_bytes, self._sector_bytes)
        return self._seen

    def _take_all(self, block: Bytes, is_last: bool, found: _Settled) -> None:
        """Take what begins with sync bytes and passes its check, wherever it stands: that is no chance."""
        size = self._sector_bytes
        stop = len(block) if is_last else max(len(block) - size - PADDING_RUN, 0)
        places = places_for(block, 0, stop, self._kinds)
        judged = judge(block, places, self._kinds, size)
        good = np.flatnonzero(judged.kind != UNKNOWN)
        good = good[one_by_one(places[good], judged.those(good), size)]
        # of a frame it must be known whether another one stands a sector farther
        known = np.ones(len(good), dtype=bool) if is_last else places[good] + size < stop
        limit = stop if np.all(known) else int(places[good[~known][0]])
        self._held = -1 if limit == stop else self._base + limit
        good = good[places[good] < limit] if not is_last else good
        found.take(places[good], judged.those(good))
        found.looked.append(places[good])
        self._led, self._settled = -1, self._base + limit

    def _go_on(self, block: Bytes, is_last: bool, found: _Settled) -> None:
        """Take the sectors that lead from one to the next, and look for others where that ends."""
        while self._follow(block, is_last, found) if self._led >= 0 else self._seek(block, is_last, found):
            pass

    def _follow(self, block: Bytes, is_last: bool, found: _Settled) -> bool:
        """Go on from sector to sector; return whether there is more to be had from the block."""
        stretch, known = self._known(block, is_last)
        n = len(stretch.places)
        if not n:
            self._settled = self._base + len(block) if is_last else self._settled
            return False
        seed = -1
        if len(known.gaps.starts):
            known, seed = self._look_through(block, is_last, stretch, known)
        leads_far = n == self._n_looked and 2 * known.n >= n
        self._n_looked = 2 * n if leads_far else _FIRST_LOOK
        self._take(stretch, known, found)
        if seed >= 0:
            is_behind_good = known.n > 0 and bool(stretch.status[known.n - 1] == GOOD)
            self._begin_at(block, seed, self._led - self._base, is_behind_good, found)
        elif known.leads_nowhere:
            self._lose(stretch, known, found)
        return known.n > 0 or seed >= 0 or known.leads_nowhere

    def _known(self, block: Bytes, is_last: bool) -> tuple[Stretch, Known]:
        """What the next sectors are: as many more of them as it takes to know the first."""
        size, led, n = self._sector_bytes, self._led - self._base, 0
        stretch = stretch_at(block, led, self._n_looked, is_last, self._kinds, size)
        while True:
            n_new, n = len(stretch.places) - n, len(stretch.places)
            is_end = is_last and led + n * size >= len(block)
            known = known_of(stretch, self._misses, self._trust.reach, is_end)
            if known.n or known.leads_nowhere or not n_new:
                return stretch, known
            more = stretch_at(block, led + n * size, 3 * n, is_last, self._kinds, size)
            stretch = stretch.and_then(more)

    def _look_through(self, block: Bytes, is_last: bool, stretch: Stretch, known: Known) -> tuple[Known, int]:
        """Look for sectors that begin elsewhere in the gaps; where one does, nothing behind is known."""
        size, n_seed = self._sector_bytes, self._trust.n_seed
        starts, stops = looked_through(stretch, known.gaps, self._has_sync, size)
        if not is_last:
            cut_off = np.flatnonzero((stops > starts) & (stops - 1 + n_seed * size > len(block)))
            if len(cut_off):
                i = int(cut_off[0])
                starts, stops = starts[:i], stops[:i]
                known = known.before_gap(i, holds=True, stretch=stretch)
        seed = find_seed(block, (starts, stops), self._kinds, size, n_seed)
        if seed >= 0:
            i = int(np.searchsorted(starts, seed, side="right")) - 1
            known = known.before_gap(i, holds=False, stretch=stretch)
        return known, seed

    def _take(self, stretch: Stretch, known: Known, found: _Settled) -> None:
        """Take what is known of a stretch, and go on behind it."""
        n, size = known.n, self._sector_bytes
        if not n:
            return
        status, places = stretch.status[:n], stretch.places[:n]
        good = np.flatnonzero(status == GOOD)
        found.take(places[good], stretch.judged.those(good))
        found.looked.append(places[status != ERASED])
        if len(known.gaps.starts) and not self._has_sync:
            torn = damaged_in(stretch, known.gaps, self._had_good)
            found.damage(places[torn], size)
        self._misses = int(misses_at(status, self._misses)[-1])
        self._had_good |= len(good) > 0
        self._led += n * size
        self._settled = self._led

    def _lose(self, stretch: Stretch, known: Known, found: _Settled) -> None:
        """Sectors lead nowhere any more: frames must be looked for."""
        n = known.n + known.is_good_next
        found.looked.append(stretch.places[n:])
        self._lost, self._searched = (
            self._base + int(stretch.places[n]),
            self._base + int(stretch.places[n]) + 1,
        )
        self._led, self._held = -1, -1
        if known.is_good_next:
            self._held = self._base + int(stretch.places[known.n])
            if stretch.judged.filler[known.n] == BEHIND:
                self._searched = self._held + int(stretch.judged.n_bytes[known.n])

    def _seek(self, block: Bytes, is_last: bool, found: _Settled) -> bool:
        """Look for sectors at all places; return whether they go on."""
        size, n_seed = self._sector_bytes, self._trust.n_seed
        least = min(shape.min_bytes for shape in self._kinds.shapes)
        start, lost = self._searched - self._base, self._lost - self._base
        stop = max(start, len(block) - (least if is_last else n_seed * size) + 1)
        seed = find_seed(block, (np.array([start]), np.array([stop])), self._kinds, size, n_seed)
        if seed >= 0:
            is_behind_good = self._take_held(block, found)
            self._begin_at(block, seed, max(lost, self._settled - self._base), is_behind_good, found)
            return True
        self._searched = self._base + stop
        if not is_last and stop < lost + 2 * size:
            return False
        if self._take_held(block, found) and not self._has_sync and is_torn(block, lost, size):
            found.damage(np.array([lost]), size)
        # frames before a seed are looked for as far as trust reaches
        held = 0 if is_last else self._trust.reach * size
        settled = len(block) if is_last else max(stop - held, lost)
        self._settled = max(self._settled, self._base + settled)
        return False

    def _take_held(self, block: Bytes, found: _Settled) -> bool:
        """Take the good sector before the place where nothing leads on, if there is one."""
        if self._held < 0:
            return False
        place = np.array([self._held - self._base])
        found.take(place, judge(block, place, self._kinds, self._sector_bytes))
        found.looked.append(place)
        self._had_good, self._held = True, -1
        return True

    def _begin_at(self, block: Bytes, seed: int, floor: int, is_behind_good: bool, found: _Settled) -> None:
        """Sectors begin anew at `seed`; nothing before `floor` belongs to them."""
        size, first = self._sector_bytes, seed
        if self._trust.n_seed > 1:
            back = seed - size * np.arange(self._trust.reach, 0, -1)
            back = back[back >= floor]
            judged = judge(block, back, self._kinds, size)
            good = judged.kind != UNKNOWN
            found.take(back[good], judged.those(good))
            found.looked.append(back[good])
            first = int(back[good][0]) if np.any(good) else seed
        is_torn_off = is_behind_good and (first - floor <= 2 * size or is_torn(block, floor, size))
        if is_torn_off and first > floor and not self._has_sync:
            found.damage(np.array([floor]), size)
        self._led, self._misses, self._n_looked = self._base + seed, 0, _FIRST_LOOK
        self._settled = self._led

    def _account(self, block: Bytes, is_last: bool, found: _Settled) -> int:
        """Hand on the frames and account for all that is settled; return how many bytes that are."""
        limit, size = self._settled - self._base, self._sector_bytes
        places, judged = found.good()
        # where bytes were lost in a filler, the next sector begins early
        stops = np.minimum(places + size, np.append(places[1:], limit))
        # where sectors lead on, none reaches into the next one
        is_led = self._led >= 0 or self._held >= 0
        damaged = _NONE, _NONE
        if self._has_sync:
            damaged = damaged_by_sync(block, limit, (places, stops), self._kinds, size)
            # how far a damaged sector reaches is known once what stands behind it is
            open_ended = damaged[0][damaged[0] + size > limit]
            if len(open_ended) and not is_last and not is_led:
                limit = int(open_ended[0])
        if not is_last:
            floor = int(stops[-1]) if len(stops) else 0
            limit -= open_run(block, floor, limit, self._seen.tally.run)
        if self._has_sync:
            settled = damaged[0] < limit
            damaged = damaged[0][settled], damaged[1][settled]
        else:
            starts, ends = zip(*found.damaged, strict=True)
            damaged = np.concatenate(starts), np.concatenate(ends)
        self._note(block, np.sort(np.concatenate([*found.looked, damaged[0]]), kind="stable"))
        barriers = np.append(places, self._settled - self._base) if is_led else places
        damaged = trimmed(block, damaged, barriers, self._kinds)
        tally = self._seen.tally
        tally_leftover(tally, block, self._base, limit, (places, stops), damaged)
        filler = filler_of(places, stops, judged, self._kinds)
        n_filler = int((filler[1] - filler[0]).sum())
        tally.decoded, tally.padding = tally.decoded - n_filler, tally.padding + n_filler
        self._emit(block, places, judged, filler)
        return limit

    def _note(self, block: Bytes, looked: Ints) -> None:
        """What messages will need."""
        looked = looked[np.diff(looked, prepend=-1) > 0]
        self._seen.n_sync += len(looked)
        for k, shape in enumerate(self._kinds.shapes):
            mine = looked[begins(block, looked, shape)]
            starts, stops, believable = ends_of(block, mine, shape, self._sector_bytes)
            self._seen.kinds[k].keep(block, starts, stops, believable)

    def _emit(self, block: Bytes, places: Ints, judged: Judged, filler: tuple[Ints, Ints]) -> None:
        """Hand the frames of each kind to its sink."""
        for k, (shape, sink) in enumerate(zip(self._kinds.shapes, self._sinks, strict=True)):
            which = np.flatnonzero(judged.kind == k)
            starts, n_bytes = places[which], judged.n_bytes[which]
            inner = n_bytes - (shape.head + shape.tail)
            good = Found(starts, judged.stops[which], inner, self._base + starts, n_bytes)
            more = None
            if not shape.n_rows:
                more = filler_bytes(block, judged.filler[which], filler[0][which], filler[1][which])
            emit(block, good, shape, self._dump, sink, more)
            self._seen.kinds[k].n_frames += len(which)
