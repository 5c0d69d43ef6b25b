"""A layout of lines of text found from nothing: delimiter, header, kinds of line, what the columns are."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.finder.clocks import rounded, wraps_at
from pipeline.finder.fields import Field
from pipeline.finder.rates import Rates, guessed_rates
from pipeline.finder.text_changes import split
from pipeline.layouts import Channel, Frame, Layout, Part, TextForm

_DELIMITERS = (";", "tab", "|", ",", "blanks")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d*)?|[+-]?[.,]\d+")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(?:\.\d+)?(?:[Zz]|[+-]\d\d:\d\d)")
_LINES = 4000
_FEWEST = 5
_MOST = 0.5
_NEARLY_ALL = 0.9
_GUESSED_HZ = 100.0
_MOST_DECIMALS = 9
_LONGEST_NUMBER = 24
"""No device writes more digits than a number of 64 bits has."""

_WIDEST_BITS = 62


@dataclass(frozen=True)
class _Column:
    """What a column of lines of one kind is."""

    is_: str
    decimals: int = 0
    low: float = 0.0
    high: float = 0.0
    step: float = 0.0
    bits: int = 0


def find_text(head: bytes) -> Layout | None:
    """The layout that most lines have; None where no delimiter parts them into as many columns."""
    lines = [line.strip("\ufeff\0 \r") for line in head.decode("utf-8", errors="replace").splitlines()]
    lines = [line for line in lines[:-1] if line][:_LINES]
    form = _form(lines)
    if form is None:
        return None
    rows = [[word.strip().strip("\"'") for word in split(line, form)] for line in lines]
    names = _header(rows)
    form = replace(form, header=bool(names))
    groups = _groups(rows) if not names else {"": rows}
    comment = "#" if any(line.startswith("#") for line in lines) else ""
    frames, channels, tick_hz = list[Frame](), list[Channel](), 0.0
    for word, mine in groups.items():
        made = _kind(mine, word, names, form, len(channels))
        if made is not None:
            frame, own, ticks = made
            frames.append(frame)
            channels += own
            tick_hz = tick_hz or ticks
    if not frames:
        return None
    hz = max(channel.sample_hz for channel in channels)
    return Layout(
        *("found", "", "text", hz, tick_hz or None, tuple(frames), tuple(channels)),
        replace(form, comment=comment),
        "",
    )


def _form(lines: Sequence[str]) -> TextForm | None:
    """The delimiter by which most lines have the same number of columns, most of them numbers."""
    best, most = None, _FEWEST - 1.0
    for delimiter in _DELIMITERS:
        for decimal in (".", ","):
            form = TextForm(delimiter, decimal)
            if delimiter == decimal:
                continue
            rows = [split(line, form) for line in lines]
            sizes = Counter(len(row) for row in rows if _n_numbers(row, decimal) * 2 >= len(row))
            n = sum(count for size, count in sizes.most_common(4) if size > 1)
            n_columns = sum(size * count for size, count in sizes.items() if size > 1)
            merit = n + 1e-3 * n_columns
            if n >= _FEWEST and merit > most:
                best, most = form, merit
    return best


def _n_numbers(row: Sequence[str], decimal: str) -> int:
    other = "," if decimal == "." else "."
    return sum(_is_value(word) and other not in word for word in (word.strip().strip("\"'") for word in row))


def _is_value(word: str) -> bool:
    return _NUMBER.fullmatch(word) is not None or _INSTANT.fullmatch(word) is not None


def _header(rows: Sequence[Sequence[str]]) -> list[str]:
    """The line of names: as many words as the lines of numbers behind it have, none of them a number."""
    usual, _ = Counter(len(row) for row in rows if any(map(_is_value, row))).most_common(1)[0]
    for row in rows[:50]:
        if len(row) == usual and len(set(row)) == usual and not any(map(_is_value, row)):
            return list(row) if all(re.search(r"\w", word) for word in row) else []
    return []


def _groups(rows: Sequence[Sequence[str]]) -> dict[str, list[list[str]]]:
    """Lines by kind: by a first word that is no number, where a few words stand there; else all together."""
    first = Counter(row[0] for row in rows if row and len(row) > 1 and not _is_value(row[0]))
    known = {word for word, n in first.items() if n >= _FEWEST and word}
    n_of_kinds = sum(first[word] for word in known)
    usual = Counter(len(row) for row in rows).most_common(1)[0][0]
    if known and n_of_kinds > _MOST * len(rows) and len(known) <= 8:
        groups = dict[str, list[list[str]]]()
        for row in rows:
            if row and row[0] in known:
                groups.setdefault(row[0], []).append(list(row))
        return groups
    return {"": [list(row) for row in rows if len(row) == usual]}


def _kind(
    rows: list[list[str]], word: str, names: list[str], form: TextForm, n_before: int
) -> tuple[Frame, list[Channel], float] | None:
    """One kind of line: its frame, its channels and the rate of its ticks."""
    usual = Counter(map(len, rows)).most_common(1)[0][0]
    rows = [row for row in rows if len(row) == usual and row != names]
    columns = [_column([row[i] for row in rows], form.decimal) for i in range(usual)]
    columns = _one_clock_each(columns)
    values = [i for i, column in enumerate(columns) if column.is_ == "value"]
    if len(rows) < _FEWEST or not values:
        return None
    decimals = max(columns[i].decimals for i in values)
    ticks = next((column for column in columns if column.is_ in ("ticks", "received") and column.step), None)
    rates = guessed_rates((Field("ticks", 0, 4, "little", 0.0, ticks.step),), 1) if ticks else None
    instants = next((column for column in columns if column.is_ == "instant" and column.step), None)
    if rates is None and instants:
        rates = Rates(rounded(1e6 / instants.step))
    parts, channels = list[Part](), list[Channel]()
    hz = rates.sample_hz if rates and rates.sample_hz else _GUESSED_HZ
    for i, column in enumerate(columns):
        own = (names[i],) if names else ()
        if i == 0 and word:
            parts.append(Part("kind", count=1, value=word))
        elif column.is_ == "value":
            channel = _channel(n_before + len(channels) + 1, own, column, decimals, hz)
            channels.append(channel)
            previous = parts[-1] if parts else None
            if previous is not None and previous.is_ == "samples":
                joined = (*previous.channels, channel.name)
                parts[-1] = replace(previous, channels=joined, columns=(*previous.columns, *own))
            else:
                parts.append(
                    Part("samples", count=1, channels=(channel.name,), columns=own, decimals=decimals)
                )
        else:
            parts.append(_counter(column, own, rates.tick_hz if rates else 0.0))
    parts = _together(parts) if names else parts
    tick_hz = rates.tick_hz if rates and any(part.is_ == "ticks" for part in parts) else 0.0
    return Frame(f"lines {word}" if word else "line", tuple(parts), 4096), channels, tick_hz


def _together(parts: list[Part]) -> list[Part]:
    """With names, columns of samples need not stand beside one another: one part holds them all."""
    samples = [part for part in parts if part.is_ == "samples"]
    names = tuple(name for part in samples for name in part.channels)
    columns = tuple(column for part in samples for column in part.columns)
    whole = replace(samples[0], channels=names, columns=columns)
    return [*(part for part in parts if part.is_ not in ("samples", "ignored")), whole]


def _counter(column: _Column, own: tuple[str, ...], tick_hz: float) -> Part:
    if column.is_ == "instant":
        return Part("received", count=1, columns=own, hz=1e6, epoch_s=0.0, stamp="rfc3339")
    if column.is_ == "received":
        return Part("received", count=1, columns=own, hz=tick_hz or 1000.0, decimals=column.decimals)
    if column.is_ in ("sequence", "ticks"):
        hz = tick_hz if column.is_ == "ticks" else 0.0
        return Part(column.is_, count=1, columns=own, wraps_at_bits=column.bits, hz=hz)  # type: ignore[arg-type]
    return Part("ignored", count=1, columns=own)


def _column(words: Sequence[str], decimal: str) -> _Column:
    """What a column is, by its words."""
    if sum(_INSTANT.fullmatch(word) is not None for word in words) > _NEARLY_ALL * len(words):
        return _Column("instant", step=_step_of_instants(words))
    numbers = (word for word in words if len(word) <= _LONGEST_NUMBER and _NUMBER.fullmatch(word))
    plain = [word.replace(decimal, ".") for word in numbers]
    if len(plain) < _NEARLY_ALL * len(words):
        return _Column("other")
    decimals = max(len(word.partition(".")[2]) for word in plain)
    values = np.array([float(word) for word in plain])
    whole = decimals == 0 and float(np.abs(values).max()) < 2**53 and bool((values >= 0).all())
    if whole:
        counted = values.astype(np.int64)
        bits = wraps_at(counted)
        steps = np.diff(counted) % (1 << bits) if bits else np.diff(counted)
        if len(steps) and float((steps == 1).mean()) > _MOST:
            return _Column("sequence", bits=bits)
        usual = float(np.median(steps)) if len(steps) else 0.0
        near = np.abs(steps - usual) <= max(0.45 * usual, 1)
        if usual >= 2 and float(near.mean()) > _NEARLY_ALL:
            return _Column("ticks", step=float(steps[near].mean()), bits=bits)
    steps_s = np.diff(values)
    if decimals and len(steps_s) and float((steps_s > 0).mean()) > _NEARLY_ALL:
        return _Column("received", decimals, step=float(np.median(steps_s)) * 10**decimals)
    return _Column("value", min(decimals, _MOST_DECIMALS), float(values.min()), float(values.max()))


def _step_of_instants(words: Sequence[str]) -> float:
    """Microseconds from one instant to the next, as most are apart; 0 where that cannot be told."""
    instants = [word for word in words if _INSTANT.fullmatch(word)]
    plain = [word[:10] + "T" + re.sub(r"(?:[Zz]|[+-]\d\d:\d\d)$", "", word[11:]) for word in instants]
    try:
        times = np.array(plain, dtype="datetime64[us]")
    except ValueError:
        return 0.0
    return float(np.median(np.diff(times.astype(np.int64)))) if len(times) > 1 else 0.0


def _one_clock_each(columns: list[_Column]) -> list[_Column]:
    """A second counter of the same sort counts for nothing; a second clock for the receiver's."""
    seen, kept = set[str](), list[_Column]()
    for column in columns:
        is_ = "received" if column.is_ == "instant" else column.is_
        if is_ in ("sequence", "ticks", "received"):
            if is_ == "ticks" and "ticks" in seen and "received" not in seen:
                column, is_ = replace(column, is_="received"), "received"
            elif is_ in seen:
                column = _Column("other")
            seen.add(is_)
        kept.append(column)
    return kept


def _channel(n: int, own: tuple[str, ...], column: _Column, decimals: int, hz: float) -> Channel:
    """A channel named as its column is, with end codes beyond what was seen."""
    name = re.sub(r"\W+", "_", own[0].lower()).strip("_") if own else ""
    if not re.fullmatch(r"(?!(?:sample|time_s|quality)$)[a-z][a-z0-9_]{0,39}", name):
        name = f"channel_{n}"
    most = 2 * max(abs(column.low), abs(column.high)) * 10**decimals
    bits = min(max(int(most).bit_length(), 12), _WIDEST_BITS)
    return Channel(name, "other", "1", 1.0, 0.0, rounded(hz), -(1 << bits), (1 << bits) - 1)
