"""EDF and EDF+ files: records of 16-bit numbers, each signal at its own rate.

A record is a frame. The file's header says what the layout leaves open: what a count is worth, and the end
codes. The records of EDF+ begin with the second at which they do: these stand among the frames as ticks of a
microsecond, counted from the start of the first dump, so that gaps within a file (EDF+D) and between files
become lost rows. A record of EDF+D whose own second cannot be read is damaged: nothing says where it belongs.
Annotations are passed over; a note says how many there were. For sources see `edf_header`.
"""

import re
from collections.abc import Iterator, Sequence
from datetime import timedelta

import numpy as np

from pipeline.errors import Problem
from pipeline.frames.checksum import Bytes
from pipeline.frames.edf_header import Fault, Header, read_header
from pipeline.frames.edf_signals import ONSET_HZ, Fitted, fit_signals
from pipeline.frames.leftover import Ints
from pipeline.frames.reader import OpenDump
from pipeline.frames.regular import Bools, Regular, SeenUnits, read_units
from pipeline.frames.sinks import FrameSink
from pipeline.layouts import Layout

_ONSET = re.compile(rb"([+-]\d{1,9}(?:\.\d{0,9})?)\x14\x14")
"""What the annotations of a record begin with: its onset, and an empty text (EDF+ 2003, 2.2.4)."""

_NO_ONSET = np.iinfo(np.int64).min
_LONGEST_S = 1e12
_SEAM_S = 2.0
"""Starts in headers are whole seconds: two files follow each other where they fit within this."""


class EdfReader:
    """Signals of EDF files, by their labels."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._first: tuple[Header, Fitted] | None = None
        self._before: tuple[Header, int] | None = None
        self._fault: Fault | None = None
        self._seen = SeenUnits()

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> SeenUnits:
        """Put the records of a dump into the sink."""
        header = read_header(dump.source)
        size = dump.source.seek(0, 2)
        dump.source.seek(0)
        if isinstance(header, Header):
            fitted = fit_signals(header, self._layout, self._first[1] if self._first else None)
            if isinstance(fitted, Fitted):
                self._fault = None
                return self._read(dump, header, fitted, sinks[0], size, block_bytes)
            self._fault = fitted
        else:
            self._fault = header
        self._seen = read_units(dump.source, block_bytes, Regular(), lambda *_: None)
        return self._seen

    def _read(
        self, dump: OpenDump, header: Header, fitted: Fitted, sink: FrameSink, size: int, block_bytes: int
    ) -> SeenUnits:
        if self._first is None:
            self._first = header, fitted
            sink.complete(fitted.streams)
        records = _Records(header, fitted, _later(header, self._first[0]), sink, dump.index)
        begin, n_bytes = len(header.raw), header.record_bytes
        stop = size if header.n_records < 1 else min(size, begin + header.n_records * n_bytes)
        place = Regular(((0, begin),), min(begin, size), stop, n_bytes)
        self._seen = read_units(dump.source, block_bytes, place, records.take)
        self._seen.n_frames = records.n_good
        if header.start is not None:
            start = header.start + timedelta(seconds=(records.zero or 0) / ONSET_HZ)
            dump.header_start = start.isoformat()
        notes = (*_notes(header, fitted, records, size), *_seam(header, fitted, self._before))
        dump.notes += [f"{dump.name}: {note}" for note in notes]
        self._before = header, records.n_good
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say why the dump just read gave no record."""
        if self._fault:
            return Problem(dump.name, *self._fault)
        if self._seen.n_frames:
            return None
        remedy = "Copy the dump from the device again."
        return Problem(dump.name, "after the header", "at least one whole record", "none", remedy)


