"""Numbers, times and verdicts as people read them."""

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from schemas.conditions import CONDITIONS
from schemas.measures import BY_NAME

THIN = "\u202f"
"""Narrow no-break space: between groups of digits, and between number and unit (ISO 80000-1:2022, 7.1)."""


@dataclass(frozen=True)
class VerdictWords:
    """How pages call a verdict. ``rank`` orders by what needs looking at, 0 first."""

    plain: str
    symbol: str
    rank: int


VERDICTS: Mapping[str, VerdictWords] = {
    "unreadable": VerdictWords("could not be read", "unreadable", 0),
    "reject": VerdictWords("do not use", "reject", 1),
    "accept_in_part": VerdictWords("use in part", "part", 2),
    "accept": VerdictWords("can be used", "accept", 3),
}

CONDITION_WORDS: Mapping[str, str] = {
    "lost": "lost",
    "saturated": "at a rail",
    "settling": "settling",
    "mains": "mains above limit",
    "contact_loss": "electrode off",
    "stuck": "stuck",
    "low_coupling": "tied to ground",
    "uncorroborated": "field without movement",
}

CLOCK_WORDS: Mapping[str, str] = {
    "ticks": "the device's own ticks",
    "nominal": "the nominal rate alone; the dump carries no clock",
    "receiver": "the receiver's time stamps",
}

_SHORT: Mapping[str, str] = {
    "mains_fraction": "mains",
    "saturated_fraction": "rail",
    "damaged_fraction": "damage to the dump",
    "gravity_m_s2": "gravity",
    "noise_v": "noise",
    "mains_rms_v": "mains, rms",
    "mains_peak_v": "mains, peak",
}
"""Names of measures where room is scarce; the others are their titles."""

_PRESENT = "the lane shows the share of the whole recording, lost samples included"
COVERS: Mapping[str, str] = {
    "saturated_fraction": _PRESENT,
    "settling_fraction": _PRESENT,
    "contact_loss_fraction": _PRESENT,
    "stuck_fraction": _PRESENT,
    "mains_fraction": "counts only time with the electrode on; the lane shows all stretches above the limit",
    "mains_rms_v": "only time with the electrode on; the table of mains lines covers the whole recording",
    "mains_peak_v": "only time with the electrode on; the table of mains lines covers the whole recording",
}
"""Which stretches a measure covers, where a lane or a table of the page covers others."""

_UNITS = {
    "1": "",
    "[ppm]": "ppm",
    "m/s2": "m/s²",
    "m[g]": "milli-g",
    "[g]": "g (gravity)",
    "Cel": "°C",
    "deg": "°",
    "%": "%",
}
_PRINTED = r"%|ppm|\[ppm\]|dB|[kM]?Hz|[µumn]?[VATs]|min|h|m/s2|m/s²|m\[g\]|m?g|counts?|bytes?"
_TORN = re.compile(rf"(\d) ({_PRINTED})(?=[\s,;:)]|\.(?:\s|$)|$)")
_LIMIT = re.compile(rf"([\d.,]+) ({_PRINTED}) \(limit ([\d.,]+)\)")
_SECONDS = re.compile(rf"(?<![\d.])(\d{{2,}}(?:\.\d+)?)[ {THIN}]s\b")
_BELOW_ZERO = re.compile(r"(?<![^\s(])-(?=\d)")
_UNIT_OF_NAME = re.compile(r"_(s|v|hz|ppm|m_s2|v_per_s|fraction)$")
_NAME = re.compile(r"\b[a-z0-9]+(?:_[a-z0-9]+)+\b")
_UNSEEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")
_FROM_RIGHT = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff\U00010800-\U00010fff\U0001e800-\U0001efff]"
)
_PREFIXED = ("V", "A", "T")
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))


def visible(text: str) -> str:
    """`text` such that nothing in it moves or hides what stands beside it on a page.

    Control characters, and those that turn the direction of writing, show as U+FFFD; words that are written
    from the right are isolated (Unicode Standard Annex 9, 2.4).
    """
    if text.isascii() and text.isprintable():
        return text
    text = _UNSEEN.sub("\ufffd", text)
    return f"\u2068{text}\u2069" if _FROM_RIGHT.search(text) else text


