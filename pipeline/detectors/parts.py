"""Long recordings part by part: memory is that of half a day, whatever the length.

Of each second all detectors together hold 3 kB. A recording of more than half a day is therefore cut where
nothing is lost, each part is examined by itself, against what is usual in it, and the results become one by
the rules of :data:`schemas.measures.IN_PARTS`.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.detectors.evidence import Conversion, Logged
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.lines import Line
from pipeline.detectors.lost import not_covered
from pipeline.detectors.tracks import Settings
from pipeline.layouts import Channel
from pipeline.recording import Recording
from schemas.measures import BY_NAME

PART_S, FEW_CHANNELS = 43_200.0, 4
"""Longest part of a recording with so many channels of the field; with more of them it is shorter."""

CLEAR_S, SEARCHED_S, SEARCHED_ROWS = 5.0, 600.0, 1 << 20
"""How far from a cut nothing is lost or at an end of the range, and how far such a place is looked for."""


@dataclass(frozen=True)
class Part:
    """A part of a session: rows [start, stop) of each of its recordings, the main one first."""

    rows: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class _Entry:
    """An entry of the activity log, as far as it lies in a part."""

    start_s: float
    stop_s: float
    activity: str
    intensity: str


# ---- where to cut ----------------------------------------------------------------------------------------


def parts_of(recordings: Sequence[Recording], conversion: Conversion, part_s: float = PART_S) -> list[Part]:
    """Parts of about equal length, at most `part_s` and a little; one for a recording that is no longer.

    Parameters
    ----------
    recordings : sequence of Recording
        All of a session, the main one, which is as long as the session, first.
    conversion : Conversion
        Of the main recording: no cut beside a pause or a restart.
    """
    main = recordings[0]
    n_field = sum(len(recording.of_kind("field")) for recording in recordings)
    most = part_s * main.sample_hz * min(1.0, FEW_CHANNELS / max(n_field, 1))
    n_parts = max(1, math.ceil(main.n_rows / most))
    targets = [main.n_rows * i // n_parts for i in range(1, n_parts)]
    cuts = [_clear_row(main, target, conversion) for target in targets]
    cuts_s = np.array([main.at_s(cut) for cut in cuts])
    edges = [(0, *cuts, main.n_rows)]
    edges += [(0, *other.rows_at(cuts_s).tolist(), other.n_rows) for other in recordings[1:]]
    return [Part(tuple(own[i : i + 2] for own in edges)) for i in range(n_parts)]  # type: ignore[misc]


def _clear_row(recording: Recording, near: int, conversion: Conversion) -> int:
    """The row from `near` on around which all goes on: else the first that lies in no gap, else `near`."""
    reach = max(1, round(CLEAR_S * recording.sample_hz))
    start = max(near - reach, 0)
    n_searched = max(min(round(SEARCHED_S * recording.sample_hz), SEARCHED_ROWS), 2 * reach)
    stop = min(near + n_searched, recording.n_rows)
    columns = recording.read([channel.name for channel in recording.channels], start, stop)
    lost, away = _disturbed(columns, recording.channels)
    for row, *_ in (*conversion.restarts, *conversion.breaks, *conversion.steps):
        if start <= row < stop:
            lost[row - start] = True
    until = np.concatenate(([0], np.cumsum(lost | away)))
    whole = np.flatnonzero(until[2 * reach :] == until[: -2 * reach]) + reach
    if len(whole):
        return start + int(whole[0])
    between = np.flatnonzero(~lost[1:] & ~lost[:-1]) + 1
    between = between[between >= near - start]
    return start + int(between[0]) if len(between) else near


def _disturbed(
    columns: dict[str, npt.NDArray[np.float64]], channels: Sequence[Channel]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Rows that are lost in any channel, and those at an end of the range of a channel of the field."""
    lost = np.logical_or.reduce([np.isnan(values) for values in columns.values()])
    away = np.zeros(len(lost), bool)
    for channel in channels:
        if channel.kind == "field":
            slack, values = 0.5 * abs(channel.scale), columns[channel.name]
            away |= (values <= channel.adc_low + slack) | (values >= channel.adc_high - slack)
    return lost, away


def entries_in(
    activities: Sequence[Logged], main: Recording, is_first: bool, is_last: bool
) -> tuple[Logged, ...]:
    """The entries of the log that lie in a part, cut at its ends, not at those of the session."""
    low_s, high_s = -math.inf if is_first else main.start_s, math.inf if is_last else main.stop_s
    return tuple(
        _Entry(max(entry.start_s, low_s), min(entry.stop_s, high_s), entry.activity, entry.intensity)
        for entry in activities
        if entry.start_s < high_s and entry.stop_s > low_s
    )


# ---- what was found in all of them -----------------------------------------------------------------------


