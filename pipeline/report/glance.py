"""One pass over a recording: what its pictures need, in memory that does not grow with its length."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.recording import Recording, open_recording
from pipeline.report.spectrum import BestSpectrum, Spectrum
from schemas.conditions import BY_NAME, FAULT_MASK

N_COLUMNS = 1200
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
    """A recording reduced to columns of equal time.

    Attributes
    ----------
    duration_s : float
        Time that the columns cover together.
    envelopes : tuple of Envelope
        One for each channel, in file order, then those of slower channels.
    bits : uint32 array, shape (columns,)
        Conditions that any sample of the column is in.
    spectra : mapping
        Field channel -> its spectrum.
    no_spectrum : mapping
        Field channel that has none -> why, as a clause.
    """

    duration_s: float
    envelopes: tuple[Envelope, ...]
    bits: npt.NDArray[np.uint32]
    spectra: Mapping[str, Spectrum]
    no_spectrum: Mapping[str, str]

    def of_kind(self, kind: str) -> tuple[Envelope, ...]:
        """Envelopes of the channels of that kind."""
        return tuple(envelope for envelope in self.envelopes if envelope.channel.kind == kind)

    def runs(self, mask: int) -> Floats:
        """Start and stop in seconds, shape (n, 2), of the columns in which any of those bits is set."""
        edges = np.diff(((self.bits & mask) != 0).astype(np.int8), prepend=0, append=0)
        both = np.stack([np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)], axis=1)
        return both.astype(np.float64) * float(self.duration_s / max(len(self.bits), 1))


def look(samples: Path, duration_s: float) -> Glance | None:
    """Reduce the recording in `samples`, and slower channels beside it; None where it has no rows."""
    recording = open_recording(samples)
    if not recording.n_rows:
        return None
    duration_s = duration_s if duration_s > 0 else recording.duration_s
    glance = _reduce(recording, duration_s, with_quality=True)
    slower = [
        _reduce(other, duration_s, with_quality=False)
        for other in map(open_recording, sorted(samples.parent.glob("samples_*hz.parquet")))
        if other.n_rows
    ]
    envelopes = glance.envelopes + tuple(e for other in slower for e in other.envelopes)
    spectra = {name: one for part in (glance, *slower) for name, one in part.spectra.items()}
    none = {name: why for part in (glance, *slower) for name, why in part.no_spectrum.items()}
    return Glance(duration_s, envelopes, glance.bits, spectra, none)


def regroup(values: npt.NDArray[Any], n_groups: int, how: np.ufunc) -> npt.NDArray[Any]:
    """Merge neighbouring columns into at most `n_groups` by the ufunc `how`."""
    n_groups = min(n_groups, len(values))
    merged: npt.NDArray[Any] = how.reduceat(values, np.arange(n_groups) * len(values) // n_groups)
    return merged


def _reduce(recording: Recording, duration_s: float, with_quality: bool) -> Glance:
    channels = recording.channels
    # Four samples a column at least: a short recording must not look full of gaps.
    n_columns = int(np.clip(recording.n_rows // 4, 1, N_COLUMNS))
    low, high = (np.full((len(channels), n_columns), np.nan) for _ in range(2))
    bits = np.zeros(n_columns, np.uint32)
    sums = {
        channel.name: BestSpectrum(recording.sample_hz, recording.n_rows)
        for channel in channels
        if channel.kind == "field"
    }
    names = ["time_s", *(channel.name for channel in channels), *(["quality"] if with_quality else [])]
    for block in recording.blocks(names):
        starts, columns = _columns(block.columns["time_s"], duration_s, n_columns)
        for i, channel in enumerate(channels):
            values = block.columns[channel.name]
            low[i, columns] = np.fmin(low[i, columns], np.fmin.reduceat(values, starts))
            high[i, columns] = np.fmax(high[i, columns], np.fmax.reduceat(values, starts))
        unfit = np.zeros(len(block), np.bool_)
        if with_quality:
            bits[columns] |= np.bitwise_or.reduceat(block.columns["quality"], starts)
            unfit = (block.columns["quality"] & _NO_PICTURE) != 0
        for name, spectrum in sums.items():
            spectrum.add(block.columns[name], unfit)
    finished = {name: best.finished() for name, best in sums.items()}
    spectra = {name: spectrum for name, spectrum in finished.items() if spectrum is not None}
    if not with_quality:
        spectra = {name: replace(spectrum, clean_only=None) for name, spectrum in spectra.items()}
    none = {name: best.why_none() for name, best in sums.items() if name not in spectra}
    return Glance(duration_s, _envelopes(channels, low, high), bits, spectra, none)


def _columns(
    time_s: Floats, duration_s: float, n_columns: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Where in the block each column that has samples there begins, and which columns these are."""
    column = np.clip((time_s * (n_columns / duration_s)).astype(np.int64), 0, n_columns - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    return starts, column[starts]


def _envelopes(channels: Sequence[Channel], low: Floats, high: Floats) -> tuple[Envelope, ...]:
    return tuple(Envelope(channel, low[i], high[i]) for i, channel in enumerate(channels))
