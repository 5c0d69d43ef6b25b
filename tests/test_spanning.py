"""Recordings of a session that do not begin and end together, and channels of which nothing came."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from encode import encode_all
from line import Given, Judged, read_layout, run_line
from test_recordings import dump_of, layout_text, part_of
from wearing import Wearing

from pipeline.frames import read_frames
from pipeline.timebase import Placing, place_session
from pipeline.timebase.spanning import spanned

FAST_HZ, FRAME_S = 400, 0.04
EVENT_S = (2.0, 30.0, 55.0)


def left_of(folder: Path, axes_s: tuple[float, float], field_s: tuple[float, float]) -> tuple[str, bytes]:
    """A dump in which frames of the axes, the faster ones, and of the field came in part of the time."""
    text = layout_text(axes_hz=FAST_HZ)
    _, counts = dump_of(text, folder, Wearing(seconds=60), axes_hz=FAST_HZ)
    on = {0: field_s, 1: axes_s, 2: (0, 60)}
    frames = encode_all(read_layout(text, folder), counts, event_s=EVENT_S)
    came = [f for f in frames if f.kind == 2 or on[f.kind][0] <= f.sequence * FRAME_S < on[f.kind][1]]
    return text, b"".join(frame.data for frame in came)


def judged(folder: Path, axes_s: tuple[float, float], field_s: tuple[float, float]) -> Judged:
    return run_line(folder, {"boards": Given(*left_of(folder, axes_s, field_s))}, mains_hz=50)["boards"]


def test_a_main_recording_that_ends_early_goes_on_in_lost_samples(tmp_path):
    done = judged(tmp_path, (0, 40), (0, 60))
    assert done.quality["duration_s"] == pytest.approx(60, abs=0.01)
    assert done.quality["n_samples"] == 60 * FAST_HZ
    assert done.value("lost_fraction") == pytest.approx(1 / 3, abs=1e-3)
    (usable,) = done.quality["usable"]
    assert usable == [pytest.approx(0, abs=0.01), pytest.approx(40, abs=0.01)]
    gap = next(row for row in done.findings if row["severity"] == "fault")
    assert gap["explanation"].startswith("Nothing of acc_x, acc_y, acc_z arrived for 20.0 s")


def test_second_0_is_the_first_sample_of_whatever_came_first(tmp_path):
    done = judged(tmp_path, (15, 60), (0, 60))
    field = pq.read_table(done.places.samples_of("_250hz"))
    assert field["time_s"][0].as_py() == pytest.approx(0, abs=0.003)
    present = done.samples["acc_x"].is_valid().to_numpy()
    assert (np.flatnonzero(present)[0], len(present)) == (15 * FAST_HZ, 60 * FAST_HZ)
    assert done.samples["time_s"][0].as_py() == 0
    events = pq.read_table(done.places.events)
    assert events["time_s"].to_numpy() == pytest.approx(EVENT_S, abs=0.005)
    assert events["sample"].to_numpy() == pytest.approx(np.array(EVENT_S) * FAST_HZ, abs=2)


@pytest.mark.parametrize("axes_s", [(0, 60), (0.4, 60), (0, 59.5)])
def test_ends_that_are_less_than_a_second_apart_are_one(tmp_path, axes_s):
    placing = placed(tmp_path, *left_of(tmp_path, axes_s, (0, 60)))
    assert spanned(placing) is placing


def placed(folder: Path, text: str, dump: bytes) -> Placing:
    (folder / "a.bin").write_bytes(dump)
    return place_session([read_frames([("a.bin", folder / "a.bin")], read_layout(text, folder), folder)])


def test_a_pause_of_the_device_adds_no_rows(tmp_path):
    placing = placed(tmp_path, *left_of(tmp_path, (0, 40), (0, 60)))
    main, other = placing.grids
    rows = np.array([0.0, 50 * 250 - 1, 50 * 250, 60 * 250])
    seconds = np.array([0.0, 50 - 1 / 250, 1e7, 1e7 + 10])
    paused = replace(other, clock=replace(other.clock, knot_row=rows, knot_s=seconds))
    assert spanned(replace(placing, grids=(main, paused))).main.n_rows == main.n_rows


def test_without_any_field_nothing_is_usable(tmp_path):
    done = judged(tmp_path, (0, 60), (0, 0))
    assert done.quality["verdict"] == "reject"
    assert "samples of field were lost, 100.0 %" in done.quality["sentence"]
    assert done.quality["conditions"]["lost"]["fraction"] == 1.0
    assert set(done.samples["quality"].to_pylist()) == {0}  # of what stands in the file, all came
    assert [
        row["explanation"].partition(" came: ")[0] for row in done.findings if row["severity"] == "fault"
    ] == ["Not a sample of field"]


def test_without_the_accelerometer_the_field_is_used_in_part(tmp_path):
    done = judged(tmp_path, (0, 0), (0, 60))
    assert done.quality["verdict"] == "accept_in_part"
    assert "samples of acc_x, acc_y, acc_z were lost, 100.0 %" in done.quality["sentence"]
    assert len(done.quality["usable"]) == 1


def test_what_one_of_two_layouts_describes_may_come_by_the_other(tmp_path):
    text = layout_text()
    _, counts = dump_of(text, tmp_path, Wearing(seconds=60))
    frames = encode_all(read_layout(text, tmp_path), counts, event_s=EVENT_S)
    field, both = (b"".join(f.data for f in frames if f.kind in kinds) for kinds in ((0,), (0, 1)))
    given = Given(text, field, ((part_of(text, ("field", "axes")), both),))
    done = run_line(tmp_path, {"boards": given}, mains_hz=50)["boards"]
    assert done.quality["verdict"] == "accept"
