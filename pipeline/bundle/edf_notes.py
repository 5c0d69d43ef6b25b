"""Annotations of an EDF+ file: conditions of its samples and what the wearer did."""

import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.bundle.edf_survey import Survey
from pipeline.bundle.recoded import RecodedActivity

LONGEST_TEXT = 80
"""Characters of an annotation: room for the longest is set aside in each record of the file."""


@dataclass(frozen=True, order=True)
class Note:
    """An annotation of the samples [start, stop), counted from the first."""

    start: int
    stop: int
    text: str


def notes_of(found: Survey, activities: Iterable[RecodedActivity], last: int) -> tuple[Note, ...]:
    """All annotations in order of time.

    They lie on samples, not on seconds of the corrected clock: EDF+ knows one unchanging rate alone, and an
    annotation is to stand beside the samples that it is about. `last` is the number of samples, those that
    fill the last record included.
    """
    notes = [
        Note(start, stop, f"condition: {name}") for name, runs in found.runs.items() for start, stop in runs
    ]
    notes += [Note(start, stop, "left out of this dataset") for start, stop in found.left_out]
    if last > found.n_samples:
        notes.append(Note(found.n_samples, last, "after the end of the recording"))
    for activity in activities:
        start, stop = found.at[activity.start_s], found.at[activity.stop_s]
        if start < stop:
            notes.append(Note(start, stop, f"activity: {activity.activity} ({activity.intensity})"))
    return tuple(sorted(notes))


class Lists:
    """The time-stamped annotation list of each record: its own time, then what begins in it.

    Parameters
    ----------
    notes : iterable of Note
        In order of time.
    n_records, n_samples : int
        Records of the file, and samples in each.
    duration_s : float
        Of a record.
    begin_s : float
        By how much the first sample comes after the header's whole second.
    """

    def __init__(
        self, notes: Iterable[Note], n_records: int, n_samples: int, duration_s: float, begin_s: float
    ) -> None:
        self._duration_s, self._begin_s = duration_s, begin_s
        self._entries: defaultdict[int, bytes] = defaultdict(bytes)
        step_s = duration_s / n_samples
        for note in notes:
            onset, lasts = (
                _seconds(begin_s + note.start * step_s),
                _seconds((note.stop - note.start) * step_s),
            )
            entry = b"+%b\x15%b\x14%b\x14\x00" % (onset, lasts, _plain(note.text).encode())
            self._entries[note.start // n_samples] += entry
        stamp = len(f"+{begin_s + n_records * duration_s:.6f}\x14\x14\x00")
        self.longest = stamp + max(map(len, self._entries.values()), default=0)
        """No list has more bytes."""

    def of(self, record: int) -> bytes:
        """The list of one record."""
        stamp = b"+%b\x14\x14\x00" % _seconds(self._begin_s + record * self._duration_s)
        return stamp + self._entries.get(record, b"")


def _seconds(time_s: float) -> bytes:
    """To the microsecond, without an exponent or idle zeros."""
    return f"{time_s:.6f}".rstrip("0").rstrip(".").encode()


def _plain(text: str) -> str:
    """Without characters that would end the annotation, and not too long."""
    printable = "".join(" " if unicodedata.category(char)[0] == "C" else char for char in text)
    return printable if len(printable) <= LONGEST_TEXT else printable[: LONGEST_TEXT - 1] + "…"
