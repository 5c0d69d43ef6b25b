"""Files appear under their final name complete or not at all."""

import csv
import io
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_aside(path: Path) -> Iterator[Path]:
    """Give a name beside `path` to write to; rename it to `path` on success, delete it on failure."""
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield aside
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8 with line feeds, atomically."""
    with written_aside(path) as aside:
        aside.write_text(text, encoding="utf-8", newline="\n")


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as text: RFC 4180, but for line ends of one character."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()
