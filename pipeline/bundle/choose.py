"""Which sessions, and which stretches of them, a bundle holds."""

from dataclasses import dataclass

from pipeline.bundle.gather import Gathered, Held


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
