"""The receiving host's time stamps by RFC 3339, a column at a time, as microseconds since 1970 (UTC).

``YYYY-MM-DDThh:mm:ss[.digits](Z|+hh:mm|-hh:mm)``, where a 't' or a blank may stand for the 'T', 'z' for 'Z'
(section 5.6), and where numbers have a decimal comma, that for the '.' (ISO 8601). Digits beyond the
microsecond are cut off. A leap second (23:59:60 in UTC, at the end of a month) is the second that follows it.
``-00:00``, an offset that is not known (4.3), is UTC all the same.

Neighbouring lines mostly share their minute and offset, which are read once for all of them.
"""

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.codes import Text, load_word, read_plain
from pipeline.frames.leftover import Ints

Bools = npt.NDArray[np.bool_]

_SECONDS_AT, _FRACTION_AT = 17, 19
_DECIMALS = 6
_LONGEST = 64
_DIGITS = {"year": (0, 4), "month": (5, 2), "day": (8, 2), "hour": (11, 2), "minute": (14, 2)}
_SIGNS = {4: b"-", 7: b"-", 10: b"Tt ", 13: b":"}
_MONTH_DAYS = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_BEFORE_MONTH = np.array([0, 306, 337, 0, 31, 61, 92, 122, 153, 184, 214, 245, 275])
"""Days from the first of March to the first of each month; January and February belong to the year before."""

_DAYS_TO_1970 = 719_468
"""From the first of March of the year 0 to the first of January 1970."""

_MINUTE_US = 60_000_000


def read_stamps(text: Text, starts: Ints, stops: Ints) -> tuple[Ints, Bools]:
    """Read the fields [start, stop) of a block; blanks around them count as part of them.

    Returns
    -------
    microseconds : int64, shape (n,)
        0 for fields that are no stamps.
    is_stamp : bool, shape (n,)
    """
    size = stops - starts
    good = (size > _FRACTION_AT) & (size <= _LONGEST)
    if good.all():
        return _read(text, starts, stops)
    found, which = np.zeros(len(starts), dtype=np.int64), np.flatnonzero(good)
    found[which], good[which] = _read(text, starts[which], stops[which])
    return found, good


def _read(text: Text, starts: Ints, stops: Ints) -> tuple[Ints, Bools]:
    """Fields of a believable length."""
    last = text.block.take(stops - 1)
    n_zone = np.where((last == ord("Z")) | (last == ord("z")), 1, 6)
    zone_at = stops - n_zone
    eight = np.full(len(starts), 8)
    shared = (
        load_word(text.words, starts, eight, 8),
        load_word(text.words, starts + 8, eight, 8),
        load_word(text.words, zone_at, n_zone, 6),
    )
    begins = np.ones(len(starts), dtype=bool)
    begins[1:] = np.logical_or.reduce([word[1:] != word[:-1] for word in shared])
    first = np.flatnonzero(begins)
    of_first, is_minute = _minutes(text.block, starts[first], zone_at[first], stops[first])
    sizes = np.diff(np.append(first, len(starts)))
    minutes, good = np.repeat(of_first, sizes), np.repeat(is_minute, sizes)
    good &= text.block.take(starts + _SECONDS_AT - 1) == ord(":")
    seconds = _seconds(text, starts, zone_at, good)
    good &= seconds < _MINUTE_US + 1_000_000
    leap = np.flatnonzero(good & (seconds >= _MINUTE_US))
    good[leap] = _begins_a_month(minutes[leap] + 1)
    return np.where(good, minutes * _MINUTE_US + seconds, 0), good


def _seconds(text: Text, starts: Ints, zone_at: Ints, good: Bools) -> Ints:
    """Microseconds of the minute; `good` is cleared where there is no ``ss[.digits]``."""
    point = starts + _FRACTION_AT
    n_decimals = zone_at - point - 1
    sign = text.block.take(point)
    points = (sign == ord(".")) | (sign == ord(text.decimal))
    good &= (n_decimals == -1) | ((n_decimals > 0) & points)
    for i in range(_DECIMALS, int(n_decimals.max(initial=0))):
        good &= (i >= n_decimals) | (text.block.take(point + 1 + i, mode="clip") - np.uint8(48) <= 9)
    seconds = _digits(text.block, starts + _SECONDS_AT, 2, good) * 1_000_000
    kept = np.clip(n_decimals, 0, _DECIMALS)
    for decimals in np.unique(kept).tolist():
        if not decimals:
            continue
        which = slice(None) if kept.min() == kept.max() else np.flatnonzero(kept == decimals)
        begin = point[which] + 1
        # a sign is no digit, though a number may have one
        is_digit = text.block.take(begin) - np.uint8(48) <= 9
        code, odd = read_plain(text, begin, begin + decimals, 0)
        is_digit[odd] = False
        good[which] &= is_digit
        seconds[which] += code * 10 ** (_DECIMALS - decimals)
    return seconds


def _minutes(block: Bytes, starts: Ints, zone_at: Ints, stops: Ints) -> tuple[Ints, Bools]:
    """Minutes since 1970 in UTC, and whether there is such a minute."""
    good = zone_at >= starts + _FRACTION_AT
    for at, signs in _SIGNS.items():
        byte = block.take(starts + at)
        good &= np.logical_or.reduce([byte == sign for sign in signs])
    parts = {name: _digits(block, starts + at, n, good) for name, (at, n) in _DIGITS.items()}
    days = _days(parts["year"], parts["month"], parts["day"], good)
    good &= (parts["hour"] <= 23) & (parts["minute"] <= 59)
    east = _minutes_east(block, zone_at, stops, good)
    return (days * 24 + parts["hour"]) * 60 + parts["minute"] - east, good


def _digits(block: Bytes, at: Ints, n: int, good: Bools) -> Ints:
    """A number of `n` digits at each place; `good` is cleared where there is none."""
    value = np.zeros(len(at), dtype=np.int64)
    for i in range(n):
        digit = block.take(at + i, mode="clip") - np.uint8(48)
        good &= digit <= 9
        value = value * 10 + digit
    return value


def _minutes_east(block: Bytes, zone_at: Ints, stops: Ints, good: Bools) -> Ints:
    """Minutes that local time is ahead of UTC."""
    is_utc = stops - zone_at == 1
    sign, colon = block.take(zone_at), block.take(zone_at + 3, mode="clip")
    fits = ((sign == ord("+")) | (sign == ord("-"))) & (colon == ord(":"))
    hours, minutes = _digits(block, zone_at + 1, 2, fits), _digits(block, zone_at + 4, 2, fits)
    good &= is_utc | (fits & (hours <= 23) & (minutes <= 59))
    return np.where(is_utc, 0, (hours * 60 + minutes) * np.where(sign == ord("-"), -1, 1))


def _days(year: Ints, month: Ints, day: Ints, good: Bools) -> Ints:
    """Days since 1970 in the Gregorian calendar; `good` is cleared where there is no such day."""
    is_leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    good &= (month >= 1) & (month <= 12)
    month = np.where(good, month, 1)
    good &= (day >= 1) & (day <= _MONTH_DAYS[month] + (is_leap & (month == 2)))
    # years that begin in March have their leap day at the end
    year = year - (month <= 2)
    days = year * 365 + year // 4 - year // 100 + year // 400 + _BEFORE_MONTH[month] + day - 1
    return np.asarray(days - _DAYS_TO_1970)


def _begins_a_month(minutes: Ints) -> Bools:
    """Whether a minute is the first one of a month in UTC."""
    stamps = minutes.astype("datetime64[m]")
    return np.asarray(stamps == stamps.astype("datetime64[M]"))
