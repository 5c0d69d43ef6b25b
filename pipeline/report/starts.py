"""When a session began, as its dump states it and in the study's zone, and when clocks were set meanwhile."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


def stated_start(started_at: str) -> datetime | None:
    """The time as stated; None where it is none."""
    try:
        return datetime.fromisoformat(started_at)
    except ValueError:
        return None


def local_start(started_at: str, time_zone: str) -> datetime | None:
    """The time in that zone, or as stated where either lacks one; None where either cannot be understood."""
    try:
        start = datetime.fromisoformat(started_at)
        return start.astimezone(ZoneInfo(time_zone)) if time_zone and start.tzinfo else start
    except (ValueError, ZoneInfoNotFoundError, OSError):
        return None


def clock_time(quality: Mapping[str, Any]) -> dict[str, Any] | None:
    """Seconds since midnight of the first sample where it was worn; None where unknown.

    ``turns`` are [second of the recording, s forward] of each change of the clocks there.
    """
    start = local_start(quality["started_at"], quality.get("time_zone") or "")
    if start is None:
        return None
    second = start.hour * 3600 + start.minute * 60 + start.second + start.microsecond / 1e6
    return {
        "second": second,
        "turns": [list(turn) for turn in clock_turns(start, quality["duration_s"] or 0.0)],
    }


def clock_turns(start: datetime, duration_s: float) -> Iterator[tuple[float, float]]:
    """When clocks are set during a recording: s from its start, and s forward (backward below 0).

    Parameters
    ----------
    start : datetime
        In the zone where it was worn.
    duration_s : float
        Length of the recording, in s.
    """
    zone, began = start.tzinfo, start.timestamp()
    if zone is None:
        return

    def offset_s(at_s: int) -> float:
        return (datetime.fromtimestamp(at_s, UTC).astimezone(zone).utcoffset() or timedelta()).total_seconds()

    last, stop = int(began), began + duration_s
    while last < stop:
        # no zone sets its clocks twice within an hour, and all do it at a whole second
        after = min(last + 3600, int(stop) + 1)
        forward_s = offset_s(after) - offset_s(last)
        if forward_s:
            low, high = last, after
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if offset_s(middle) == offset_s(last) else (low, middle)
            if high < stop:
                yield high - began, forward_s
        last = after


def started_words(started_at: str, time_zone: str, duration_s: float | None = None) -> str:
    """Start of the session in the study's zone, or as given where either cannot be understood.

    Where clocks were set during the recording, that is said. Names such as ``Etc/GMT-1`` are left out: they
    turn the sign round, and the offset says it all.
    """
    local = local_start(started_at, time_zone)
    if local is None or not time_zone or local.tzinfo is None:
        return started_at
    named = "" if time_zone.startswith("Etc/") else f"{time_zone}, "
    told = "".join(
        f"; clocks there went {'forward' if forward_s > 0 else 'back'} by {abs(forward_s) / 60:g} min "
        f"at second {at_s:g} of the recording"
        for at_s, forward_s in clock_turns(local, duration_s or 0.0)
    )
    return f"{local.day} {local:%B %Y, %H:%M:%S} ({named}{_offset_words(local)}{told})"


def _offset_words(moment: datetime) -> str:
    minutes = round((moment.utcoffset() or timedelta()).total_seconds() / 60)
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
