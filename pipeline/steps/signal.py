"""Whether the study carries the signal: windows of each session, and the check over all of them."""

from collections.abc import Mapping
from typing import Any

from pipeline.report.analysed import analysed_of
from pipeline.report.review import review_of
from pipeline.signal import (
    Worn,
    read_windows,
    session_signal,
    signal_rows,
    study_signal,
    write_windows,
)
from pipeline.signal.features import of_analysed
from pipeline.steps.job import Job, Places, to_redo
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


def check_signal(study: Study, all_places: list[Places]) -> dict[str, Any]:
    """Write signal.csv from the windows of all sessions, and return the check for the batch page."""
    worn = [
        Worn(session.name, session.participant, session.started_at, places.signal)
        for session, places in zip(study.sessions, all_places, strict=True)
    ]
    try:
        signal = study_signal(worn)
    except ValueError:
        broken = [places for places in all_places if not _can_be_read(places)]
        raise to_redo({places: f"{places.signal.name} cannot be read" for places in broken}) from None
    write_csv(all_places[0].results / TABLE, SIGNAL, signal_rows(signal))
    return {**signal, "table": TABLE}


def _can_be_read(places: Places) -> bool:
    try:
        read_windows(places.signal)
    except ValueError:
        return False
    return True
