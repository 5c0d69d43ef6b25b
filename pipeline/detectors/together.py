"""What was found in all recordings of a session, on the rows of the main one."""

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.detectors.findings import Detected, Spans
from pipeline.detectors.lost import is_judged, not_covered, on_rows_of
from pipeline.detectors.tracks import Settings
from pipeline.recording import Recording


def on_main(
    detected: Sequence[Detected],
    recordings: Sequence[Recording],
    settings: Settings,
    nothing_of: Mapping[str, str] | None = None,
) -> Detected:
    """Unite the results of all recordings; marks of further ones are brought to the main rows by time.

    Time that a further recording does not cover counts as lost, as it would if its channels stood in the
    main one. ``nothing_of`` are channels of which not a sample came, and their kinds: without any field all
    of the time is lost.
    """
    main = recordings[0]
    parts = [detected[0]]
    if "field" in (nothing_of or {}).values() and not any(one.of_kind("field") for one in recordings):
        parts.append(Detected(marks={"lost": Spans(np.array([0]), np.array([main.n_rows]))}))
    for found, recording in zip(detected[1:], recordings[1:], strict=True):
        marks: dict[str, Spans] = {}
        if is_judged(recording):
            marks = {name: on_rows_of(main, recording, spans) for name, spans in found.marks.items()}
            apart = not_covered(main, recording, settings["dropout.note_gap_s"])
            marks["lost"] = Spans.merged(marks.get("lost", Spans()), apart)
        parts.append(Detected(found.findings, found.measures, marks, found.lines))
    return Detected.united(parts)
