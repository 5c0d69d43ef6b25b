"""When a session began, as its dump states it and in the study's zone."""

from datetime import datetime, timedelta
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


def started_words(started_at: str, time_zone: str) -> str:
    """Start of the session in the study's zone, or as given where either cannot be understood.

    Names such as ``Etc/GMT-1`` are left out: they turn the sign round, and the offset says it all.
    """
    local = local_start(started_at, time_zone)
    if local is None or not time_zone or local.tzinfo is None:
        return started_at
    named = "" if time_zone.startswith("Etc/") else f"{time_zone}, "
    return f"{local.day} {local:%B %Y, %H:%M:%S} ({named}{_offset_words(local)})"


def _offset_words(moment: datetime) -> str:
    minutes = round((moment.utcoffset() or timedelta()).total_seconds() / 60)
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
