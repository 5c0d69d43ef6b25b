"""Whether the files of two bundles are the same, byte for byte."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.verify.faults import shown
from pipeline.verify.rules import POLICY
from schemas.bags import BLOCK_BYTES, INFO, PAYLOAD

_LINES = (".csv", ".md", ".toml", ".json", ".txt", ".svg", ".html", ".py", ".sql", ".R", ".cff", "")
"""Ends of the names of texts, of which the line is told."""
_SHORT = 60
_RULES = (POLICY, f"{PAYLOAD}/csv/README.md", f"{PAYLOAD}/edf/README.md")
"""Files that do not depend on which sessions there are; nor do copies of layouts."""


@dataclass(frozen=True)
class Files:
    """What differs, what could not be compared, and how many files there are and were compared."""

    differences: tuple[str, ...]
    notes: tuple[str, ...]
    n_files: int
    n_compared: int


def compare_files(
    old: Path, new: Path, codes: Collection[str] | None = None, others: Collection[str] = ()
) -> Files:
    """Hold the files of two bundles against each other; manifests, which follow from them, are left out.

    Parameters
    ----------
    old, new : Path
        The bundle, and the same made again; they are read only.
    codes : collection of str or None
        The sessions of which files can be compared; None where all files can.
    others : collection of str
        The sessions of which none can, which is told of them as a whole.
    """
    before, after = set(_files(old)), set(_files(new))
    used = {path for path in before | after if codes is None or _is_of(path, codes)}
    apart = list[str]()
    for path in sorted(used):
        if path not in before or path not in after:
            apart.append(f"{path}: only {'in the bundle' if path in before else 'now'}")
        elif said := _apart(old / path, new / path):
            apart.append(f"{path}: {said}")
    left = sorted(before - used)
    named = [path.removeprefix(f"{PAYLOAD}/") for path in left if not _is_of(path, others)]
    notes = [f"files for which all dumps are needed: {', '.join(named)}"] if named else []
    return Files(tuple(apart), tuple(notes), len(before), len(used & before & after))


def _files(top: Path) -> Iterator[str]:
    yield INFO
    for path in (top / PAYLOAD).rglob("*"):
        if path.is_file():
            yield path.relative_to(top).as_posix()


def _is_of(path: str, codes: Collection[str]) -> bool:
    """Whether a file is made of these sessions alone."""
    if path in _RULES or path.startswith(f"{PAYLOAD}/layouts/"):
        return True
    parts = PurePosixPath(path).parts
    return any(part.partition(".")[0] in codes for part in parts[2:])


def _apart(old: Path, new: Path) -> str:
    """Where two files begin to differ, or ''; memory is that of two blocks."""
    sizes = [path.stat().st_size for path in (old, new)]
    done, lines = 0, 0
    with old.open("rb") as ours, new.open("rb") as theirs:
        while True:
            a, b = ours.read(BLOCK_BYTES), theirs.read(BLOCK_BYTES)
            if a == b:
                if not a:
                    return ""
                done, lines = done + len(a), lines + a.count(b"\n")
                continue
            shorter = min(len(a), len(b))
            at = next((i for i in range(shorter) if a[i] != b[i]), shorter)
            if old.suffix in _LINES:
                line = lines + a.count(b"\n", 0, at) + 1
                return f"line {line}: {_around(a, at)} in the bundle, {_around(b, at)} now"
            return f"other bytes from byte {done + at} on; {sizes[0]} bytes in the bundle, {sizes[1]} now"


def _around(block: bytes, at: int) -> str:
    """The line with a byte in it, or the part of it from a little before that byte."""
    start = max(block.rfind(b"\n", 0, at) + 1, at - _SHORT // 2)
    stop = block.find(b"\n", at)
    text = block[start : len(block) if stop < 0 else stop].decode("utf-8", "replace")
    return f"'{shown(text, _SHORT)}'"
