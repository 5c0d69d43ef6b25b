"""What the sessions of a study say together: areas and curves, what serves later sessions, wake-ups."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.signal.across import Trial, served, trials, typical
from pipeline.signal.learn import TASKS
from pipeline.signal.pooled import FEWEST_PARTICIPANTS, Clusters, Counted, Curve, steps_of
from pipeline.signal.roc import GRID, PAIRS, at_grid, curve, lacking, members
from pipeline.signal.session import areas, compared
from pipeline.signal.shares import LEAST, Measured, poisson
from pipeline.signal.wakeups import LEVELS_V, MOVEMENTS, Wakes, telling, wakes
from pipeline.signal.windows import AMPLITUDE, CLASSES, Bools, Floats, Ints, Windows, read_windows

KINDS = ("all", "kept")
"""Windows before and after exclusions."""


@dataclass(frozen=True)
class Worn:
    """A session of the study, and where its table of windows stands."""

    session: str
    participant: str
    started_at: datetime
    windows: Path


@dataclass(frozen=True)
class _Seen:
    """What is held of a session once its participant has been looked at: 18 bytes a window."""

    session: str
    participant: str
    absent: str
    areas: Mapping[str, Any]
    body_v: float | None
    amplitude: Floats
    label: Ints
    masks: Mapping[str, Bools]
    wakes: Wakes


@dataclass(frozen=True)
class Looked:
    """What is held of some participants, all sessions of each."""

    seen: tuple[_Seen, ...]
    tries: tuple[Trial, ...]


def shared(sessions: Sequence[Worn], n: int) -> list[list[Worn]]:
    """Sessions in `n` shares of about the same size, whole participants in each, in the order of these."""
    ordered = sorted(sessions, key=lambda one: (one.participant, one.started_at, one.session))
    shares: list[list[Worn]] = [[] for _ in range(n)]
    done = 0
    for _, own in groupby(ordered, key=lambda one: one.participant):
        some = list(own)
        shares[done * n // len(ordered)] += some
        done += len(some)
    return shares


def look_at(sessions: Sequence[Worn]) -> Looked:
    """Look at the windows of all sessions of some participants, who are given one after the other.

    Raises
    ------
    ValueError
        Where a table of windows cannot be read.
    """
    seen, tries = list[_Seen](), list[Trial]()
    for participant, own in groupby(sessions, key=lambda one: one.participant):
        read = [(one.session, read_windows(one.windows)) for one in own]
        seen += [_seen(name, participant, windows) for name, windows in read]
        if any(not windows.absent for _, windows in read):
            tries += trials(participant, read)
    return Looked(tuple(seen), tuple(tries))


def study_signal(sessions: Sequence[Worn]) -> dict[str, Any]:
    """The check over a study, by one process: what :func:`signal_over` gives of all its sessions."""
    return signal_over(map(look_at, shared(sessions, 1)))


def signal_over(shares: Iterable[Looked]) -> dict[str, Any]:
    """The check over a study, as plain values for a page and for :func:`signal_rows`.

    Parameters
    ----------
    shares : iterable of Looked
        Of all participants, in the order of :func:`shared`.

    Returns
    -------
    dict
        ``absent`` says why there is nothing, else it is empty and these are there: ``n_sessions``,
        ``n_seen`` (with windows), their ``n_participants``, ``n_kept`` (with some after exclusions),
        ``sessions`` (of each its name, participant, areas, and ``body_v``, its median amplitude of body
        movement), ``medians`` (pair -> ``all``, ``kept``; over the sessions' areas) and ``areas`` (the same,
        of all windows together), ``curves`` (lists at ``grid``), ``trials``, ``accuracy`` (task -> ``same``,
        ``later`` -> ``accuracy``, ``balanced``; medians over participants), ``drops`` (task -> how much
        lower accuracy is in later sessions, over participants), ``served`` (of each participant and task
        what its sessions have) and ``wakeups``.
    """
    looked = list(shares)
    seen = [one for share in looked for one in share.seen]
    tries = [one for share in looked for one in share.tries]
    there = [one for one in seen if not one.absent]
    if not there:
        return {"absent": seen[0].absent if seen else "there are no sessions"}
    pooled, curves = _pooled(there)
    return {
        "absent": "",
        "n_sessions": len(seen),
        "n_seen": len(there),
        "n_participants": len({one.participant for one in there}),
        "n_kept": sum(bool(one.masks["kept"].any()) for one in there),
        "sessions": [
            {name: getattr(one, name) for name in ("session", "participant", "areas", "body_v")}
            for one in seen
        ],
        "medians": _medians(there),
        "areas": pooled,
        "curves": curves,
        "grid": GRID.tolist(),
        "trials": [asdict(trial) for trial in tries],
        "accuracy": {
            task: {when: _accuracy(tries, task, when) for when in ("same", "later")} for task in TASKS
        },
        "drops": {task: _drop(tries, task) for task in TASKS},
        "served": [asdict(one) for task in TASKS for one in served(tries, task)],
        "wakeups": _wakeups(there),
    }


def _seen(session: str, participant: str, windows: Windows) -> _Seen:
    amplitude = windows.features[:, AMPLITUDE].copy()  # a view would hold the other features, too
    return _Seen(
        session,
        participant,
        windows.absent,
        areas(windows),
        _body_v(windows),
        amplitude,
        windows.label,
        compared(windows),
        wakes(windows),
    )


def _body_v(windows: Windows) -> float | None:
    """Median amplitude of body movement in the windows kept; None with too few of them."""
    found = windows.features[windows.kept & (windows.label == CLASSES.index("body")), AMPLITUDE]
    return float(np.median(found)) if len(found) >= LEAST else None


def _medians(seen: Sequence[_Seen]) -> dict[str, Any]:
    """Median over sessions of their own areas: one that has been tied to ground does not drag it."""
    found: dict[str, Any] = {pair: {} for pair in PAIRS}
    for pair in PAIRS:
        for kind in KINDS:
            own = [(one.participant, one.areas[pair][kind]["value"]) for one in seen]
            own = [(who, value) for who, value in own if value is not None]
            median = Measured(0, absent="no session has both")
            if own:
                values = np.array([value for _, value in own])
                median = Clusters.of([who for who, _ in own]).median(values).over(values.tolist())
            found[pair][kind] = asdict(median)
    return found


def _pooled(seen: Sequence[_Seen]) -> tuple[dict[str, Any], dict[str, Any]]:
    found: dict[str, Any] = {pair: {} for pair in PAIRS}
    curves: dict[str, Any] = {pair: {} for pair in PAIRS}
    for kind in KINDS:
        some = [one for one in seen if one.masks[kind].any()]
        amplitudes = [one.amplitude[one.masks[kind]] for one in some]
        labels = [one.label[one.masks[kind]] for one in some]
        together = np.concatenate([np.empty(0, np.int64), *labels])
        counted: Counted | None = None
        for pair in PAIRS:
            if why := lacking(together, pair):
                found[pair][kind], curves[pair][kind] = asdict(Measured(0, absent=why)), None
                continue
            if counted is None:
                clusters = Clusters.of([one.participant for one in some])
                counted = Counted(clusters, amplitudes, labels, steps_of(amplitudes))
            area, drawn = counted.pair(pair)
            if kind == "kept" and drawn.low is None:
                drawn = _ranged(drawn, amplitudes, labels, pair)
            found[pair][kind], curves[pair][kind] = asdict(area), _lists(drawn)
    return found, curves


def _ranged(pooled: Curve, amplitudes: Sequence[Floats], labels: Sequence[Ints], pair: str) -> Curve:
    """The same curve with the range of the sessions' own ones, where several have enough windows."""
    own = []
    for amplitude, label in zip(amplitudes, labels, strict=True):
        if not lacking(label, pair):
            below, above = (amplitude[members(label, names)] for names in PAIRS[pair])
            own.append(at_grid(*curve(below, above)))
    if len(own) < 2:
        return pooled
    return replace(pooled, least=np.min(own, axis=0), most=np.max(own, axis=0))


