"""Several kinds of frame in one dump: by what a reader tells them apart."""

from collections.abc import Iterator, Sequence
from itertools import combinations

from pipeline.checking import faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.layout import Frame, Part

_Faults = Iterator[tuple[str, str, str]]
"""Expected, found and remedy of each fault of the key 'frame'."""


def check_kinds(frames: Sequence[Frame], framing: str, shown: str, problems: list[Problem]) -> None:
    """Add a problem for kinds of frame that cannot be told apart, and for what is wrong with them together.

    Parameters
    ----------
    frames : sequence of Frame
        Every kind of the layout.
    framing : str
        The layout's.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    fault = faults_in("", shown, problems)
    in_a_file = framing in ("wav", "edf")
    for faults in (
        _no_rate(frames),
        _in_a_file(frames, framing) if in_a_file else _together(frames, framing),
    ):
        for wanted, found, remedy in faults:
            fault("frame", wanted, found, remedy)


def _no_rate(frames: Sequence[Frame]) -> _Faults:
    if all(frame.is_event for frame in frames):
        yield "at least one [[frame]] at a rate", "none", "Describe the frames that carry samples at a rate."


def _in_a_file(frames: Sequence[Frame], framing: str) -> _Faults:
    if len(frames) > 1:
        yield f"one [[frame]] in a '{framing}' file", str(len(frames)), "Describe one kind of frame."
    if framing == "wav" and any(len(frame.parts) > 1 for frame in frames):
        found = str(max(len(frame.parts) for frame in frames))
        yield "one samples part in a 'wav' file", found, "List all channels in one part: they share a rate."


def _together(frames: Sequence[Frame], framing: str) -> _Faults:
    for i, frame in enumerate(frames):
        kind = frame.part("kind")
        if kind is not None and _place(frame, kind, framing) is None:
            remedy = (
                "Move the kind, or give the samples a count: it must stand at the same byte in every frame."
            )
            yield "'kind' before samples without count", f"'kind' behind them in {named(i, frame)}", remedy
    widths = {part.wraps_at_bits for frame in frames for part in frame.all("sequence") if part.shared}
    if len(widths) > 1:
        found = " and ".join(f"{bits} bits" if bits else "no end" for bits in sorted(widths))
        yield "one width of a shared sequence", found, "It is one counter; correct its type or bits."
    for (i, one), (j, other) in combinations(enumerate(frames), 2):
        for wanted, found, remedy in _alike(one, other, framing):
            yield wanted, f"{found} in {named(i, one)}, and {named(j, other)}", remedy


def named(i: int, frame: Frame) -> str:
    """A frame as a person counts, with its name if it has one of its own."""
    return nth(i, "frame", frame.name if frame.name != "frame" else "")


def _alike(one: Frame, other: Frame, framing: str) -> _Faults:
    """Why two kinds of frame cannot be told apart, if they cannot."""
    first, second = _sync_of(one), _sync_of(other)
    if first != second:
        if first.startswith(second) or second.startswith(first):
            remedy = "Give both the bytes that they share as sync, and what differs as 'kind'."
            found = " and ".join(repr(sync.hex(" ").upper()) if sync else "none" for sync in (first, second))
            yield "sync bytes that differ from the first byte on, or are equal", found, remedy
        return
    a, b = one.part("kind"), other.part("kind")
    if a is None or b is None:
        same = "the same sync bytes and " if first else ""
        yield (
            "a 'kind' part in each of two frames",
            f"{same}not both of them",
            "Add it, each with its own value.",
        )
    elif a.value == b.value:
        yield "a value of its own for each 'kind'", f"{a.value!r}", "Correct one of them."
    elif None not in (place := (_place(one, a, framing), _place(other, b, framing))) and place[0] != place[1]:
        where = "column" if framing == "text" else "byte, type and byte order"
        yield f"'kind' at the same {where} of two frames", "two places", "It is looked for at one; move it."


def _sync_of(frame: Frame) -> bytes:
    part = frame.part("sync")
    return part.sync if part is not None else b""


def _place(frame: Frame, kind: Part, framing: str) -> tuple[object, ...] | None:
    """Where and how a kind stands; None where that differs from frame to frame."""
    before = frame.parts[: frame.parts.index(kind)]
    if framing == "text":
        return kind.columns or (sum(part.count * max(len(part.channels), 1) for part in before),)
    if any(part.is_ == "samples" and not part.count for part in before):
        return None
    at = sum(part.n_bytes + part.samples_bytes(part.count) for part in before)
    return at, kind.n_bytes, kind.byte_order if kind.n_bytes > 1 else ""