class _Records:
    """Takes the records of one dump, block by block.

    ``zero`` is the onset of the first record as the first readable one implies it, in ticks; `later` is
    added to every onset.
    """

    def __init__(self, header: Header, fitted: Fitted, later: int, sink: FrameSink, dump: int) -> None:
        self._header, self._fitted, self._later = header, fitted, later
        self._sink, self._dump = sink, dump
        self.zero: int | None = None
        self._ahead = 0
        self.n_good = self.n_annotations = self._n_seen = 0

    def take(self, records: Bytes, offset: int) -> Bools:
        """Hand records on to the sink; say which have their place in time."""
        header = self._header
        onsets, good = self._onsets(records)
        self._n_seen += len(records)
        kept, ticks = records[good], onsets[good] + self._later
        self.n_good += len(kept)
        self.n_annotations += _n_annotations(kept, header)
        signals = header.digital(kept)
        places = self._fitted.places
        self._sink.add(
            self._dump,
            offset + np.flatnonzero(good) * header.record_bytes,
            np.full(len(kept), header.record_bytes, dtype=np.int64),
            (None, ticks if self._fitted.has_onsets else None, None),
            [np.stack([signals[i].reshape(-1) for i in mine], axis=1) for mine in places],
            [np.full(len(kept), signals[mine[0]].shape[1], dtype=np.int64) for mine in places],
        )
        return good

    def _onsets(self, records: Bytes) -> tuple[Ints, Bools]:
        """When each record begins, in ticks, and which of them are good."""
        header, n = self._header, len(records)
        follow_s = (self._n_seen + np.arange(n)) * header.record_s
        follow = np.rint(np.minimum(follow_s, _LONGEST_S) * ONSET_HZ).astype(np.int64)
        if not self._fitted.has_onsets:
            return follow, np.ones(n, dtype=bool)
        start, stop = header.annotations[0]
        found = np.array([_onset(row.tobytes()) for row in records[:, start:stop]], dtype=np.int64)
        said = found != _NO_ONSET
        if self.zero is None and bool(said.any()):
            first = int(np.argmax(said))
            self.zero = int(found[first] - follow[first])
        if header.kind == "EDF+D":
            return found, said
        # records of EDF+C follow each other, whatever became of what one of them says
        ahead = np.append(self._ahead, np.where(said, found - follow, 0))
        latest = np.maximum.accumulate(np.append(0, np.where(said, np.arange(1, n + 1), 0)))
        ahead = ahead[latest]
        self._ahead = int(ahead[-1])
        return follow + ahead[1:], np.ones(n, dtype=bool)


def _onset(annotations: bytes) -> int:
    match = _ONSET.match(annotations)
    return round(float(match[1]) * ONSET_HZ) if match else _NO_ONSET


def _later(header: Header, first: Header) -> int:
    """By how much a dump's recording starts after the first one's, in ticks; 0 where that is not known."""
    if header.start is None or first.start is None:
        return 0
    return round((header.start - first.start).total_seconds() * ONSET_HZ)


def _n_annotations(records: Bytes, header: Header) -> int:
    """Annotations beside the onsets of the records: each list of them ends with 0x14 and 0x00."""
    n = 0
    for start, stop in header.annotations:
        part = records[:, start:stop]
        n += int(np.count_nonzero((part[:, :-1] == 0x14) & (part[:, 1:] == 0x00)))
    return max(n - len(records), 0)


def _notes(header: Header, fitted: Fitted, records: _Records, size: int) -> Iterator[str]:
    """What a person should know of how one file was read."""
    used = {i for mine in fitted.places for i in mine}
    others = [f"'{signal.label}'" for i, signal in enumerate(header.signals) if i not in used]
    if others:
        yield f"the layout has no channel for the signals {', '.join(others)}; they were passed over."
    if records.n_annotations:
        several = records.n_annotations > 1
        yield (
            f"{records.n_annotations:,} annotations were passed over."
            if several
            else ("an annotation was passed over.")
        )
    there = (size - len(header.raw)) // header.record_bytes
    if 0 < header.n_records < there:
        behind = size - len(header.raw) - header.n_records * header.record_bytes
        yield f"its header states {header.n_records:,} records; {behind:,} bytes behind them were not read."
    elif header.n_records > there:
        yield f"its header states {header.n_records:,} records, of which {there:,} are there and were read."


def _seam(header: Header, fitted: Fitted, before: tuple[Header, int] | None) -> Iterator[str]:
    """A note where files are listed in another order, or plain EDF files do not follow each other."""
    if before is None or header.start is None or before[0].start is None:
        return
    later_s = (header.start - before[0].start).total_seconds()
    if later_s < -_SEAM_S:
        yield (
            f"by its header it starts {-later_s:g} s before the dump that is listed before it; list them in "
            "the order in which they were recorded."
        )
        return
    if fitted.has_onsets:
        return  # they say it to the sample
    gap_s = later_s - before[1] * before[0].record_s
    if abs(gap_s) > _SEAM_S:
        how = "after the end" if gap_s > 0 else "before the end"
        yield (
            f"by its header it starts {abs(gap_s):g} s {how} of the dump before it; records of plain EDF "
            "carry no time, so its samples follow those of that dump without a gap."
        )
