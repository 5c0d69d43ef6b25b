"""One pass over each recording: what its pictures need, in memory that does not grow with its length."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

from pipeline.layouts import Channel
from pipeline.recording import Block, Recording, open_recording
from pipeline.report.spectrum import BestSpectrum, Spectrum
from schemas.conditions import BY_NAME, FAULT_MASK

N_COLUMNS = 1200
ENDS_APART_S = 1.0
"""Ends of two recordings that are apart by less are the same."""

Floats = npt.NDArray[np.float64]
# Segments of the spectrum leave out what is no picture of the body, but keep what mains did.
_NO_PICTURE = FAULT_MASK & ~BY_NAME["mains"].mask


@dataclass(frozen=True)
class Envelope:
    """Smallest and largest value in each column of the picture; NaN where nothing arrived."""

    channel: Channel
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Glance:
    """The recordings of a session reduced to columns of equal time.

    Attributes
    ----------
    duration_s : float
        Time that the columns cover together.
    envelopes : tuple of Envelope
        One for each channel, in file order; recordings of a field before others, faster before slower.
    bits : uint32 array, shape (columns,)
        Conditions that any sample of the column is in, of whichever recording.
    spectra : mapping
        Field channel -> its spectrum.
    no_spectrum : mapping
        Field channel that has none -> why, as a clause.
    events_s : float64 array
        When events came, in seconds; one for each column that has any.
    lost : int64 array, shape (2, columns)
        How many of the first recording's rows in the column are lost, and how many there are.
    """

    duration_s: float
    envelopes: tuple[Envelope, ...]
    bits: npt.NDArray[np.uint32]
    spectra: Mapping[str, Spectrum]
    no_spectrum: Mapping[str, str]
    events_s: Floats = field(default_factory=lambda: np.empty(0))
    lost: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty((2, 0), np.int64))

    def of_kind(self, kind: str) -> tuple[Envelope, ...]:
        """Envelopes of the channels of that kind."""
        return tuple(envelope for envelope in self.envelopes if envelope.channel.kind == kind)

    def runs(self, mask: int) -> Floats:
        """Start and stop in seconds, shape (n, 2), of the columns in which any of those bits is set."""
        edges = np.diff(((self.bits & mask) != 0).astype(np.int8), prepend=0, append=0)
        both = np.stack([np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)], axis=1)
        return both.astype(np.float64) * float(self.duration_s / max(len(self.bits), 1))


def recordings_of(samples: Path) -> list[Recording]:
    """The recording in `samples`, and those with rows that stand beside it, the faster before the slower."""
    further = map(open_recording, samples.parent.glob("samples_*hz.parquet"))
    return in_order(open_recording(samples), further)


def in_order(main: Recording, further: Iterable[Recording]) -> list[Recording]:
    """The recordings of a session that have rows, and the main one: the faster before the slower."""
    return [
        main,
        *sorted((one for one in further if one.n_rows), key=lambda one: (-one.sample_hz, one.path.name)),
    ]


def look(samples: Path, duration_s: float, all_lost: bool = False) -> Glance | None:
    """Reduce the recording in `samples`, and what stands beside it; None where it has no rows.

    Time that a field or an acceleration does not cover shows as lost, though no row is there to be marked;
    with `all_lost`, where not a sample of any field came, that is all of it.
    """
    recordings = recordings_of(samples)
    if not recordings[0].n_rows:
        return None
    duration_s = duration_s if duration_s > 0 else recordings[0].duration_s
    looks = [Look(one, duration_s) for one in recordings]
    for one in looks:
        for block in one.recording.blocks(columns_of(one.recording)):
            one.add(block)
    parts = [one.finished() for one in looks]
    return together(recordings, parts, samples.with_name("events.parquet"), all_lost)


def columns_of(recording: Recording) -> list[str]:
    """The columns of a file of samples that a look at it takes."""
    return ["time_s", *(channel.name for channel in recording.channels), "quality"]


def together(
    recordings: Sequence[Recording], parts: Sequence[Glance], events: Path, all_lost: bool
) -> Glance:
    """One glance at a session from those at its recordings, the main one first, and its events."""
    duration_s, (main, *others) = parts[0].duration_s, parts
    ordered = sorted(parts, key=lambda glance: not glance.of_kind("field"))
    bits = main.bits | np.uint32(BY_NAME["lost"].mask if all_lost else 0)
    for one, glance in zip(recordings[1:], others, strict=True):
        bits = bits | glance.bits[np.arange(len(bits)) * len(glance.bits) // len(bits)]
        bits |= _uncovered(one, duration_s, len(bits))
    return Glance(
        duration_s,
        tuple(envelope for glance in ordered for envelope in glance.envelopes),
        bits,
        {name: spectrum for glance in parts for name, spectrum in glance.spectra.items()},
        {name: why for glance in parts for name, why in glance.no_spectrum.items()},
        _events(events, duration_s),
        main.lost[[1, 1]] if all_lost else main.lost,
    )


def event_times(path: Path, duration_s: float) -> Floats:
    """When each event within the recording came, in seconds."""
    time_s: Floats = pq.read_table(path, columns=["time_s"], use_threads=False)["time_s"].to_numpy()
    return time_s[(time_s >= 0) & (time_s <= duration_s)]


def _events(path: Path, duration_s: float) -> Floats:
    if not path.exists():
        return np.empty(0)
    columns = np.unique((event_times(path, duration_s) / duration_s * N_COLUMNS).astype(int))
    return (columns + 0.5) * (duration_s / N_COLUMNS)


def regroup(values: npt.NDArray[Any], n_groups: int, how: np.ufunc) -> npt.NDArray[Any]:
    """Merge neighbouring columns into at most `n_groups` by the ufunc `how`."""
    n_groups = min(n_groups, len(values))
    merged: npt.NDArray[Any] = how.reduceat(values, np.arange(n_groups) * len(values) // n_groups)
    return merged


class Look:
    """One recording on its way past, block by block, to what its pictures need.

    Parameters
    ----------
    recording : Recording
        Where its samples stand does not matter: they are handed in.
    duration_s : float
        Time that the columns cover together.
    """

    def __init__(self, recording: Recording, duration_s: float) -> None:
        self.recording, self._duration_s = recording, duration_s
        channels = recording.channels
        # Four samples a column at least: a short recording must not look full of gaps.
        n_columns = int(np.clip(recording.n_rows // 4, 1, N_COLUMNS))
        self._low, self._high = (np.full((len(channels), n_columns), np.nan) for _ in range(2))
        self._bits = np.zeros(n_columns, np.uint32)
        self._lost = np.zeros((2, n_columns), np.int64)
        self._sums = {
            channel.name: BestSpectrum(recording.sample_hz, recording.n_rows)
            for channel in channels
            if channel.kind == "field"
        }

    def add(self, block: Block) -> Block | None:
        """Take a block with the columns of `columns_of`; give what of it lies on the picture."""
        inside = _within(block, self._duration_s)
        if inside is None:
            return None
        starts, columns = _columns(inside.columns["time_s"], self._duration_s, len(self._bits))
        for i, channel in enumerate(self.recording.channels):
            values = inside.columns[channel.name]
            self._low[i, columns] = np.fmin(self._low[i, columns], np.fmin.reduceat(values, starts))
            self._high[i, columns] = np.fmax(self._high[i, columns], np.fmax.reduceat(values, starts))
        quality = inside.columns["quality"]
        self._bits[columns] |= np.bitwise_or.reduceat(quality, starts)
        lost = quality & np.uint32(BY_NAME["lost"].mask)
        self._lost[0, columns] += np.add.reduceat(lost, starts, dtype=np.int64) // BY_NAME["lost"].mask
        self._lost[1, columns] += np.diff(starts, append=len(lost))
        unfit = (quality & _NO_PICTURE) != 0
        for name, spectrum in self._sums.items():
            spectrum.add(inside.columns[name], unfit)
        return inside

    def finished(self) -> Glance:
        """What was seen."""
        finished = {name: best.finished() for name, best in self._sums.items()}
        spectra = {name: spectrum for name, spectrum in finished.items() if spectrum is not None}
        none = {name: best.why_none() for name, best in self._sums.items() if name not in spectra}
        envelopes = tuple(map(Envelope, self.recording.channels, self._low, self._high))
        return Glance(self._duration_s, envelopes, self._bits, spectra, none, lost=self._lost)


def uncovered(recording: Recording, duration_s: float) -> list[tuple[float, float]]:
    """Start and stop in seconds of what lies before a recording's first sample and behind its last.

    Beyond a second, and only of a recording of a field or an acceleration.
    """
    begin_s, end_s = recording.at_s(0), recording.until_s(recording.n_rows)
    if all(channel.kind == "other" for channel in recording.channels):
        return []
    before = [(0.0, begin_s)] if begin_s >= ENDS_APART_S else []
    return [*before, (end_s, duration_s)] if duration_s - end_s >= ENDS_APART_S else before


def _uncovered(recording: Recording, duration_s: float, n_columns: int) -> npt.NDArray[np.uint32]:
    """Lost, in the columns that the recording does not cover."""
    middle_s = (np.arange(n_columns) + 0.5) * (duration_s / n_columns)
    bits = np.zeros(n_columns, np.uint32)
    for start_s, stop_s in uncovered(recording, duration_s):
        bits[(middle_s > start_s) & (middle_s < stop_s)] = BY_NAME["lost"].mask
    return bits


def _within(block: Block, duration_s: float) -> Block | None:
    """The rows that lie on the picture: a slower recording may begin before it or end later."""
    start, stop = np.searchsorted(block.columns["time_s"], [0.0, duration_s]).tolist()
    if stop <= start:
        return None
    return Block(block.start + start, {name: v[start:stop] for name, v in block.columns.items()})


def _columns(
    time_s: Floats, duration_s: float, n_columns: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Where in the block each column that has samples there begins, and which columns these are."""
    column = np.clip((time_s * (n_columns / duration_s)).astype(np.int64), 0, n_columns - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    return starts, column[starts]
