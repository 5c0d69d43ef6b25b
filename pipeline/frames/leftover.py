"""What became of the bytes that no frame took: damaged, padding or unrecognised."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.frames import Ledger

Ints = npt.NDArray[np.int64]

PADDING_RUN = 16
"""Equal bytes 0x00 or 0xFF from this many on are erased or filled memory."""


def chain(starts: Ints, stops: Ints, floor: int = 0) -> Ints:
    """Indices of spans taken greedily from left to right, none overlapping an earlier one.

    Parameters
    ----------
    starts, stops : int64, shape (n,)
        Spans [start, stop), by rising start.
    floor : int
        Nothing before this is taken.
    """
    first = int(np.searchsorted(starts, floor))
    if np.all(starts[first + 1 :] >= stops[first:-1]):
        return np.arange(first, len(starts))
    follower = np.maximum(np.searchsorted(starts, stops), np.arange(1, len(starts) + 1)).tolist()
    taken, i, n = list[int](), first, len(follower)
    while i < n:
        taken.append(i)
        i = follower[i]
    return np.array(taken, dtype=np.int64)


def padding_runs(block: Bytes) -> tuple[Ints, Ints]:
    """Runs [start, stop) of `PADDING_RUN` or more bytes 0x00, or as many 0xFF, by rising start."""
    # such a run holds a whole aligned word of eight bytes, and less than a word on either side of its words
    words = block[: len(block) // 8 * 8].view("<u8")
    hits = np.flatnonzero((words == 0) | (words == np.uint64(0xFFFF_FFFF_FFFF_FFFF)))
    if not len(hits):
        return hits, hits
    apart = np.flatnonzero((np.diff(hits) != 1) | (words[hits[1:]] != words[hits[:-1]])) + 1
    starts = hits[np.concatenate((np.zeros(1, dtype=np.int64), apart))] * 8
    stops = (hits[np.concatenate((apart - 1, np.array([len(hits) - 1])))] + 1) * 8
    value, last = block[starts], len(block) - 1
    for _ in range(7):
        starts -= (starts > 0) & (block[np.maximum(starts - 1, 0)] == value)
        stops += (stops <= last) & (block[np.minimum(stops, last)] == value)
    long = stops - starts >= PADDING_RUN
    return starts[long], stops[long]


@dataclass
class Tally:
    """Running ledger of one dump, in absolute offsets where one block hands on to the next.

    ``damage_stop`` is where damaged bytes end, ``counted_stop`` where the last damaged frame ends that was
    counted: of those that overlap each other only one is. ``run`` is the value of a padding run that reached
    the end of the block (-1 where there is none).
    """

    decoded: int = 0
    damaged: int = 0
    unrecognised: int = 0
    padding: int = 0
    n_damaged_frames: int = 0
    damage_stop: int = 0
    counted_stop: int = 0
    run: int = field(default=-1)

    def ledger(self) -> Ledger:
        """As it goes into the dump's entry."""
        return Ledger(
            decoded=self.decoded, damaged=self.damaged, unrecognised=self.unrecognised, padding=self.padding
        )


def trim_at_padding(block: Bytes, starts: Ints, stops: Ints, protected: Ints) -> Ints:
    """Stops of damaged frames, moved back to where a padding run begins that goes on beyond the stop.

    ``protected`` bytes at each start (its sync pattern) are not given up.
    """
    inside = (stops < len(block)) & (stops > starts)
    at = np.where(inside, stops, 1)
    value = block[at]
    runs_over = inside & (value == block[at - 1]) & ((value == 0x00) | (value == 0xFF))
    which = np.flatnonzero(runs_over)
    if not len(which):
        return stops
    changes = np.flatnonzero(block[1:] != block[:-1]) + 1
    place = np.searchsorted(changes, stops[which], side="right")
    bounded = np.concatenate((np.zeros(1, dtype=np.int64), changes, np.array([len(block)])))
    begin = np.maximum(bounded[place], starts[which] + protected[which])
    end = np.minimum(bounded[place + 1], stops[which] + PADDING_RUN)
    trimmed = stops.copy()
    trimmed[which] = np.where(end - begin >= PADDING_RUN, np.minimum(begin, stops[which]), stops[which])
    return trimmed


