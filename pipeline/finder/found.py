"""Look into a dump of which no layout is known: text or binary, and what seems to repeat in it."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.frames.diagnose import looks_like_text
from pipeline.peek.words import printable

_LOOKED_AT_BYTES = 1 << 20
_SHOWN_LINES = 5
_SHOWN_PATTERNS = 3
_MOST_TRIED = 64
_LEAST_SPACING = 4
_LEAST_SEEN = 8
_LEAST_SHARE = 0.2
_DELIMITERS = {";": "';'", "\t": "'tab'", "|": "'|'", ",": "','", None: "'blanks'"}
"""What may stand between values, and how layouts write it; those first that stand in no number or word."""


def describe(dump: Path) -> Iterator[str]:
    """Lines that say what a dump looks like, and that a layout is needed.

    Parameters
    ----------
    dump : Path
        A file that can be read.
    """
    with dump.open("rb") as source:
        head = source.read(_LOOKED_AT_BYTES)
    is_text = looks_like_text(head)
    kind = "lines of text" if is_text else "binary" if head else "empty"
    yield f"{dump}: {dump.stat().st_size:,} bytes, {kind}"
    if head:
        yield from _about_lines(head) if is_text else _about_patterns(head)
        framing = "text" if is_text else "sync"
        yield (
            f"A layout with framing = '{framing}' is needed to read it: 'sessiongate new FOLDER' writes one "
            "to fill in, then peek again with --layout FILE."
        )


def _about_lines(head: bytes) -> Iterator[str]:
    lines = [line for line in head.decode("utf-8", errors="replace").splitlines() if line.strip()]
    counts = {
        delimiter: np.bincount([min(len(line.split(delimiter)), 1000) for line in lines])
        for delimiter in _DELIMITERS
    }
    # by which most lines have the same number of columns, more than one
    best = max(_DELIMITERS, key=lambda delimiter: counts[delimiter][2:].max(initial=0))
    most = int(counts[best][2:].max(initial=0))
    if most:
        n_columns = int(np.argmax(counts[best][2:])) + 2
        seen = f"{most:,} of the first {len(lines):,} lines"
        yield f"  delimiter   {_DELIMITERS[best]}, as it seems: {n_columns} columns in {seen}"
    else:
        yield "  delimiter   none that is common; one value a line, perhaps"
    for line in lines[:_SHOWN_LINES]:
        yield f"  | {printable(line.encode())}"


def _about_patterns(head: bytes) -> Iterator[str]:
    found = _patterns(head)
    for pattern, n, spacing, share in found[:_SHOWN_PATTERNS]:
        words = f"{n:,} times, {share:.0%} of them {spacing} bytes apart"
        yield f"  pattern     {pattern.hex(' ').upper()}, {words}"
    if found:
        yield "  sync bytes may be among these; the distance is then the size of a frame"
    else:
        yield "  no pattern of two bytes comes back at a regular distance"
    yield f"  | {head[:32].hex(' ').upper()}"


def _patterns(head: bytes) -> list[tuple[bytes, int, int, float]]:
    """Patterns of two bytes that come back at a regular distance: how often, at which, and which share.

    First come those that together cover most of the dump; patterns of erased memory are left out.
    """
    block = np.frombuffer(head, dtype=np.uint8).astype(np.int64)
    pairs = (block[:-1] << 8) | block[1:]
    n_of = np.bincount(pairs, minlength=1 << 16)
    n_of[[0x0000, 0xFFFF]] = 0
    found = []
    for pair in np.argsort(-n_of, kind="stable")[:_MOST_TRIED].tolist():
        if n_of[pair] < _LEAST_SEEN:
            break
        distances = np.diff(np.flatnonzero(pairs == pair))
        spacings, n_each = np.unique(distances[distances >= _LEAST_SPACING], return_counts=True)
        if not len(spacings):
            continue
        spacing, n = int(spacings[np.argmax(n_each)]), int(n_each.max())
        share = n / len(distances)
        if share >= _LEAST_SHARE:
            found.append((n * spacing * share, pair.to_bytes(2, "big"), int(n_of[pair]), spacing, share))
    found.sort(key=lambda row: (-row[0], row[1]))
    return [row[1:] for row in found]
