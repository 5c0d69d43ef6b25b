"""Files appear under their final name complete or not at all."""

import os
from collections.abc import Iterator
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
