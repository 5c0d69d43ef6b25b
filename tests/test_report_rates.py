"""The page of a session with recordings of several rates and with events."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import report_examples as examples

from pipeline.layouts import Channel
from pipeline.recording import write_samples
from pipeline.report import write_report
from pipeline.report.glance import N_COLUMNS, look
from schemas.conditions import BY_NAME

SKIN = Channel("skin", "other", "Cel", 0.01, 0.0, 4.0, 0, 5000)


def beside(folder: Path, first_s: float, stop_s: float, lost_s: tuple[float, float] = (0, 0)) -> None:
    """A recording of the skin's temperature at 4 Hz, beside that of the field."""
    time_s = np.arange(first_s, stop_s, 0.25)
    lost = (time_s >= lost_s[0]) & (time_s < lost_s[1])
    quality = np.where(lost, BY_NAME["lost"].mask, 0).astype(np.uint32)
    values = {
        "sample": np.arange(len(time_s)),
        "time_s": time_s,
        "skin": (30 + 0.01 * time_s).astype(np.float32),
        "quality": quality,
    }
    path = folder / "samples_4hz.parquet"
    write_samples(path, [SKIN], iter([(~lost, values)]), {"sample_hz": "4.0"}, with_quality=True)


def events(folder: Path, *seconds: float) -> dict[str, Any]:
    pq.write_table(pa.table({"time_s": list(seconds)}), folder / "events.parquet")
    return {"file": "events.parquet", "n_events": len(seconds)}


def test_envelopes_and_marks_of_all_recordings_share_one_axis(tmp_path: Path) -> None:
    examples.session(tmp_path, verdict="accept")
    beside(tmp_path, -5.0, 70.0, lost_s=(30, 45))
    glance = look(tmp_path / "samples.parquet", 60.0)
    assert glance is not None
    assert [e.channel.name for e in glance.envelopes] == ["field", "acc_x", "acc_y", "acc_z", "skin"]
    skin = glance.envelopes[-1]
    # What lies before and behind the picture is not pressed into its edges.
    assert np.nanmin(skin.low) == pytest.approx(30.0, abs=1e-3)
    assert np.nanmax(skin.high) == pytest.approx(30.6, abs=0.01)
    assert glance.runs(BY_NAME["lost"].mask).tolist() == [pytest.approx([30, 45], abs=1.1)]


def test_time_that_a_sensor_does_not_cover_shows_as_lost(tmp_path: Path) -> None:
    examples.session(tmp_path, verdict="accept")
    beside(tmp_path, 0.0, 45.0)
    lost = BY_NAME["lost"].mask
    glance = look(tmp_path / "samples.parquet", 60.0)
    assert glance is not None
    assert len(glance.runs(lost)) == 0  # a temperature counts for nothing
    path = tmp_path / "samples_4hz.parquet"
    axes = replace(SKIN, kind="acceleration", name="acc_w")
    values = {
        "sample": np.arange(120),
        "time_s": np.arange(120) / 4 + 10,
        "quality": np.zeros(120, np.uint32),
    }
    rows = [(np.ones(120, bool), {**values, "acc_w": np.zeros(120, np.float32)})]
    clock = {"clock_rows": "[0, 4]", "clock_s": "[10, 11]"}
    write_samples(path, [axes], iter(rows), {"sample_hz": "4.0", **clock}, with_quality=True)
    glance = look(tmp_path / "samples.parquet", 60.0)
    assert glance is not None
    assert glance.runs(lost).tolist() == [pytest.approx((0, 10), abs=0.1), pytest.approx((40, 60), abs=0.1)]
    glance = look(tmp_path / "samples.parquet", 60.0, all_lost=True)
    assert glance is not None
    assert glance.runs(lost).tolist() == [[0, 60]]


def test_a_field_slower_than_the_accelerometer_stands_first(tmp_path: Path) -> None:
    examples.session(tmp_path, verdict="accept")
    (tmp_path / "samples.parquet").rename(tmp_path / "samples_250hz.parquet")
    beside(tmp_path, 0.0, 60.0)
    (tmp_path / "samples_4hz.parquet").rename(tmp_path / "samples.parquet")
    glance = look(tmp_path / "samples.parquet", 60.0)
    assert glance is not None
    assert [e.channel.name for e in glance.envelopes] == ["field", "acc_x", "acc_y", "acc_z", "skin"]
    assert list(glance.spectra) == ["field"]


def test_events_are_lines_in_the_columns_where_they_came(tmp_path: Path) -> None:
    examples.session(tmp_path, verdict="accept")
    events(tmp_path, -3.0, 10.0, 10.001, 30.0, 61.0)
    glance = look(tmp_path / "samples.parquet", 60.0)
    assert glance is not None
    assert glance.events_s.tolist() == pytest.approx([10.0, 30.0], abs=60 / N_COLUMNS)


def test_page_names_every_file_with_its_channels(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept")
    beside(tmp_path, 0.0, 60.0)
    quality["recordings"] = [
        {"file": "samples.parquet", "sample_hz": 250.0, "n_samples": 15000, "channels": ["field", "acc_x"]},
        {"file": "samples_4hz.parquet", "sample_hz": 4.0, "n_samples": 240, "channels": ["skin"]},
    ]
    quality["events"] = events(tmp_path, 10.0, 30.0)
    quality["layout"], quality["made_by"]["layout_sha256"] = "card;radio", "12" * 32 + " " + "34" * 32
    out = tmp_path / "report.html"
    write_report(
        quality, tmp_path / "samples.parquet", tmp_path / "findings.parquet", [], out, tmp_path / "strip.svg"
    )
    page = out.read_text(encoding="utf-8").replace("\u202f", " ")
    for said in (
        "<code>samples.parquet</code>: field, acc_x, 250 Hz, 15 000 samples",
        "<code>samples_4hz.parquet</code>: skin, 4 Hz, 240 samples; all on one clock",
        "2 in <code>events.parquet</code>",
        '<dd>card <span class="hash">sha256 1212',
        '<dd>radio <span class="hash">sha256 3434',
        "the others at 4 Hz",
    ):
        assert said in page, said


def test_figures_at_the_top_are_those_of_the_channel_that_decides(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept")
    of_rows = next(m for m in quality["measures"] if m["name"] == "lost_fraction")
    axes = [{**of_rows, "channel": f"acc_{axis}", "value": 0.125} for axis in "xy"]
    quality["measures"] += axes
    quality["frames"] |= {"expected": None, "lost": None}
    out = tmp_path / "report.html"
    write_report(
        quality, tmp_path / "samples.parquet", tmp_path / "findings.parquet", [], out, tmp_path / "strip.svg"
    )
    page = out.read_text(encoding="utf-8").replace("\u202f", " ")
    assert '<dt>Samples lost</dt><dd>12.5 %<span class="aside">acc_x, acc_y</span></dd>' in page
    assert "9 damaged; no counter says how many frames were lost." in page
    assert " expected," not in page