def unit_words(unit: str) -> str:
    """A UCUM code as it is printed."""
    return _UNITS.get(unit, unit)


def prefix_for(largest: float, unit: str) -> tuple[float, str]:
    """Factor and printed unit so that `largest` (in `unit`) has one to three digits before the point."""
    if unit not in _PREFIXED or not largest > 0 or not math.isfinite(largest):
        return 1.0, unit_words(unit)
    for factor, prefix in _PREFIXES:
        if largest >= factor * 0.9995:
            return factor, prefix + unit
    return _PREFIXES[-1][0], _PREFIXES[-1][1] + unit


def one_line(text: str) -> str:
    """Text for a file that people open: one line, plain blanks, no character that steers a terminal."""
    plain = "".join(" " if unicodedata.category(sign) == "Cc" else sign for sign in text.replace(THIN, " "))
    return " ".join(plain.split())


def number(value: float, digits: int = 3) -> str:
    """`value` to that many significant digits, never in powers of ten; all digits before the point stay."""
    if not math.isfinite(value):
        return "not a number" if math.isnan(value) else "infinite"
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    if decimals > 9:
        return f"{value:.{digits - 1}e}"
    text = f"{value:,.{decimals}f}".replace(",", THIN).replace("-", "\u2212")
    return text.rstrip("0").rstrip(".") if "." in text else text


def share(fraction: float | None) -> str:
    """A fraction as per cent; what is neither nothing nor all never reads as 0 % or 100 %."""
    if fraction is None or not math.isfinite(fraction):
        return "–"
    if 0 < fraction < 0.0001:
        return f"<{THIN}0.01{THIN}%"
    if 0.9999 < fraction < 1:
        return f">{THIN}99.99{THIN}%"
    percent = fraction * 100
    decimals = 2 if percent < 1 or 99 < percent < 100 else 1
    return f"{percent:.{decimals}f}".rstrip("0").rstrip(".") + f"{THIN}%"


def percent(fraction: float, digits: int = 3) -> str:
    """A fraction as per cent to that many significant digits; of measured shares :func:`share` is read."""
    return f"{number(fraction * 100, digits)}{THIN}%"


def count(value: float | None) -> str:
    """A whole number with its digits in groups of three."""
    return "–" if value is None else f"{int(value):,}".replace(",", THIN)


def counted(n: int, one: str, many: str = "") -> str:
    """A number of things: '1 session', '2 sessions'."""
    return f"{count(n)} {one if n == 1 else many or one + 's'}"


def span_words(seconds: float | None) -> str:
    """A length of time: '12.3 s', '4 min 10 s', '1 h 2 min'."""
    if seconds is None or not math.isfinite(seconds):
        return "–"
    if seconds < 59.95:
        return f"{number(seconds)}{THIN}s"
    hours, minutes, rest = _of_clock(round(seconds))
    parts = [(hours, "h"), (minutes, "min")] if hours else [(minutes, "min"), (rest, "s")]
    return " ".join(f"{n}{THIN}{unit}" for n, unit in parts if n)


def in_steps(parts_s: Sequence[float]) -> tuple[int, list[int]]:
    """Parts of a time in whole steps, and how many of these are a second; their sum is that of the parts.

    To whole seconds, or tenths below a minute: steps left over go to the parts that lost most in rounding.
    """
    per_s = 1 if sum(parts_s) >= 59.95 else 10
    exact = [part * per_s for part in parts_s]
    return per_s, shared_out(exact, round(math.fsum(exact)))


def shared_out(exact: Sequence[float], total: int) -> list[int]:
    """Whole numbers for parts, with that total, which is less than a step from their sum."""
    whole = [math.floor(part) for part in exact]
    by_loss = sorted(range(len(exact)), key=lambda i: (whole[i] - exact[i], i))
    for i in by_loss[: max(total - sum(whole), 0)]:
        whole[i] += 1
    return whole