def united(
    parts: Sequence[Part],
    found: Sequence[Sequence[Detected]],
    recordings: Sequence[Recording],
    settings: Settings,
) -> tuple[Detected, ...]:
    """What was found in the parts as what was found in the recordings; one result for each of them."""
    main = recordings[0]
    results = []
    for i, recording in enumerate(recordings):
        rows = [part.rows[i] for part in parts]
        one = _united(rows, [own[i] for own in found], recording.sample_hz)
        lost = one.marks.get("lost", Spans()).pairs()
        cuts = [start for start, _ in rows[1:]]
        across = [stop - start for start, stop in lost if any(start < cut < stop for cut in cuts)]
        apart = not_covered(main, recording, settings["dropout.note_gap_s"])
        away = int((apart.stop - apart.start).max(initial=0))
        longest_s = max(max(across, default=0) / recording.sample_hz, away / main.sample_hz)
        results.append(replace(one, measures=tuple(_at_least(m, longest_s) for m in one.measures)))
    return tuple(results)


def _at_least(measure: Measure, longest_s: float) -> Measure:
    """A longest gap that a cut went through is as long as all of it."""
    if measure.name != "longest_gap_s" or (measure.value or 0.0) >= longest_s:
        return measure
    return replace(measure, value=longest_s)


def _united(rows: Sequence[tuple[int, int]], found: Sequence[Detected], sample_hz: float) -> Detected:
    names = sorted({name for one in found for name in one.marks})
    shifted = [
        {name: Spans(spans.start + start, spans.stop + start) for name, spans in one.marks.items()}
        for (start, _), one in zip(rows, found, strict=True)
    ]
    measured = [{(m.name, m.channel): m for m in one.measures} for one in found]
    lengths = [stop - start for start, stop in rows]
    return Detected(
        tuple(_joined((finding for one in found for finding in one.findings), 2 / sample_hz)),
        tuple(_measures(list(zip(measured, lengths, strict=True)))),
        {name: Spans.merged(*(own[name] for own in shifted if name in own)) for name in names},
        tuple(_strongest(line for one in found for line in one.lines)),
    )


def _joined(findings: Iterator[Finding], apart_s: float) -> list[Finding]:
    """Findings that say the same of one part and of the next are one."""
    joined: list[Finding] = []
    last: dict[Finding, int] = {}
    for finding in findings:
        said = replace(finding, start_s=0.0, stop_s=0.0)
        at = last.get(said)
        if at is not None and abs(joined[at].stop_s - finding.start_s) <= apart_s:
            joined[at] = replace(joined[at], stop_s=finding.stop_s)
        else:
            last[said] = len(joined)
            joined.append(finding)
    return joined


Key = tuple[str, str | None]


def _measures(parts: Sequence[tuple[dict[Key, Measure], int]]) -> Iterator[Measure]:
    """Each measure of all parts, in the order in which they first come."""
    for key in dict.fromkeys(key for own, _ in parts for key in own):
        name, channel = key
        several = [(own[key], n_rows) for own, n_rows in parts if key in own]
        if channel is not None and len(several) < len(parts):
            # In the other parts what is said of all channels holds for this one, too.
            others = [(own[name, None], n) for own, n in parts if key not in own and (name, None) in own]
            if others and all(measure.value is None for measure, _ in several):
                continue
            several += [(replace(measure, channel=channel), n) for measure, n in others]
        yield _one_of(several)


def _one_of(several: Sequence[tuple[Measure, int]]) -> Measure:
    """One measure of several parts; those that know nothing of it say nothing."""
    known = [(m.value, m.out_of or n_rows) for m, n_rows in several if m.value is not None]
    first = next((m for m, _ in several if m.value is not None), several[0][0])
    if not known:
        return first
    values, weights = np.array([v for v, _ in known]), np.array([float(max(n, 1)) for _, n in known])
    rule = BY_NAME[first.name].in_parts
    if rule == "counted":
        value = float(np.average(values, weights=weights))
    elif rule == "squares":
        value = float(np.sqrt(np.average(values**2, weights=weights)))
    elif rule == "largest":
        value = float(values.max())
    elif rule == "same":
        value = float(values[0])
    else:
        order = np.argsort(values, kind="stable")
        half = np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)
        value = float(values[order][half])
    out_of = sum(m.out_of for m, _ in several if m.value is not None and m.out_of is not None)
    return replace(first, value=value, out_of=out_of or None)


def _strongest(lines: Iterator[Line]) -> list[Line]:
    """Of each line what stands in the part in which it is strongest."""
    best: dict[tuple[str, float, int], Line] = {}
    for line in lines:
        key = line.channel, line.nominal_hz, line.harmonic
        if key not in best or (line.rms or 0.0) > (best[key].rms or 0.0):
            best[key] = line
    return list(best.values())
