"""Losses and the clock against time, and the picture at the top, held against what stands in the samples."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import report_examples as examples

from pipeline.recording import open_recording, write_samples
from pipeline.report.course import clock, losses
from pipeline.report.glance import Glance, look
from pipeline.report.whole import whole


def seen(folder: Path, faults: dict[str, Any]) -> tuple[dict[str, Any], Glance]:
    quality = examples.session(folder, faults=faults)
    glance = look(folder / "samples.parquet", 60.0)
    assert glance is not None
    return quality, glance


def spaced(text: str) -> str:
    return text.replace("\u202f", " ")


def test_losses_stand_where_samples_were_lost(tmp_path: Path) -> None:
    quality, glance = seen(tmp_path, {"lost": ((0.5, 0.5125), (0.75, 0.752))})
    picture = losses(glance, quality)
    # In stretches of 0.5 s: 0.75 s from 30 s on fill one and half of the next, 0.12 s at 45 s a quarter.
    bars = [float(x) for x in re.findall(r"M([\d.]+) 100V", picture.path)]
    assert bars == pytest.approx([500.0, 508.33, 750.0], abs=0.01)
    assert spaced(picture.said).startswith(
        "3 of 120 stretches of 0.5 s lost samples; the worst, at 0:30, lost 100 %"
    )
    assert picture.rule == pytest.approx(95.0)  # the limit of the example is 5 %, the top is all of it


def test_share_of_a_stretch_is_its_height(tmp_path: Path) -> None:
    quality, glance = seen(tmp_path, {"lost": ((0.75, 0.752),)})
    picture = losses(glance, quality)
    assert spaced(picture.top) == "24 %"  # 30 of 125 samples
    assert "lost 24 %" in spaced(picture.said)


def test_no_loss_needs_no_picture(tmp_path: Path) -> None:
    quality, glance = seen(tmp_path, {})
    assert losses(glance, quality).path == ""
    assert "No sample was lost" in losses(glance, quality).said


def timed(folder: Path, rows: list[float], seconds: list[float], source: str = "ticks") -> Any:
    n = int(rows[-1]) + 1
    at_s = np.interp(np.arange(n), rows, seconds)
    values = {"sample": np.arange(n), "time_s": at_s, "quality": np.zeros(n, np.uint32)}
    values["field"] = np.zeros(n, np.float32)
    facts = {"sample_hz": "250.0", "clock_source": source, "clock_rows": str(rows), "clock_s": str(seconds)}
    path = folder / "samples.parquet"
    blocks = iter([(np.ones(n, bool), values)])
    write_samples(path, [examples.FIELD], blocks, facts, with_quality=True)
    return open_recording(path)


def told(source: str = "ticks") -> dict[str, Any]:
    return {"clock": {"source": source, "residual_s": 0.00021, "rate_hz": 250.0, "restarts": 0}}


def test_clock_bends_where_its_pace_changes(tmp_path: Path) -> None:
    # 250 Hz is 10 s for 2500 rows: on time up to there, then 1000 ppm slow for another 10 s.
    picture = clock(timed(tmp_path, [0, 2500, 5000], [0.0, 10.0, 20.01]), told())
    points = [tuple(map(float, point.split())) for point in picture.path[1:].split("L")]
    assert points[0] == (0, 50)
    assert points[1] == pytest.approx((499.75, 50), abs=0.1)
    assert points[-1] == pytest.approx((1000, 2), abs=0.1)
    assert "At the end samples come 10 ms later than by the nominal rate" in spaced(picture.said)
    assert "within 0.21 ms" in spaced(picture.said)
    assert picture.marks == ()


def test_a_pause_is_a_mark_and_no_drift(tmp_path: Path) -> None:
    rows, seconds = [0, 2500, 2501, 5000], [0.0, 10.0, 40.004, 50.0]
    picture = clock(timed(tmp_path, rows, seconds), told())
    assert picture.marks == pytest.approx((200.0,), abs=0.5)
    assert "1 jump of time" in picture.said
    assert all(abs(float(point.split()[1]) - 50) < 49 for point in picture.path[1:].split("L"))


def test_without_a_clock_nothing_is_drawn(tmp_path: Path) -> None:
    picture = clock(timed(tmp_path, [0, 5000], [0.0, 20.0], "nominal"), told("nominal"))
    assert picture.path == ""
    assert "carries no clock" in picture.said


def test_the_picture_at_the_top_shows_parts_and_losses(tmp_path: Path) -> None:
    quality, glance = seen(tmp_path, {"lost": ((0.7, 0.75),), "saturated": ((0.2, 0.3),)})
    picture = whole(quality, glance, examples.activities(60.0))
    starts = {name: [float(x) for x in re.findall(r"M([\d.]+) ", picture[name])] for name in picture}
    assert starts["usable"] == pytest.approx([0, 300, 750], abs=1)
    assert starts["faults"] == pytest.approx([200], abs=1)
    assert starts["lost"] == pytest.approx([700], abs=1)
    assert len(starts["field"]) == 2  # before the loss and after it
    assert len(starts["activities"]) == len(examples.ACTIVITIES)
    assert "Faults: lost, at a rail" in picture["said"]
