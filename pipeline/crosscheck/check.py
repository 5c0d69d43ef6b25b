"""The checks across a study, each by itself."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import PurePosixPath

from pipeline.crosscheck.matter import MARGIN_S, Entry, Matter, listed, span_words
from pipeline.crosscheck.overlaps import overlaps

_QUARTER_S = 900
"""Offsets from UTC are whole quarters of an hour (IANA time zone database, zones in use today)."""

_LARGEST_OFFSET_S = 14 * 3600


def check_study(entries: Sequence[Entry], files: Iterable[str]) -> tuple[Matter, ...]:
    """Find what does not fit together across the sessions of a study.

    Parameters
    ----------
    entries : sequence of Entry
        One for each session, in the order of the table.
    files : iterable of str
        Paths in the study of the files that lie where dumps lie, claimed or not.

    Returns
    -------
    tuple of Matter
        Dumps that two sessions share, starts that contradict each other, recordings at the same time, and
        files of no session, in this order.
    """
    shared = tuple(_shared_dumps(entries))
    together = {frozenset(matter.sessions) for matter in shared}
    return (
        *shared,
        *_starts(entries),
        *(matter for matter in overlaps(entries) if frozenset(matter.sessions) not in together),
        *_unclaimed(entries, files),
    )


def _shared_dumps(entries: Sequence[Entry]) -> Iterator[Matter]:
    """One matter for each dump, by its path or its bytes, that several sessions name."""
    content = dict[str, str]()
    for entry in entries:
        for path, digest in zip(entry.dumps, entry.sha256, strict=True):
            content[path] = digest or content.get(path, "")
    claims = defaultdict[str, list[tuple[str, str]]](list)
    for entry in entries:
        for path in entry.dumps:
            claims[content[path] or path].append((entry.session, path))
    for claimed in claims.values():
        sessions = tuple(dict.fromkeys(session for session, _ in claimed))
        paths = tuple(dict.fromkeys(path for _, path in claimed))
        if len(sessions) < 2:
            continue
        if len(paths) == 1:
            text = (
                f"{listed(sessions)} name the same dump, {paths[0]}; find out whose recording it is, and "
                "remove it from the others in sessions.csv."
            )
        else:
            text = (
                f"{listed([f'{path} of {session}' for session, path in claimed])} hold the same bytes under "
                "different names; find out whose recording it is, and give the others their own dump."
            )
        yield Matter("shared_dump", sessions, paths, text)


def _starts(entries: Iterable[Entry]) -> Iterator[Matter]:
    """One matter for each start that a dump states by more than the margin off the table's."""
    for entry in entries:
        for stated in entry.stated:
            off_s = (stated.start - entry.started_at).total_seconds()
            if abs(off_s) <= MARGIN_S:
                continue
            text = (
                f"{entry.session} starts at {_moment(entry.started_at, entry)} by sessions.csv, but at "
                f"{_moment(stated.start, entry)} by {stated.by}, {span_words(off_s)} "
                f"{'later' if off_s > 0 else 'earlier'}{_zone_words(off_s)}; correct started_at, or set that "
                "clock before the next recording."
            )
            yield Matter("start", (entry.session,), (), text)


def _moment(moment: datetime, entry: Entry) -> str:
    """A moment by RFC 3339 with the offset of the session's start, where the calendar has it there."""
    with suppress(OverflowError):
        moment = moment.astimezone(entry.started_at.tzinfo)
    return moment.isoformat(sep=" ", timespec="seconds")


def _zone_words(off_s: float) -> str:
    """What a difference of about a whole number of quarters of an hour looks like."""
    quarters_s = round(off_s / _QUARTER_S) * _QUARTER_S
    if 0 < abs(quarters_s) <= _LARGEST_OFFSET_S and abs(off_s - quarters_s) <= MARGIN_S:
        return ", as if one of the two were in another time zone"
    return ""


def _unclaimed(entries: Iterable[Entry], files: Iterable[str]) -> Iterator[Matter]:
    """One matter for each folder with files that no session names."""
    claimed = {path for entry in entries for path in entry.dumps}
    by_folder = defaultdict[str, list[str]](list)
    for path in files:
        if path not in claimed:
            by_folder[str(PurePosixPath(path).parent)].append(path)
    for folder, paths in sorted(by_folder.items()):
        names = listed([PurePosixPath(path).name for path in paths])
        where = "the study folder" if folder == "." else f"{folder}/"
        one = len(paths) == 1
        text = (
            f"{names} in {where} {'is' if one else 'are'} of no session; add "
            f"{'it' if one else 'them'} to sessions.csv, or move {'it' if one else 'them'} elsewhere."
        )
        yield Matter("unclaimed", (), tuple(paths), text)
