"""What was found in all recordings of a session, on the rows of the main one."""

from collections.abc import Sequence

from pipeline.detectors.findings import Detected, Spans
from pipeline.detectors.lost import is_judged, not_covered, on_rows_of
from pipeline.detectors.tracks import Settings
from pipeline.recording import Recording


def on_main(detected: Sequence[Detected], recordings: Sequence[Recording], settings: Settings) -> Detected:
    """Unite the results of all recordings; marks of further ones are brought to the main rows by time.

    Time that a further recording does not cover counts as lost, as it would if its channels stood in the
    main one.
    """
    main = recordings[0]
    parts = [detected[0]]
    for found, recording in zip(detected[1:], recordings[1:], strict=True):
        marks: dict[str, Spans] = {}
        if is_judged(recording):
            marks = {name: on_rows_of(main, recording, spans) for name, spans in found.marks.items()}
            apart = not_covered(main, recording, settings["dropout.note_gap_s"])
            marks["lost"] = Spans.merged(marks.get("lost", Spans()), apart)
        parts.append(Detected(found.findings, found.measures, marks, found.lines))
    return Detected.united(parts)
