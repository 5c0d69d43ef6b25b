"""What the sessions of a study say together: areas and curves, what serves later sessions, wake-ups."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from itertools import groupby
from math import log
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.signal.across import Trial, trials, values
from pipeline.signal.learn import TASKS
from pipeline.signal.pooled import Clusters, Counted, Curve, steps_of
from pipeline.signal.roc import GRID, PAIRS, lacking
from pipeline.signal.session import areas, compared
from pipeline.signal.shares import LEAST, Measured
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


def study_signal(sessions: Sequence[Worn]) -> dict[str, Any]:
    """The check over a study, as plain values for a page and for :func:`signal_rows`.

    Returns
    -------
    dict
        ``absent`` says why there is nothing, else it is empty and these are there: ``n_sessions``,
        ``n_seen`` (with windows), ``n_kept`` (with some after exclusions), ``sessions`` (of each its name,
        participant, areas, and ``body_v``, its median amplitude of body movement), ``areas`` (pair ->
        ``all``, ``kept``), ``curves`` (the same, lists at ``grid``), ``trials``, ``accuracy`` (task ->
        ``same``, ``later`` -> ``accuracy``, ``balanced``) and ``wakeups``.
    """
    ordered = sorted(sessions, key=lambda one: (one.participant, one.started_at, one.session))
    seen, tries = list[_Seen](), list[Trial]()
    for participant, own in groupby(ordered, key=lambda one: one.participant):
        read = [(one.session, read_windows(one.windows)) for one in own]
        seen += [_seen(name, participant, windows) for name, windows in read]
        if any(not windows.absent for _, windows in read):
            tries += trials(participant, read)
    there = [one for one in seen if not one.absent]
    if not there:
        return {"absent": seen[0].absent if seen else "there are no sessions"}
    pooled, curves = _pooled(there)
    return {
        "absent": "",
        "n_sessions": len(seen),
        "n_seen": len(there),
        "n_kept": sum(bool(one.masks["kept"].any()) for one in there),
        "sessions": [
            {name: getattr(one, name) for name in ("session", "participant", "areas", "body_v")}
            for one in seen
        ],
        "areas": pooled,
        "curves": curves,
        "grid": GRID.tolist(),
        "trials": [asdict(trial) for trial in tries],
        "accuracy": {
            task: {when: _accuracy(tries, task, when) for when in ("same", "later")} for task in TASKS
        },
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
            area, curve = counted.pair(pair)
            found[pair][kind], curves[pair][kind] = asdict(area), _lists(curve)
    return found, curves


def _lists(curve: Curve) -> dict[str, Any]:
    return {name: None if line is None else line.tolist() for name, line in vars(curve).items()}


def _accuracy(tries: Sequence[Trial], task: str, when: str) -> dict[str, Any]:
    """Means over sessions, each session alike, with intervals."""
    names, found = values(tries, task, when)
    if not names:
        of_task = [trial for trial in tries if trial.task == task and trial.when == when]
        reasons = list(dict.fromkeys(trial.accuracy.absent for trial in of_task))
        none = asdict(Measured(0, absent="; ".join(reasons)))
        return {"accuracy": none, "balanced": none}
    who = {trial.session: trial.participant for trial in tries}
    clusters = Clusters.of([who[name] for name in names])
    return {
        name: asdict(clusters.ratio(found[:, i], np.ones(len(names)), len(names)))
        for i, name in enumerate(("accuracy", "balanced"))
    }


def _wakeups(seen: Sequence[_Seen]) -> dict[str, Any]:
    """False wake-ups for each hour of rest, and shares of movements missed, by level.

    ``absent`` says why there are none. Else ``levels`` has for each level its ``level_v``, ``false`` and, of
    each movement that occurs, ``missed``, all of them measures.
    """
    seen = [one for one in seen if one.masks["kept"].any()]
    rest_h = np.array([one.wakes.rest_h for one in seen])
    n = np.array([one.wakes.n for one in seen], np.float64).reshape(-1, len(MOVEMENTS))
    if not rest_h.any() or not n.any():
        lacks = "no window of rest" if not rest_h.any() else "no movement"
        return {"absent": f"{lacks} was kept"}
    false = np.array([one.wakes.false for one in seen], np.float64)
    missed = np.array([one.wakes.missed for one in seen], np.float64)
    clusters = Clusters.of([one.participant for one in seen])
    levels = []
    for i in range(len(LEVELS_V))[telling(false.sum(axis=0), missed.sum(axis=(0, 2)))]:
        by_name = {
            name: asdict(clusters.ratio(missed[:, i, j], n[:, j], int(n[:, j].sum())))
            for j, name in enumerate(MOVEMENTS)
            if n[:, j].any()
        }
        rate = clusters.ratio(false[:, i], rest_h, int(false[:, i].sum()))
        levels.append({"level_v": float(LEVELS_V[i]), "false": _rate(rate, rest_h), "missed": by_name})
    return {"absent": "", "rest_h": float(rest_h.sum()), "levels": levels}


def _rate(rate: Measured, rest_h: Floats) -> dict[str, Any]:
    """Wake-ups for each hour; of none at all the upper end is that of a Poisson count."""
    if not rate.n:
        rate = Measured(0, 0.0, 0.0, -log(0.025) / float(rest_h.sum()), "Poisson")
    return asdict(rate)
