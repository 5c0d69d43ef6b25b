"""Whether the study carries the signal: windows of each session, and the check over all of them."""

import pickle
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.report.analysed import analysed_of
from pipeline.report.review import review_of
from pipeline.signal import (
    Looked,
    Worn,
    look_at,
    read_windows,
    session_signal,
    shared,
    signal_over,
    signal_rows,
    write_windows,
)
from pipeline.signal.features import of_analysed
from pipeline.steps.job import Job, Places, Share, Tables, to_redo
from pipeline.steps.tables import write_csv
from pipeline.study import Study
from schemas.columns import SIGNAL

TABLE = "signal.csv"


def look_for_signal(job: Job, quality: Mapping[str, Any]) -> dict[str, Any]:
    """Write a session's windows, and return its part of the check for the page.

    What is left after exclusions is what is analysed: where a person's decision is followed, by that.
    """
    places = job.places
    analysed = analysed_of(quality, review_of(quality, job.review))
    windows = of_analysed(read_windows(places.windows), places.samples, analysed)
    write_windows(windows, places.signal)
    return session_signal(windows)


def look_at_share(share: Share) -> None:
    """Look at the windows of some participants, and keep what is seen for :func:`check_signal`."""
    tables = share.tables
    own = shared(_worn(tables.study, tables.places), share.n)[share.i]
    with share.path.open("wb") as file:
        pickle.dump(look_at(own), file)


def check_signal(tables: Tables) -> dict[str, Any]:
    """Write signal.csv from the windows of all sessions, and return the check for the batch page."""
    all_places = tables.places
    try:
        shares = [_kept(share) for share in tables.shares] or [
            look_at(own) for own in shared(_worn(tables.study, all_places), 1)
        ]
    except (ValueError, OSError):
        broken = [places for places in all_places if not _can_be_read(places)]
        if not broken:
            raise
        raise to_redo({places: f"{places.signal.name} cannot be read" for places in broken}) from None
    signal = signal_over(shares)
    write_csv(tables.results / TABLE, SIGNAL, signal_rows(signal))
    return {**signal, "table": TABLE}


def _worn(study: Study, all_places: Sequence[Places]) -> list[Worn]:
    return [
        Worn(session.name, session.participant, session.started_at, places.signal)
        for session, places in zip(study.sessions, all_places, strict=True)
    ]


def _kept(share: Path) -> Looked:
    with share.open("rb") as file:
        looked: Looked = pickle.load(file)  # noqa: S301 - a worker of this run has just written it
    return looked


def _can_be_read(places: Places) -> bool:
    try:
        read_windows(places.signal)
    except (ValueError, OSError) as error:  # garbage within a Parquet file is an OSError without a number
        return isinstance(error, OSError) and error.errno is not None
    return True
