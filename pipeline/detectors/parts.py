"""Long recordings part by part: memory is that of half a day, whatever the length.

Of each second all detectors together hold 3 kB. A recording of more than half a day (of less, where it has
many channels of the field) is therefore cut where nothing is lost, each part is examined by itself, against
what is usual in it, and the results become one by the rules of :data:`schemas.measures.IN_PARTS`.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.detectors.evidence import Conversion, Logged
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.lines import Line
from pipeline.detectors.lost import is_judged, lost_samples, not_covered
from pipeline.detectors.tracks import Settings
from pipeline.layouts import Channel
from pipeline.recording import Recording
from schemas.measures import BY_NAME

PART_S, FEW_CHANNELS = 43_200.0, 4
"""Longest part of a recording with so many channels of the field; with more of them it is shorter."""

CLEAR_S, SEARCHED_S, SEARCHED_VALUES = 5.0, 600.0, 1 << 22
"""How far from a cut nothing is lost or at an end of the range, and how far such a place is looked for."""

MIDDLE = 0.55
"""Share of the whole that the middle part and smaller ones make up: of two equal ones it is the larger."""


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
    # Where little is clear, the same place may be the next one of two targets.
    cuts = sorted({_clear_row(main, target, conversion) for target in targets})
    cuts_s = np.array([main.at_s(cut) for cut in cuts])
    edges = [(0, *cuts, main.n_rows)]
    edges += [(0, *other.rows_at(cuts_s).tolist(), other.n_rows) for other in recordings[1:]]
    return [Part(tuple(own[i : i + 2] for own in edges)) for i in range(len(cuts) + 1)]  # type: ignore[misc]


def _clear_row(recording: Recording, near: int, conversion: Conversion) -> int:
    """The row from `near` on around which all goes on: else the first that lies in no gap, else `near`."""
    reach = max(1, round(CLEAR_S * recording.sample_hz))
    start = max(near - reach, 0)
    most = SEARCHED_VALUES // len(recording.channels)
    n_searched = max(min(round(SEARCHED_S * recording.sample_hz), most), 2 * reach)
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
    main, results, told_s = recordings[0], list[Detected](), 0.0
    for i, recording in enumerate(recordings):
        rows, own = [part.rows[i] for part in parts], [one[i] for one in found]
        beside = [
            _loss_of_main(one[0], part, main, recording) for one, part in zip(found, parts, strict=True)
        ]
        united = _united(rows, own, beside, recording.sample_hz)
        gaps_s = _gaps_across(recording, [start for start, _ in rows[1:]])
        if i:
            apart = not_covered(main, recording, settings["dropout.note_gap_s"])
            away_s = int((apart.stop - apart.start).max(initial=0)) / main.sample_hz
            gaps_s = {name: max(gap_s, away_s) for name, gap_s in gaps_s.items() if name is not None}
        measures = _with_gaps(united.measures, gaps_s, told_s if is_judged(recording) else math.inf)
        results.append(replace(united, measures=measures))
        told_s = told_s or next((m.value or 0.0 for m in measures if m.name == "longest_gap_s"), 0.0)
    return tuple(results)


def _loss_of_main(found: Detected, part: Part, main: Recording, recording: Recording) -> Measure | None:
    """What the main recording lost in a part, as a share of the samples of another one.

    Channels of which nothing else is said lost as much, see :mod:`.dropout`.
    """
    start, stop = part.rows[0]
    n_all = round((stop - start) * recording.sample_hz / main.sample_hz)
    told = (m for m in found.measures if (m.name, m.channel) == ("lost_fraction", None))
    return next((replace(measure, out_of=n_all) for measure in told), None)


def _gaps_across(recording: Recording, cuts: Sequence[int]) -> dict[str | None, float]:
    """The longest gap in seconds of each channel, and of the rows (None), that a cut goes through."""
    lost = lost_samples(recording)
    spans: dict[str | None, Spans] = {None: lost.rows}
    spans |= {c.name: lost.own.get(c.name, lost.rows) for c in recording.channels}
    at = np.array(cuts, np.int64)
    longest: dict[str | None, float] = {}
    for name, own in spans.items():
        through = np.searchsorted(at, own.start, side="right") < np.searchsorted(at, own.stop)
        longest[name] = int((own.stop - own.start)[through].max(initial=0)) / recording.sample_hz
    return longest


def _with_gaps(
    measures: Sequence[Measure], gaps_s: dict[str | None, float], told_s: float
) -> tuple[Measure, ...]:
    """Measures in which a gap that a cut went through is as long as all of it."""
    named = {m.channel for m in measures if m.name == "longest_gap_s"}
    longer = (
        replace(m, value=max(m.value or 0.0, gaps_s.get(m.channel, 0.0))) if m.name == "longest_gap_s" else m
        for m in measures
    )
    further = (
        Measure("longest_gap_s", gap_s, "s", name)
        for name, gap_s in gaps_s.items()
        if name is not None and name not in named and gap_s > told_s > 0
    )
    return (*longer, *further)


def _united(
    rows: Sequence[tuple[int, int]],
    found: Sequence[Detected],
    beside: Sequence[Measure | None],
    sample_hz: float,
) -> Detected:
    names = sorted({name for one in found for name in one.marks})
    shifted = [
        {name: Spans(spans.start + start, spans.stop + start) for name, spans in one.marks.items()}
        for (start, _), one in zip(rows, found, strict=True)
    ]
    measured = [
        _Measured({(m.name, m.channel): m for m in one.measures}, stop - start, lost)
        for one, (start, stop), lost in zip(found, rows, beside, strict=True)
    ]
    return Detected(
        tuple(_joined((finding for one in found for finding in one.findings), 2 / sample_hz)),
        tuple(_measures(measured)),
        {name: Spans.merged(*(own[name] for own in shifted if name in own)) for name in names},
        tuple(_strongest(line for one in found for line in one.lines)),
    )


def _joined(findings: Iterator[Finding], apart_s: float) -> list[Finding]:
    """Findings that say the same of one part and of the next are one; those on losses are never the same."""
    joined: list[Finding] = []
    last: dict[Finding, int] = {}
    for finding in findings:
        said = replace(finding, start_s=0.0, stop_s=0.0)
        at = last.get(said) if finding.detector != "dropout" else None
        if at is not None and abs(joined[at].stop_s - finding.start_s) <= apart_s:
            joined[at] = replace(joined[at], stop_s=finding.stop_s)
        else:
            last[said] = len(joined)
            joined.append(finding)
    return joined


Key = tuple[str, str | None]


@dataclass(frozen=True)
class _Measured:
    """The measures of a part by name and channel, its rows, and what the main recording lost in it."""

    own: dict[Key, Measure]
    n_rows: int
    lost: Measure | None

    def said_of(self, key: Key) -> Measure | None:
        """What holds for one channel where nothing is said of it alone: what holds for all of them."""
        name, channel = key
        whole = self.own.get((name, None), self.lost if name == "lost_fraction" else None)
        return replace(whole, channel=channel) if whole is not None else None


def _measures(parts: Sequence[_Measured]) -> Iterator[Measure]:
    """Each measure of all parts, in the order in which they first come."""
    for key in dict.fromkeys(key for part in parts for key in part.own):
        several = {i: part.own[key] for i, part in enumerate(parts) if key in part.own}
        if key[1] is not None and len(several) < len(parts):
            others = {i: said for i, p in enumerate(parts) if i not in several and (said := p.said_of(key))}
            if others and all(measure.value is None for measure in several.values()):
                continue
            several = dict(sorted({**several, **others}.items()))
        lead = BY_NAME[key[0]].goes_with
        led = {i: part.own[lead, key[1]] for i, part in enumerate(parts) if (lead, key[1]) in part.own}
        at = _middle(led, parts)
        yield several[at] if at in several else _one_of(several, parts)


def _weights(several: dict[int, Measure], parts: Sequence[_Measured]) -> dict[int, float]:
    """How much each part that knows a measure counts: by what it is of, else by its rows."""
    return {
        i: float(max(measure.out_of or parts[i].n_rows, 1))
        for i, measure in several.items()
        if measure.value is not None
    }


def _middle(several: dict[int, Measure], parts: Sequence[_Measured]) -> int:
    """The part in the middle of those that know a measure, by its size; of two the one with the larger."""
    weights = _weights(several, parts)
    order = sorted(weights, key=lambda i: abs(several[i].value or 0.0))
    until = np.cumsum([weights[i] for i in order])
    return order[int(np.searchsorted(until, MIDDLE * until[-1]))] if order else -1


def _one_of(several: dict[int, Measure], parts: Sequence[_Measured]) -> Measure:
    """One measure of several parts; those that know nothing of it say nothing."""
    weights = _weights(several, parts)
    if not weights:
        return next(iter(several.values()))
    first = several[next(iter(weights))]
    values, by = np.array([several[i].value for i in weights]), np.array(list(weights.values()))
    rule = BY_NAME[first.name].in_parts
    if rule == "counted":
        value = float(np.average(values, weights=by))
    elif rule == "squares":
        value = float(np.sqrt(np.average(values**2, weights=by)))
    elif rule == "largest":
        value = float(values.max())
    elif rule == "same":
        value = float(values[0])
    else:
        value = float(several[_middle(several, parts)].value or 0.0)
    out_of = sum(several[i].out_of or 0 for i in weights)
    return replace(first, value=value, out_of=out_of or None)


def _strongest(lines: Iterator[Line]) -> list[Line]:
    """Of each line what stands in the part in which it is strongest."""
    best: dict[tuple[str, float, int], Line] = {}
    for line in lines:
        key = line.channel, line.nominal_hz, line.harmonic
        if key not in best or (line.rms or 0.0) > (best[key].rms or 0.0):
            best[key] = line
    return list(best.values())
