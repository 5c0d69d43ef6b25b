"""Time stamps by RFC 3339, "Date and Time on the Internet: Timestamps", section 5.6."""

import re
from datetime import UTC, datetime, timedelta, timezone

_STAMP = re.compile(
    r"(?P<date>\d{4}-\d{2}-\d{2})[Tt ](?P<hour>\d{2}):(?P<minute>\d{2}):(?P<second>\d{2})(?P<fraction>\.\d+)?"
    r"(?P<offset>[Zz]|[+-]\d{2}:\d{2})?",
    re.ASCII,
)
_EXAMPLE = "2026-03-02T09:30:00+00:00"


class StampError(ValueError):
    """Raised for what is no time stamp; says what was found and what to do."""

    def __init__(self, found: str, remedy: str) -> None:
        self.found = found
        self.remedy = remedy
        super().__init__(f"{found}. {remedy}")


def parse_stamp(text: str) -> datetime:
    """Read a time stamp; a leap second (23:59:60 in UTC) becomes the second that follows it.

    Parameters
    ----------
    text : str
        Such as ``1985-04-12T23:20:50.52Z``. Digits beyond the microsecond are cut off.

    Returns
    -------
    datetime
        Aware, with the offset as written.

    Raises
    ------
    StampError
        Where the text is no such stamp, or no such time exists.
    """
    match = _STAMP.fullmatch(text)
    if not match:
        raise StampError(repr(text), f"Write it such as {_EXAMPLE}.")
    offset = match["offset"]
    if offset is None:
        remedy = f"Add the offset from UTC that held there: {text}+01:00, or {text}Z for UTC."
        raise StampError(f"'{text}', without an offset", remedy)
    if offset == "-00:00":
        found = f"'{text}', whose -00:00 says that the offset is unknown"
        raise StampError(found, "Write the offset that held there; +00:00 or Z for UTC.")
    try:
        return _made(match)
    except (ValueError, OverflowError) as error:
        raise StampError(f"'{text}' ({error})", "Correct the date, the time or the offset.") from None


def _made(match: re.Match[str]) -> datetime:
    leap = match["second"] == "60"
    second = "59" if leap else match["second"]
    local = datetime.fromisoformat(f"{match['date']}T{match['hour']}:{match['minute']}:{second}")
    microsecond = int(((match["fraction"] or ".")[1:] + "000000")[:6])
    stamp = local.replace(microsecond=microsecond, tzinfo=_zone(match["offset"]))
    utc = stamp.astimezone(UTC)
    if leap:
        stamp += timedelta(seconds=1)
        after = utc + timedelta(seconds=1)
        if (after.day, after.hour, after.minute) != (1, 0, 0):
            raise ValueError("second 60 exists only as 23:59:60 UTC at the end of a month")
    return stamp


def _zone(offset: str) -> timezone:
    if offset in ("Z", "z"):
        return UTC
    hours, minutes = int(offset[1:3]), int(offset[4:6])
    if hours > 23 or minutes > 59:
        raise ValueError("an offset ends at 23:59")
    size = timedelta(hours=hours, minutes=minutes)
    return timezone(-size if offset[0] == "-" else size)