def steps_words(n: int, per_s: int) -> str:
    """`n` steps of a second in full: '1 h 2 min 3 s', '12.3 s'; no part of it is rounded away."""
    if per_s > 1:
        return f"{number(n / per_s, 4)}{THIN}s"
    parts = zip(_of_clock(n), ("h", "min", "s"), strict=True)
    return " ".join(f"{value}{THIN}{unit}" for value, unit in parts if value) or f"0{THIN}s"


def _of_clock(seconds: int) -> tuple[int, int, int]:
    """Hours, minutes and seconds."""
    return seconds // 3600, seconds % 3600 // 60, seconds % 60


def clock(seconds: float, decimals: int = 0) -> str:
    """A point in time from the first sample: '4:05', '1:04:05', with decimals '4:05.2'."""
    if not math.isfinite(seconds):
        return "–"
    ticks = round(abs(seconds) * 10**decimals)
    whole, part = divmod(ticks, 10**decimals)
    hours, minutes, rest = _of_clock(whole)
    text = f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"
    sign = "\u2212" if seconds < 0 and ticks else ""
    return sign + text + (f".{part:0{decimals}d}" if decimals else "")


def amount(value: float | None, unit: str, name: str = "") -> str:
    """A value with its unit, as the measure of that name is read."""
    if value is None:
        return "–"
    if unit == "1" and name.endswith(("fraction", "probability")):
        return share(value)
    if unit == "s":
        return span_words(value)
    factor, printed = prefix_for(abs(value), unit)
    digits = 2 if "uncertainty" in name or "spread" in name else 5 if unit == "Hz" and abs(value) >= 10 else 3
    return f"{number(value / factor, digits)}{THIN}{printed}".rstrip(THIN)


def line_words(line: Mapping[str, Any], with_verdict: bool = True) -> str:
    """What a mains line is and where it appears, as '60 Hz folds to 30 Hz'."""
    true_hz, folded_hz = _line_hz(line)
    text = f"{number(true_hz, 5)} Hz" + (f" folds to {number(folded_hz, 4)} Hz" if folds(line) else "")
    return text if line["assessable"] or not with_verdict else f"{text}, not assessable"


def place_words(lines: Sequence[Mapping[str, Any]]) -> str:
    """The mains lines that appear at one place: '50 Hz, and 200 Hz folded'."""
    if len(lines) == 1:
        return line_words(lines[0])
    both = sorted({_line_hz(line) for line in lines})
    folded_hz = _line_hz(lines[0])[1]
    own = [hz for hz, place_hz in both if abs(hz - place_hz) <= 0.01]
    others = [number(hz, 5) for hz, place_hz in both if abs(hz - place_hz) > 0.01]
    here = " and ".join(others) if len(others) < 3 else f"{others[0]}, {others[1]} … {others[-1]}"
    if not own:
        text = f"{here} Hz fold{'s' if len(others) == 1 else ''} to {number(folded_hz, 4)} Hz"
    else:
        text = f"{number(own[0], 5)} Hz" + (f", {here} Hz folded" if others else "")
    return text if any(line["assessable"] for line in lines) else f"{text}, not assessable"


def folds(line: Mapping[str, Any]) -> bool:
    """Whether a mains line appears elsewhere than where it is."""
    true_hz, folded_hz = _line_hz(line)
    return abs(true_hz - folded_hz) > 0.01


def _line_hz(line: Mapping[str, Any]) -> tuple[float, float]:
    return float(line["nominal_hz"]) * int(line["harmonic"]), round(float(line["folded_hz"]), 3)


def is_analysed(quality: Mapping[str, Any]) -> bool:
    """Whether any of the session is used."""
    return quality["verdict"] in ("accept", "accept_in_part")


def not_assessed(quality: Mapping[str, Any]) -> list[str]:
    """Measures that have a limit but no value, each once; of a file that does not list them too."""
    lacking = [m["name"] for m in quality["measures"] if m["limit"] is not None and m["value"] is None]
    return list(dict.fromkeys(quality.get("not_assessed", lacking)))


def measure_title(name: str) -> str:
    """What pages call the measure or condition of that name."""
    if name in BY_NAME:
        return BY_NAME[name].title
    plain = VERDICTS[name].plain if name in VERDICTS else name.replace("_", " ")
    return upper_first(CONDITION_WORDS.get(name, plain))