def _lists(curve: Curve) -> dict[str, Any]:
    return {name: None if line is None else line.tolist() for name, line in vars(curve).items()}


def _accuracy(tries: Sequence[Trial], task: str, when: str) -> dict[str, Any]:
    """Medians over participants, each participant alike."""
    found = {
        what: typical([(one.participant, one.of(when)) for one in served(tries, task, what)])
        for what in ("accuracy", "balanced")
    }
    if found["accuracy"].value is None:
        of_task = [trial for trial in tries if trial.task == task and trial.when == when]
        reasons = list(dict.fromkeys(trial.accuracy.absent for trial in of_task))
        found = dict.fromkeys(found, Measured(0, absent="; ".join(reasons)))
    return {what: asdict(one) for what, one in found.items()}


def _drop(tries: Sequence[Trial], task: str) -> dict[str, Any]:
    return asdict(typical([(one.participant, one.drops) for one in served(tries, task)]))


def _wakeups(seen: Sequence[_Seen]) -> dict[str, Any]:
    """What a comparator does at rest and which movements it misses, by level.

    ``absent`` says why there is nothing. Else ``levels`` has for each level its ``level_v``, ``false``
    (wake-ups for each hour of rest), ``awake`` (share of the windows of rest), ``chance`` (share of the
    stretches of rest that would count as found) and, of each movement that occurs, ``missed``: all measures.
    """
    seen = [one for one in seen if one.masks["kept"].any()]
    counts = [one.wakes for one in seen]
    rest_h = np.array([one.rest_h for one in counts])
    n = np.array([one.n for one in counts], np.float64).reshape(-1, len(MOVEMENTS))
    if not rest_h.any() or not n.any():
        lacks = "no window of rest" if not rest_h.any() else "no movement"
        return {"absent": f"{lacks} was kept"}
    clusters = Clusters.of([one.participant for one in seen])
    false = np.array([one.false for one in counts], np.float64)
    awake = np.array([one.awake for one in counts], np.float64)
    chance = np.array([one.chance for one in counts], np.float64)
    missed = np.array([one.missed for one in counts], np.float64)
    n_rest = np.array([one.n_rest for one in counts], np.float64)
    n_rests = np.array([one.n_rests for one in counts], np.float64)
    levels = []
    for i in range(len(LEVELS_V))[telling(false.sum(axis=0), missed.sum(axis=(0, 2)))]:
        by_name = {
            name: _share(clusters, missed[:, i, j], n[:, j])
            for j, name in enumerate(MOVEMENTS)
            if n[:, j].any()
        }
        levels.append(
            {
                "level_v": float(LEVELS_V[i]),
                "false": asdict(rate(clusters, false[:, i], rest_h)),
                "awake": _share(clusters, awake[:, i], n_rest),
                "chance": _share(clusters, chance[:, i], n_rests),
                "missed": by_name,
            }
        )
    return {"absent": "", "rest_h": float(rest_h.sum()), "n_rests": int(n_rests.sum()), "levels": levels}


def _share(clusters: Clusters, of: Floats, to: Floats) -> dict[str, Any]:
    """Share of what was counted over all sessions, and its range over those that have any."""
    if not to.any():
        return asdict(Measured(0, absent="no stretch of rest was kept by half"))
    has = to > 0
    return asdict(clusters.ratio(of, to, int(to.sum())).over((of[has] / to[has]).tolist()))


def rate(clusters: Clusters, events: Floats, hours: Floats) -> Measured:
    """Events for each hour, with the wider of two intervals: an exact Poisson one, and that of the draws.

    Few events say little even where participants agree; where these differ, even many do. With so few
    participants that none is drawn there is no interval of either kind, as of all else.
    """
    n, total_h = int(events.sum()), float(hours.sum())
    drawn = clusters.ratio(events, hours, n)
    low, high = (end / total_h for end in poisson(n))
    has = hours > 0
    if np.count_nonzero(clusters.summed(hours)) < FEWEST_PARTICIPANTS:
        return drawn.over((events[has] / hours[has]).tolist())
    if drawn.low is None or drawn.high is None or drawn.high - drawn.low <= high - low:
        drawn = Measured(n, n / total_h, low, high, "exact Poisson")
    return drawn.over((events[has] / hours[has]).tolist())
