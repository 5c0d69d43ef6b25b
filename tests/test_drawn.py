"""What pages show is drawn once and kept: pages made of it are those made of the samples themselves."""

import zlib
from pathlib import Path

import numpy as np
import pytest
import report_examples as examples
from hypothesis import given
from hypothesis import strategies as st

from pipeline.layouts import Channel
from pipeline.recording import write_samples
from pipeline.report import write_report
from pipeline.report.drawn import draw_files, read_drawn, write_drawn
from pipeline.report.segments import Segment, joined

FAULTS = {"saturated": ((0.2, 0.23),), "lost": ((0.7, 0.73),), "contact_loss": ((0.4, 0.5),)}


@given(st.lists(st.binary(max_size=3000), max_size=5))
def test_pieces_that_were_deflated_apart_are_one_stream(pieces: list[bytes]) -> None:
    """A stream as RFC 1950 has it, its checksum included: zlib checks it."""
    assert zlib.decompress(joined([Segment.of(piece) for piece in pieces])) == b"".join(pieces)


def slower(folder: Path) -> None:
    """A second recording beside the first."""
    skin = Channel("skin", "other", "Cel", 0.01, 0.0, 4.0, 0, 5000)
    columns = {"sample": np.arange(240), "time_s": np.arange(240) / 4, "quality": np.zeros(240, np.uint32)}
    rows = iter([(np.ones(240, bool), {**columns, "skin": np.full(240, 30.5, np.float32)})])
    write_samples(folder / "samples_4hz.parquet", [skin], rows, {"sample_hz": "4.0"}, with_quality=True)


@pytest.mark.parametrize("duration_s", [60.0, 900.0])
def test_pages_of_what_was_kept_are_those_of_the_samples(tmp_path: Path, duration_s: float) -> None:
    quality = examples.session(tmp_path, duration_s=duration_s, faults=FAULTS)
    slower(tmp_path)
    samples, findings = tmp_path / "samples.parquet", tmp_path / "findings.parquet"
    made = draw_files(samples, quality["duration_s"])
    write_drawn(made, tmp_path / "drawn.npz")
    kept = read_drawn(tmp_path / "drawn.npz", samples)
    doings = examples.activities(quality["duration_s"])
    for name, drawn in (("one", None), ("other", kept)):
        out = tmp_path / f"{name}.html", tmp_path / f"{name}.svg"
        write_report(quality, samples, findings, doings, *out, drawn=drawn)
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "other.html").read_bytes()
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "other.svg").read_bytes()
    first = (tmp_path / "drawn.npz").read_bytes()
    write_drawn(made, tmp_path / "drawn.npz")
    assert (tmp_path / "drawn.npz").read_bytes() == first


def test_of_no_rows_nothing_is_kept(tmp_path: Path) -> None:
    write_samples(
        tmp_path / "samples.parquet", [examples.FIELD], iter([]), {"sample_hz": "250.0"}, with_quality=True
    )
    assert draw_files(tmp_path / "samples.parquet", 0.0) is None
    write_drawn(None, tmp_path / "drawn.npz")
    assert read_drawn(tmp_path / "drawn.npz", tmp_path / "samples.parquet") is None
