"""Makes a folder with a payload a BagIt 1.0 bag (RFC 8493) with SHA-512, and gives it its final name."""

import hashlib
import os
import re
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.progress import Watch, unwatched
from pipeline.writing import write_text
from schemas.bags import (
    BLOCK_BYTES,
    DECLARATION,
    DECLARATION_TEXT,
    INFO,
    MANIFEST,
    OXUM,
    PAYLOAD,
    TAG_MANIFEST,
    escaped,
)


def write_manifests(
    folder: Path,
    info: Mapping[str, str],
    watch: Watch = unwatched,
    known: Mapping[str, str] | None = None,
) -> None:
    """Write ``bagit.txt``, ``bag-info.txt`` and both manifests into a folder whose payload is in ``data/``.

    Folders without a file are taken away, since no manifest can list them.

    Parameters
    ----------
    folder : Path
        Holds ``data/`` complete, and tag files beside it, if any.
    info : mapping
        Label -> value of ``bag-info.txt``, in this order; white space in a value becomes one space. The
        payload's size is added.
    watch : callable, optional
        Called with the number of bytes that were hashed since it was called last.
    known : mapping, optional
        Path from the top, with slashes -> its SHA-512 where that was taken before; it is not read again.

    Raises
    ------
    ValueError
        Where something is neither file nor folder, a name is not UTF-8, there is no payload, or a label is
        not allowed.
    OSError
        Where a file cannot be read or written.
    """
    _prune(folder)
    sizes = {path: size for path, size in _files(folder) if path.startswith(f"{PAYLOAD}/")}
    if not sizes:
        raise ValueError(f"{folder} has no payload")
    oxum = f"{sum(sizes.values())}.{len(sizes)}"
    write_text(folder / DECLARATION, DECLARATION_TEXT)
    write_text(folder / INFO, _info_text({**info, OXUM: oxum}))
    write_text(folder / MANIFEST, _manifest_text(folder, list(sizes), watch, known or {}))
    tags = [p for p, _ in _files(folder) if p not in sizes and p != TAG_MANIFEST]
    write_text(folder / TAG_MANIFEST, _manifest_text(folder, tags, watch, {}))


def finish(aside: Path, final: Path) -> None:
    """Bring all of `aside` to the disk, then give it its final name in one step.

    Raises
    ------
    InputError
        Where something has the final name already.
    """
    if os.path.lexists(final):
        raise InputError(
            [Problem(str(final), "", "a name that is free", "something of that name", "Choose another name.")]
        )
    for path, _ in _files(aside):
        _sync(aside / path)
    for place, _, _ in os.walk(aside):
        _sync(Path(place))
    aside.rename(final)  # both stand in one folder
    _sync(final.parent)


def digest_of(path: Path, watch: Watch = unwatched) -> str:
    """SHA-512 of a file in lower-case hexadecimal digits; memory is that of a block."""
    digest, block = hashlib.sha512(), bytearray(BLOCK_BYTES)
    view = memoryview(block)
    with path.open("rb", buffering=0) as file:
        while n := file.readinto(block):
            digest.update(view[:n])
            watch(n)
    return digest.hexdigest()


def _files(folder: Path, inside: str = "") -> Iterator[tuple[str, int]]:
    """Path from the top, with slashes, and size of every file: folder by folder, in the order of names."""
    with os.scandir(folder / inside) as entries:
        ordered = sorted(entries, key=lambda entry: entry.name)
    for entry in ordered:
        path = f"{inside}/{entry.name}" if inside else entry.name
        status = entry.stat(follow_symlinks=False)
        if stat.S_ISDIR(status.st_mode):
            yield from _files(folder, path)
        elif not stat.S_ISREG(status.st_mode):
            raise ValueError(f"{folder / path} is neither a file nor a folder")
        else:
            path.encode("utf-8")  # a name that is not text is a ValueError, too
            yield path, status.st_size


def _manifest_text(folder: Path, paths: list[str], watch: Watch, known: Mapping[str, str]) -> str:
    ordered = sorted(paths)
    digests = [known.get(path) or digest_of(folder / path, watch) for path in ordered]
    return "".join(f"{digest}  {escaped(path)}\n" for digest, path in zip(digests, ordered, strict=True))


def _info_text(info: Mapping[str, str]) -> str:
    for label in info:
        if not label or label != label.strip() or re.search(r"[:\r\n]", label):
            raise ValueError(f"not a label for {INFO}: {label!r}")
    # One line each, however long: readers differ in how they put folded lines together.
    return "".join(f"{label}: {' '.join(value.split())}\n" for label, value in info.items())


def _prune(folder: Path) -> None:
    for place, _, _ in os.walk(folder, topdown=False):
        if Path(place) != folder and not any(Path(place).iterdir()):
            Path(place).rmdir()


def _sync(path: Path) -> None:
    """Have a file's or a folder's bytes on the disk, where the system can be asked for that."""
    try:
        number = os.open(path, os.O_RDONLY)
    except PermissionError:  # a folder on Windows
        return
    try:
        os.fsync(number)
    except OSError as error:
        if path.is_file() and os.name != "nt":
            raise error
    finally:
        os.close(number)
