"""Recordings of one device, or of one participant, at the same time."""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence

from pipeline.crosscheck.matter import MARGIN_S, Entry, Matter, listed, span_words

_REMEDIES = {
    "device": "a device makes one recording at a time: correct started_at or device in sessions.csv",
    "participant": "correct started_at or participant in sessions.csv, unless several were worn at once",
}


def overlaps(entries: Sequence[Entry]) -> Iterator[Matter]:
    """One matter for each row of recordings of which each begins before those before it have ended.

    Recordings that follow each other closely may overlap by the margin of a stated start, but not by half
    of the shorter one. Of one device and one participant they are told once.
    """
    told = set[tuple[str, ...]]()
    for what in ("device", "participant"):
        groups = defaultdict[str, list[Entry]](list)
        for entry in entries:
            if entry.duration_s:
                groups[getattr(entry, what)].append(entry)
        for name, group in groups.items():
            for row, overlap_s in _rows(sorted(group, key=lambda each: each.started_at)):
                sessions = tuple(entry.session for entry in row)
                if sessions in told:
                    continue
                told.add(sessions)
                text = (
                    f"{listed(sessions)}, {'both' if len(row) == 2 else 'all'} of {what} {name}, overlap in "
                    f"time by {span_words(overlap_s)}; {_REMEDIES[what]}."
                )
                yield Matter("overlap", sessions, (), text)


def _rows(group: Sequence[Entry]) -> Iterator[tuple[list[Entry], float]]:
    """Rows of two or more recordings that overlap, in the order of time, and by how much at most."""
    row, most_s = list[Entry](), 0.0
    latest_s, latest_duration_s = -math.inf, 0.0
    for entry in group:
        start_s, duration_s = entry.started_at.timestamp(), entry.duration_s or 0.0
        overlap_s = min(latest_s, start_s + duration_s) - start_s
        if overlap_s > min(MARGIN_S, duration_s / 2, latest_duration_s / 2):
            row, most_s = [*row, entry], max(most_s, overlap_s)
        else:
            if len(row) > 1:
                yield row, most_s
            row, most_s = [entry], 0.0
        if start_s + duration_s > latest_s:
            latest_s, latest_duration_s = start_s + duration_s, duration_s
    if len(row) > 1:
        yield row, most_s