def tally_leftover(
    tally: Tally,
    block: Bytes,
    base: int,
    limit: int,
    taken: tuple[Ints, Ints],
    damaged: tuple[Ints, Ints],
) -> None:
    """Account for every byte of ``block[:limit]`` that no accepted frame took.

    Parameters
    ----------
    tally : Tally
        Updated in place.
    block : uint8
        Bytes from the absolute offset `base` on.
    limit : int
        Bytes of the block to account for.
    taken, damaged : (starts, stops)
        Accepted frames; damaged frames, by rising start and clipped to the next accepted frame.
    """
    if not limit:
        return  # what a run of fill bytes before this has told still holds
    tally.decoded += int((taken[1] - taken[0]).sum())
    at, stop = _with_earlier_damage(tally, base, taken, damaged)
    # one that was counted in an earlier block ends where a frame begins, too
    floor = min([tally.counted_stop - base, *taken[0][:1].tolist()])
    counted = chain(damaged[0], damaged[1], max(floor, 0))
    tally.n_damaged_frames += len(counted)
    if len(counted):
        tally.counted_stop = base + int(damaged[1][counted[-1]])
    if len(damaged[1]):
        tally.damage_stop = max(tally.damage_stop, base + int(damaged[1].max()))
    at, stop = np.minimum(at, limit), np.minimum(stop, limit)
    reach = (
        np.concatenate((np.zeros(1, dtype=np.int64), np.maximum.accumulate(stop)))
        if len(stop)
        else np.zeros(1, np.int64)
    )
    fresh = np.maximum(stop - np.maximum(at, reach[:-1]), 0)
    tally.damaged += int(fresh.sum())
    starts, stops = _complement(limit, np.concatenate((taken[0], at)), np.concatenate((taken[1], stop)))
    _tally_rest(tally, block, limit, starts, stops)


def _with_earlier_damage(
    tally: Tally, base: int, taken: tuple[Ints, Ints], damaged: tuple[Ints, Ints]
) -> tuple[Ints, Ints]:
    """Damaged spans of this block, and what is left of one that began in the block before."""
    left = tally.damage_stop - base
    if len(taken[0]):
        left = min(left, int(taken[0][0]))
    if left <= 0:
        return damaged
    return np.insert(damaged[0], 0, 0), np.insert(damaged[1], 0, left)


def _complement(limit: int, starts: Ints, stops: Ints) -> tuple[Ints, Ints]:
    """Spans of [0, limit) that none of the given spans covers."""
    order = np.argsort(starts, kind="stable")
    starts, stops = starts[order], np.maximum.accumulate(stops[order]) if len(stops) else stops
    free_from = np.concatenate((np.zeros(1, dtype=np.int64), stops))
    free_to = np.concatenate((starts, np.array([limit])))
    kept = free_to > free_from
    return free_from[kept], free_to[kept]


def _tally_rest(tally: Tally, block: Bytes, limit: int, starts: Ints, stops: Ints) -> None:
    if not len(starts):
        tally.run = -1
        return
    lengths = stops - starts
    total = int(lengths.sum())
    if len(starts) == 1:
        values = block[starts[0] : stops[0]]
        breaks = np.flatnonzero(values[1:] != values[:-1]) + 1
    else:
        before = np.cumsum(lengths) - lengths
        index = np.arange(total) + np.repeat(starts - before, lengths)
        values = block[index]
        breaks = np.flatnonzero((values[1:] != values[:-1]) | (np.diff(index) != 1)) + 1
    begins = np.concatenate((np.zeros(1, dtype=np.int64), breaks))
    sizes = np.diff(np.concatenate((begins, np.array([total]))))
    value = values[begins]
    is_run = ((value == 0x00) | (value == 0xFF)) & (sizes >= PADDING_RUN)
    if starts[0] == 0 and tally.run == value[0]:
        is_run[0] = True
    padding = int(sizes[is_run].sum())
    tally.padding += padding
    tally.unrecognised += total - padding
    tally.run = int(value[-1]) if is_run[-1] and stops[-1] == limit else -1


def open_run(block: Bytes, floor: int, limit: int, run: int) -> int:
    """Bytes before `limit` (not before `floor`) that may be the beginning of a padding run.

    They are left to the next block, unless they go on with the padding run `run` that began before this one.
    """
    begin = max(floor, limit - PADDING_RUN)
    if limit <= begin or block[limit - 1] not in (0x00, 0xFF):
        return 0
    other = np.flatnonzero(block[begin:limit] != block[limit - 1])
    n = limit - begin - (int(other[-1]) + 1 if len(other) else 0)
    goes_on = n == limit and run == int(block[limit - 1])
    return 0 if n >= PADDING_RUN or goes_on else n
