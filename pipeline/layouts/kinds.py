"""Several kinds of frame in one dump: by what a reader tells them apart."""

from collections.abc import Sequence
from itertools import combinations

from pipeline.checking import faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.layout import Frame, Part
from schemas.keys import BINARY


def check_kinds(frames: Sequence[Frame], framing: str, shown: str, problems: list[Problem]) -> None:
    """Add a problem for kinds of frame that cannot be told apart, and for layouts without a rate.

    Parameters
    ----------
    frames : sequence of Frame
        Every kind of the layout, each by itself without fault.
    framing : str
        The layout's.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    fault = faults_in("", shown, problems)
    if frames and all(frame.is_event for frame in frames):
        fault(
            "frame",
            "at least one [[frame]] at a rate",
            "events only",
            "Describe the frames with the samples.",
        )
    if framing in ("wav", "edf"):
        if len(frames) != 1:
            fault(
                "frame",
                f"one [[frame]] in a '{framing}' file",
                str(len(frames)),
                "Describe one kind of frame.",
            )
        if framing == "wav" and any(len(frame.parts) > 1 for frame in frames):
            fault("frame", "one samples part in a 'wav' file", "several", "List all channels in one part.")
        return
    for i, frame in enumerate(frames):
        kind = frame.part("kind")
        if kind is not None and _place(frame, kind, framing) is None:
            place = faults_in(f"frame[{i}]", shown, problems, nth(i, "frame", frame.name))
            remedy = "Put the kind, or count, at a place that is the same in every frame."
            place("part", "'kind' before samples without count", "it stands behind them", remedy)
    for (i, one), (j, other) in combinations(enumerate(frames), 2):
        wrong = _alike(one, other, framing)
        if wrong is not None:
            pair = f"{nth(i, 'frame', one.name)}, and {nth(j, 'frame', other.name)}"
            fault("frame", wrong[0], f"{pair}: {wrong[1]}", wrong[2])


def _alike(one: Frame, other: Frame, framing: str) -> tuple[str, str, str] | None:
    """What is wrong with two kinds of frame (expected, found, remedy), if anything."""
    first, second = _sync_of(one), _sync_of(other)
    if first != second:
        if not (first.startswith(second) or second.startswith(first)):
            return None
        shorter, longer = sorted((first, second), key=len)
        found = f"'{longer.hex(' ').upper()}' begins with '{shorter.hex(' ').upper()}'"
        remedy = "Give both frames the bytes that they share as sync, and the rest as 'kind'."
        return (
            "sync bytes of which none begin with another's",
            found if shorter else "one has no sync",
            remedy,
        )
    a, b = one.part("kind"), other.part("kind")
    shared = "the same sync bytes" if first else "no sync bytes" if framing in BINARY else "lines"
    if a is None or b is None:
        remedy = "Add a 'kind' part to both, each with its own value."
        return "frames that can be told apart", f"{shared}, and no 'kind' part in one of them", remedy
    if _place(one, a, framing) != _place(other, b, framing):
        where = "column" if framing == "text" else "byte"
        remedy = "Describe the kind at the same place in both."
        return f"'kind' at the same {where} of both, with the same type", "another place or type", remedy
    if a.value == b.value:
        return "a value of 'kind' for each", f"{a.value!r} in both", "Correct one of them."
    return None


def _sync_of(frame: Frame) -> bytes:
    part = frame.part("sync")
    return part.sync if part is not None else b""


def _place(frame: Frame, kind: Part, framing: str) -> tuple[object, ...] | None:
    """Where and how a kind stands; None where that differs from frame to frame."""
    before = frame.parts[: frame.parts.index(kind)]
    if framing == "text":
        if kind.columns:
            return kind.columns
        return (sum(part.count * (len(part.channels) or 1) for part in before),)
    if any(part.is_ == "samples" and not part.count for part in before):
        return None
    at = sum(
        part.n_bytes + (part.samples_bytes(part.count) if part.is_ == "samples" else 0) for part in before
    )
    return (at, kind.n_bytes, kind.byte_order if kind.n_bytes > 1 else "")
