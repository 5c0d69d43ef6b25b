"""How much room a bundle takes, estimated before it is made, and whether the disk has it."""

import shutil
from collections.abc import Callable, Collection
from pathlib import Path

import pyarrow.parquet as pq

from pipeline.bundle.choose import Picked
from pipeline.errors import InputError, Problem
from pipeline.progress import in_words

BYTES_A_VALUE = {"csv": 10, "edf": 2}
"""Format -> bytes for one value of a table of samples; measured on the demo: 9.8 and 1.4."""

BYTES_A_PAGE = 1_000_000
"""Of a report; measured on the demo: up to 0.7 MB, however long a session is."""


def sample_bytes(picked: Collection[Picked]) -> int:
    """Bytes of the samples that go into the bundle, as the results have them."""
    return sum(path.stat().st_size for path in _tables(picked))


def room_for(picked: Collection[Picked], formats: frozenset[str]) -> int:
    """About how many bytes the bundle will have: samples, the formats asked for, a page for each session."""
    a_value = sum(BYTES_A_VALUE[name] for name in formats)
    values = sum(map(_values, _tables(picked))) if a_value else 0
    return sample_bytes(picked) + values * a_value + len(picked) * BYTES_A_PAGE


def check_room(place: Path, needed: int, tell: Callable[[str], None]) -> None:
    """Tell how much is to be written and where; InputError where the disk has less room than that."""
    free = shutil.disk_usage(place.absolute()).free
    tell(f"About {in_words(needed)} to write into {place.absolute()}, where {in_words(free)} are free.")
    if needed > free:
        remedy = "Free space, choose another place, or ask for fewer formats."
        expected = f"room for about {in_words(needed)}"
        raise InputError([Problem(str(place), "", expected, f"{in_words(free)} free", remedy)])


def _tables(picked: Collection[Picked]) -> list[Path]:
    held = [one.held for one in picked if one.recording]
    return [path for one in held for path in one.samples.values()]


def _values(path: Path) -> int:
    table = pq.read_metadata(path)
    return int(table.num_rows * table.num_columns)
