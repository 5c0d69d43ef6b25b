"""How far work on a bundle is: on a terminal and in a file."""

import io
from collections.abc import Iterator

import pytest

from pipeline.progress import Progress, in_words


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def seconds(*several: float) -> Iterator[float]:
    yield from several


def test_a_file_has_a_line_every_ten_seconds_and_a_title_for_each_stage() -> None:
    out, now = io.StringIO(), seconds(0.0, 100.0, 104.0, 115.0, 130.0, 130.0)
    progress = Progress(out=out, clock=lambda: next(now))
    progress.stage("Recordings", 4_000_000)
    for n_bytes in (400_000, 600_000, 2_000_000):
        progress.add(n_bytes)
    progress.stage("Tables")
    assert out.getvalue().splitlines() == [
        "Recordings ...",
        "  25% of 4 MB, about 45 s left",
        "  75% of 4 MB, about 10 s left",
        "Tables ...",
    ]


def test_a_terminal_has_one_line_that_goes_at_the_end() -> None:
    out, now = Terminal(), seconds(*range(12))
    progress = Progress(1_000_000_000, out, lambda: next(now))
    for _ in range(10):
        progress.add(100_000_000)
    progress.end()
    text = out.getvalue()
    assert "  40% of 1 GB, about 6 s left" in text
    assert "\n" not in text
    assert "10%" not in text  # within the first seconds there is nothing to say
    assert text.endswith(" \r")


def test_little_work_shows_nothing() -> None:
    out = Terminal()
    progress = Progress(1000, out, lambda: 0.0)
    progress.add(1000)
    progress.end()
    assert out.getvalue() == ""


def test_nobody_who_listens_is_no_fault() -> None:
    class Gone(Terminal):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    Progress(out=Gone()).stage("Tables")


@pytest.mark.parametrize(
    ("n", "words"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1000, "1 kB"),
        (30_100, "30.1 kB"),
        (10**11, "100 GB"),
        (10**13, "10 TB"),
    ],
)
def test_sizes_in_words(n: int, words: str) -> None:
    assert in_words(n) == words
