"""Which sessions, and which stretches of them, a bundle holds."""

from dataclasses import dataclass

from pipeline.bundle.gather import Gathered, Held
from pipeline.report.analysed import analysed_of
from pipeline.report.flow import trace


@dataclass(frozen=True)
class Picked:
    """One session and how much of it goes into the bundle.

    ``use`` is ``whole``, ``in_part`` or ``no``, people's decisions followed. ``recording`` says whether its
    samples go in; ``parts`` are the stretches [start_s, stop_s) that do, None where all of them do.
    """

    held: Held
    use: str
    recording: bool
    parts: tuple[tuple[float, float], ...] | None


@dataclass(frozen=True)
class Chosen:
    """All sessions of a study, each with what goes in of it: those without samples count in the flow."""

    gathered: Gathered
    sessions: tuple[Picked, ...]


def choose(gathered: Gathered, wanted: str) -> Chosen:
    """Say of each session how much of it goes into the bundle.

    Parameters
    ----------
    gathered : Gathered
        What the results hold.
    wanted : str
        ``accepted``, ``usable`` or ``all``, as `pipeline.bundle.recoded.Wishes` has them.
    """
    return Chosen(gathered, tuple(_picked(held, wanted) for held in gathered.sessions))


def _picked(held: Held, wanted: str) -> Picked:
    use = trace(held.quality, held.review).final
    readable = held.quality["verdict"] != "unreadable" and bool(held.samples)
    recording = readable and (wanted == "all" or use == "whole" or (use == "in_part" and wanted == "usable"))
    cut = recording and wanted == "usable" and use == "in_part"
    parts = tuple((start, stop) for start, stop in analysed_of(held.quality, held.review))
    return Picked(held, use, recording, parts if cut else None)