def short_title(name: str) -> str:
    """The measure or detector of that name in a word or two, for use within a line."""
    if name in _SHORT:
        return _SHORT[name]
    if name in BY_NAME:
        return lower_first(BY_NAME[name].title)
    return "mains" if name == "mains" else CONDITION_WORDS.get(name, name.replace("_", " "))


def value_title(measure: str) -> str:
    """What the value of a finding is: a measure's title, or its name without the unit."""
    return short_title(measure) if measure in BY_NAME else _UNIT_OF_NAME.sub("", measure).replace("_", " ")


def joined(text: str) -> str:
    """A sentence whose numbers keep their units, with no line break between, and its minus signs."""
    text = _LIMIT.sub(r"\g<1> \g<2> (limit \g<3> \g<2>)", text)
    text = _BELOW_ZERO.sub("\u2212", text)
    return _TORN.sub(lambda match: f"{match[1]}{THIN}{unit_words(match[2])}", text)


def timed(text: str) -> str:
    """A sentence of a verdict as :func:`joined`, whose times from a minute on are in minutes and hours."""
    return _SECONDS.sub(
        lambda match: match[0] if float(match[1]) < 60 else span_words(float(match[1])), joined(text)
    )


def absence(why: str | None) -> str:
    """Why a measure has no value, in words."""
    if not why:
        return "not assessed"
    return why if why.startswith("not ass") else f"not assessed: {why}"


def by_titles(text: str) -> str:
    """A description with other measures called as the page calls them."""
    return _NAME.sub(lambda match: f"‘{BY_NAME[match[0]].title}’" if match[0] in BY_NAME else match[0], text)


def upper_first(text: str) -> str:
    """A clause as a sentence of its own."""
    return text[:1].upper() + text[1:]


def lower_first(text: str) -> str:
    """A title for use within a line."""
    return text[:1].lower() + text[1:]


def split_sentence(sentence: str, verdict: str) -> tuple[str, str]:
    """The verdict's words and what follows them, so that no page says them twice."""
    plain = VERDICTS[verdict].plain
    if sentence.lower().startswith(plain):
        return sentence[: len(plain)], sentence[len(plain) :].lstrip(":;,. ")
    return upper_first(plain), sentence


def intervals_words(intervals: Sequence[Sequence[float]], duration_s: float, at_most: int = 8) -> str:
    """Intervals in one line, as '0:00–1:01 and 1:20–2:30'; short recordings with tenths."""
    decimals = 1 if duration_s < 120 else 0
    spelled = [f"{clock(start, decimals)}–{clock(stop, decimals)}" for start, stop in intervals]
    if not spelled:
        return "nothing"
    if len(spelled) > at_most:
        return ", ".join(spelled[:at_most]) + f" and {len(spelled) - at_most} more"
    return listed(spelled)


def listed(items: Sequence[str]) -> str:
    """Words one after the other, as 'a, b and c'."""
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def is_mains_all_off(quality: Mapping[str, Any]) -> bool:
    """Whether mains was above its limit only while the electrode was off, where it counts against nothing."""
    seconds = [quality["conditions"].get(name, {}).get("seconds") or 0 for name in ("mains", "contact_loss")]
    counted = [m["value"] for m in quality["measures"] if m["name"] == "mains_fraction"]
    return all(seconds) and bool(counted) and not any(counted)


def condition_title(name: str, quality: Mapping[str, Any]) -> str:
    """What pages of that session call a condition."""
    if name == "mains" and is_mains_all_off(quality):
        return "mains while the electrode is off"
    return CONDITION_WORDS[name]


def conditions_words(quality: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The conditions that occur in a session, in the order of their bits, with seconds and share."""
    conditions = quality["conditions"]
    return [
        {
            "name": condition.name,
            "words": condition_title(condition.name, quality),
            "description": condition.description,
            "fault": condition.fault,
            "seconds": float(conditions[condition.name].get("seconds") or 0),
            "fraction": conditions[condition.name].get("fraction"),
        }
        for condition in CONDITIONS
        if condition.name in conditions and conditions[condition.name].get("samples")
    ]
