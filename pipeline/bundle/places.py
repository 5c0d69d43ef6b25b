"""Where a bundle goes, and the folder aside in which it grows."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.holding import Busy, held, refuse_if_busy

ASIDE = ".part"
"""Behind the name of a bundle that is not complete."""

_HIDDEN, _LOCK = ".", ".lock"
"""Before and behind the name of a bundle, in the name of the file that says who makes it."""


def check_places(results: Path, bundle: Path, key: Path) -> None:
    """Find what forbids to make a bundle and its key where a user wants them.

    Raises
    ------
    InputError
        Where the name is taken, its folder does not exist, or one lies within another.
    """
    if bundle.is_symlink() or bundle.exists():
        found = "a folder" if bundle.is_dir() else "a file"
        remedy = "A bundle is never changed: choose another name, or move that one away."
        raise _problem(bundle, "a name that is free", f"{found} of that name", remedy)
    if not bundle.absolute().parent.is_dir():
        raise _problem(
            bundle, "a name in a folder that exists", "no such folder", "Create that folder first."
        )
    place, inside = bundle.resolve(), results.resolve()
    if place.is_relative_to(inside):
        remedy = "Results belong to runs: choose a place beside them."
        raise _problem(bundle, "a bundle apart from the results", "a place inside the results", remedy)
    if inside.is_relative_to(place):
        raise _problem(
            bundle, "a bundle apart from the results", "a place above them", "Choose another name."
        )
    if key.resolve().is_relative_to(place):
        remedy = "The key stays behind: choose a place beside the bundle."
        raise _problem(key, "a key apart from the bundle", "a place inside the bundle", remedy)
    if not key.absolute().parent.is_dir():
        raise _problem(key, "a key in a folder that exists", "no such folder", "Create that folder first.")


@contextmanager
def held_aside(bundle: Path) -> Iterator[Path]:
    """Give an empty folder beside `bundle` to fill; whatever of it is left at the end is taken away.

    A process that is killed leaves it, with a lock that says whose it is: the next one takes it away.

    Raises
    ------
    InputError
        Where another process makes the same bundle, or a folder of that name is somebody else's.
    """
    aside = bundle.with_name(bundle.name + ASIDE)
    lock = bundle.with_name(f"{_HIDDEN}{bundle.name}{_LOCK}")
    ours = lock.exists()
    try:
        with held(lock):
            if aside.exists() and not ours:
                remedy = "Move it away; a bundle grows in a folder of that name."
                raise _problem(aside, "a name that is free", "something of that name", remedy)
            shutil.rmtree(aside, ignore_errors=True)
            aside.mkdir()
            try:
                yield aside
            finally:
                shutil.rmtree(aside, ignore_errors=True)
    except Busy as busy:
        raise _problem(bundle, "a bundle that nobody else makes", str(busy), "Wait for it.") from None


def left_behind(bundle: Path) -> tuple[Path, ...]:
    """Folders and locks of other bundles in the same folder whose makers were killed."""
    found: list[Path] = []
    for lock in sorted(bundle.absolute().parent.glob(f"{_HIDDEN}*{_LOCK}")):
        name = lock.name.removeprefix(_HIDDEN).removesuffix(_LOCK)
        aside = lock.with_name(name + ASIDE)
        if name != bundle.name and aside.is_dir() and not _is_held(lock):
            found += [aside, lock]
    return tuple(found)


def _is_held(lock: Path) -> bool:
    try:
        refuse_if_busy(lock)
    except (Busy, OSError):  # who may not read it cannot say that nobody holds it
        return True
    return False


def _problem(place: Path, expected: str, found: str, remedy: str) -> InputError:
    return InputError([Problem(str(place), "", expected, found, remedy)])
