"""Whether the study carries the signal: windows of each session, and the check over all of them."""

from typing import Any

from pipeline.signal import Worn, session_signal, signal_rows, study_signal, windows_of, write_windows
from pipeline.steps.job import Job, Places
from pipeline.steps.tables import write_csv
from pipeline.study import Study
from schemas.columns import SIGNAL


def look_for_signal(job: Job, usable: list[list[float]]) -> dict[str, Any]:
    """Write a session's windows, and return its part of the check for the page; `usable` by the verdict."""
    places = job.places
    windows = windows_of(places.samples, job.session.activities, usable)
    write_windows(windows, places.signal)
    return session_signal(windows)


def check_signal(study: Study, all_places: list[Places]) -> dict[str, Any]:
    """Write signal.csv from the windows of all sessions, and return the check for the batch page."""
    worn = [
        Worn(session.name, session.participant, session.started_at, places.signal)
        for session, places in zip(study.sessions, all_places, strict=True)
    ]
    signal = study_signal(worn)
    write_csv(all_places[0].results / "signal.csv", SIGNAL, signal_rows(signal))
    return signal
