"""What of a recording travels in its page: nothing of it disappears, at whatever zoom."""

import base64
import json
import math
import re
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import report_examples as examples
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.layouts import Channel
from pipeline.recording import Block, open_recording, write_samples
from pipeline.report import drawn, moments, viewer
from pipeline.report.layers import Layer
from pipeline.report.parts import templates
from schemas.conditions import BY_NAME

COUNTS = Channel("field", "field", "V", 0.5, -3.0, 250.0, -(1 << 23), (1 << 23) - 1)
DOWN = replace(COUNTS, name="down", scale=-0.25)
LOST = BY_NAME["lost"].mask
NOTHING: dict[str, Any] = {"conditions": {}, "measures": []}


def unpacked(view: Mapping[str, Any]) -> list[list[dict[str, Any]]]:
    """The layers of each recording, as the browser unpacks them; counts, NaN where nothing is."""
    data = zlib.decompress(base64.b64decode(view["data"]))
    at, recordings = 0, []
    for recording in view["facts"]["recordings"]:
        layers = []
        for head in recording["layers"]:
            layer, at = layer_from(head, data, at)
            layers.append(layer)
        recordings.append(layers)
    assert at == len(data)
    return recordings


def layer_from(head: Mapping[str, Any], data: bytes, at: int) -> tuple[dict[str, Any], int]:
    n = head["n"]
    bits, at = np.frombuffer(data[at : at + n], np.uint8), at + n
    low, high = np.full((2, len(head["channels"]), n), np.nan)
    for i, fact in enumerate(head["channels"]):
        there = np.unpackbits(np.frombuffer(data[at : at + (n + 7) // 8], np.uint8))[:n] == 1
        at += (n + 7) // 8
        least, at = numbers(data, at, n, fact["planes"])
        if fact["order"]:
            least = np.cumsum(np.where(least % 2, -(least + 1) // 2, least // 2))
        more, at = numbers(data, at, n, fact["more"])
        low[i, there] = fact["base"] + least[there] * 2 ** fact["shift"]
        high[i, there] = fact["base"] + (least + more)[there] * 2 ** fact["shift"]
    return {**head, "bits": bits, "low": low, "high": high}, at


def numbers(data: bytes, at: int, n: int, planes: int) -> tuple[np.ndarray, int]:
    out = np.zeros(n, np.int64)
    for p in range(planes):
        out += np.frombuffer(data[at + p * n : at + (p + 1) * n], np.uint8).astype(np.int64) << (8 * p)
    return out, at + planes * n


def blocks(values: Mapping[str, np.ndarray], size: int) -> Iterator[Block]:
    n = len(next(iter(values.values())))
    for start in range(0, n, size):
        yield Block(start, {name: column[start : start + size] for name, column in values.items()})


def page(view: Mapping[str, Any], stills: Sequence[Mapping[str, Any]] = ()) -> str:
    """A page of nothing but the recording."""
    text = """{% from "parts.html" import head %}
{% from "viewer.html" import viewer %}
{% from "moments.html" import moments %}
{{ head("throw-01", "", [view.script]) }}
<style>{% include "style.css" %}{% include "viewer.css" %}</style></head>
<body><main><h1>throw-01</h1>
{% call viewer(view) %}<p>as a still picture</p>{% endcall %}
{{ moments(stills) }}</main></body></html>"""
    return templates().from_string(text).render(view=view, stills=stills)


def seen(folder: Path, quality: Mapping[str, Any], doings: Sequence[Any] = ()) -> viewer.Seen:
    findings = pq.read_table(folder / "findings.parquet").to_pylist()
    found = viewer.see(quality, folder / "samples.parquet", findings, doings)
    assert found is not None
    return found


def small_recording(folder: Path, counts: np.ndarray, channel: Channel, lost: np.ndarray) -> dict[str, Any]:
    """Write samples of one channel; return as much of a quality as the viewer asks for."""
    n = len(counts)
    columns = {
        "sample": np.arange(n),
        "time_s": np.arange(n) / 250,
        channel.name: counts * channel.scale + channel.offset,
        "quality": np.where(lost, LOST, 0).astype(np.uint32),
    }
    metadata = {"sample_hz": "250.0"}
    write_samples(
        folder / "samples.parquet", [channel], iter([(~lost, columns)]), metadata, with_quality=True
    )
    quality = {"duration_s": n / 250, "reasons": [], "usable": [], "time_zone": "Europe/Lisbon"}
    return {**quality, **NOTHING, "started_at": "2026-03-02T09:30:00+00:00", "session": "throw-01"}


@settings(max_examples=60, deadline=None)
@given(
    n=st.integers(1, 3000),
    step=st.sampled_from([1, 2, 4, 16, 64]),
    size=st.integers(1, 1000),
    spike=st.integers(0, 2999),
    height=st.integers(-(1 << 23), (1 << 23) - 1),
    seed=st.integers(0, 1 << 32),
    lost=st.sampled_from([0.0, 0.3, 1.0]),
)
def test_a_spike_of_one_sample_survives_in_every_bin_at_every_zoom(
    n: int, step: int, size: int, spike: int, height: int, seed: int, lost: float
) -> None:
    rng = np.random.default_rng(seed)
    counts = rng.integers(-40, 40, (2, n)).astype(float)
    counts[:, spike % n] = height
    counts[rng.random((2, n)) < lost] = np.nan
    bits = rng.integers(0, 256, n).astype(np.uint32)
    channels = (COUNTS, DOWN)
    columns = {c.name: counts[i] * c.scale + c.offset for i, c in enumerate(channels)} | {"quality": bits}
    layer = Layer(channels, 0, n, step)
    for block in blocks(columns, size):
        layer.add(block)
    for _ in range(2):
        head, data = layer.packed()
        got, at = layer_from(head, data, 0)
        assert at == len(data)
        edges = np.arange(0, n, layer.step)
        assert np.array_equal(got["bits"], np.bitwise_or.reduceat(bits, edges).astype(np.uint8))
        for i, fact in enumerate(head["channels"]):
            least, most = np.fmin.reduceat(counts[i], edges), np.fmax.reduceat(counts[i], edges)
            off_by = 2 ** fact["shift"] - 1  # of noise that is many counts high, bounds are rounded outwards
            assert layer.step > 1 or off_by == 0
            assert np.array_equal(np.isnan(got["low"][i]), np.isnan(least))
            there = ~np.isnan(least)
            assert np.all((got["low"][i] <= least) & (got["low"][i] >= least - off_by), where=there)
            assert np.all((got["high"][i] >= most) & (got["high"][i] <= most + off_by), where=there)
            assert off_by == 0 or off_by < np.quantile((most - least)[there], 0.06) / 256
        layer = layer.coarser()


@pytest.mark.parametrize("at", [0, 1, 7_777, 14_999])
def test_of_a_recording_too_long_the_page_holds_bounds_and_the_moments(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    monkeypatch.setattr(drawn, "WHOLE_VALUES", 20_000)
    monkeypatch.setattr(drawn, "BOUNDS", 10_000)
    monkeypatch.setattr(viewer, "SINGLE_VALUES", 6_000)
    quality = examples.session(tmp_path, faults={"saturated": ((0.5, 0.52),)})
    columns = pq.read_table(tmp_path / "samples.parquet")
    field = columns["field"].to_numpy().copy()
    field[at] = -0.29
    spiked = columns.set_column(2, columns.schema.field("field"), [field])
    pq.write_table(spiked, tmp_path / "samples.parquet")
    found = seen(tmp_path, quality)
    base, *details = unpacked(found.viewer)[0]
    scale, offset = examples.FIELD.scale, examples.FIELD.offset
    assert base["step"] == 16
    assert base["low"][0, at // 16] == round((-0.29 - offset) / scale)
    assert np.argmin(base["low"][0]) == at // 16
    (detail,) = details
    rows = slice(detail["first"], detail["first"] + detail["n"])
    assert detail["step"] == 1
    assert rows.start < 7500 < rows.stop
    assert np.array_equal(detail["low"][0], np.rint((field[rows].astype(float) - offset) / scale))
    assert np.array_equal(detail["low"], detail["high"])
    assert "every 16 samples (0.064" in found.viewer["travels"]


def test_a_short_recording_travels_whole_and_gives_every_count_back(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults={"lost": ((0.7, 0.73),), "saturated": ((0.2, 0.23),)})
    found = seen(tmp_path, quality)
    ((base,),) = unpacked(found.viewer)
    table = pq.read_table(tmp_path / "samples.parquet")
    assert base["step"] == 1
    for i, channel in enumerate(examples.CHANNELS):
        values = table[channel.name].to_numpy().astype(float)
        counts = np.rint((values - channel.offset) / channel.scale)
        assert np.array_equal(base["low"][i], counts, equal_nan=True)
    assert np.array_equal(base["bits"], table["quality"].to_numpy())
    assert found.viewer["travels"] == "Every single sample of the recording is in this page."


def test_same_input_gives_same_bytes(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults={"saturated": ((0.2, 0.23),)})
    one, other = (seen(tmp_path, quality, examples.activities(60.0)) for _ in range(2))
    assert page(one.viewer, one.stills) == page(other.viewer, other.stills)


def test_an_hour_stays_within_its_budget(tmp_path: Path) -> None:
    faults = {"lost": ((0.7, 0.703),), "saturated": ((0.5, 0.5005),), "contact_loss": ((0.3, 0.35),)}
    quality = examples.session(tmp_path, duration_s=3600.0, faults=faults)
    found = seen(tmp_path, quality, examples.activities(3600.0))
    assert len(page(found.viewer, found.stills).encode()) < 900_000
    assert len(found.stills) == 3


def test_bins_grow_where_the_bytes_of_noise_go_beyond_the_budget(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drawn, "PACKED_BYTES", 2_000)
    counts = np.random.default_rng(2).integers(-(1 << 23), (1 << 23) - 1, 5_000).astype(float)
    quality = small_recording(tmp_path, counts, COUNTS, np.zeros(5_000, bool))
    rows = [finding("saturation", 10.0, 10.02)]
    monkeypatch.setattr(viewer, "SINGLE_VALUES", 600)
    found = viewer.see(quality, tmp_path / "samples.parquet", rows, [])
    assert found is not None
    assert len(base64.b64decode(found.viewer["data"])) <= 2_000 + 3 * 600 + 100  # bins, and single samples
    ((base, detail),) = unpacked(found.viewer)
    assert base["step"] == 8
    assert np.array_equal(detail["low"][0], counts[detail["first"] :][: detail["n"]])
    assert "nothing arrived" not in found.stills[0]["picture"]
    assert "stroke=" in found.stills[0]["picture"]
    assert base["low"].min() <= counts.min()
    assert base["high"].max() >= counts.max()
    assert "rounded outwards by less than can be seen: field to 32768 counts" in found.viewer["quantised"]


@pytest.mark.parametrize("n", [1, 2])
@pytest.mark.parametrize("all_lost", [False, True])
def test_a_recording_of_next_to_nothing(tmp_path: Path, n: int, all_lost: bool) -> None:
    quality = small_recording(tmp_path, np.full(n, 5.0), COUNTS, np.full(n, all_lost))
    found = viewer.see(quality, tmp_path / "samples.parquet", [], [])
    assert found is not None
    ((base,),) = unpacked(found.viewer)
    assert np.array_equal(base["low"], np.full((1, n), np.nan if all_lost else 5.0), equal_nan=True)
    assert base["bits"].tolist() == [LOST * all_lost] * n
    facts = found.viewer["facts"]["recordings"][0]
    assert facts["rows"] == list(range(n + 1))
    assert facts["seconds"] == pytest.approx([row / 250 for row in range(n + 1)])


def test_recordings_of_several_rates_stand_side_by_side(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept")
    skin = Channel("skin", "other", "Cel", 0.01, 0.0, 4.0, 0, 5000)
    columns = {"sample": np.arange(240), "time_s": np.arange(240) / 4, "quality": np.zeros(240, np.uint32)}
    rows = iter([(np.ones(240, bool), {**columns, "skin": np.full(240, 30.5, np.float32)})])
    write_samples(tmp_path / "samples_4hz.parquet", [skin], rows, {"sample_hz": "4.0"}, with_quality=True)
    found = seen(tmp_path, quality)
    main, slow = unpacked(found.viewer)
    assert main[0]["n"] == 15_000
    assert slow[0]["low"].tolist() == [[3050.0] * 240]
    assert found.viewer["facts"]["lost"] == []


def test_time_that_a_sensor_does_not_cover_is_told_as_lost(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept")
    axis = Channel("acc_w", "acceleration", "m/s2", 0.01, 0.0, 4.0, 0, 5000)
    columns = {
        "sample": np.arange(120),
        "time_s": np.arange(120) / 4 + 10,
        "quality": np.zeros(120, np.uint32),
    }
    rows = iter([(np.ones(120, bool), {**columns, "acc_w": np.zeros(120, np.float32)})])
    metadata = {"sample_hz": "4.0", "clock_rows": "[0, 4]", "clock_s": "[10, 11]"}
    write_samples(tmp_path / "samples_4hz.parquet", [axis], rows, metadata, with_quality=True)
    assert seen(tmp_path, quality).viewer["facts"]["lost"] == [(0.0, 10.0), (40.0, 60.0)]


def test_events_travel_with_their_own_times_while_they_are_few(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quality = examples.session(tmp_path, verdict="accept")
    assert seen(tmp_path, quality).viewer["facts"]["events"] == {"each": False, "seconds": []}
    pq.write_table(pa.table({"time_s": [-3.0, 10.0, 10.001, 30.0, 61.0]}), tmp_path / "events.parquet")
    assert seen(tmp_path, quality).viewer["facts"]["events"] == {
        "each": True,
        "seconds": [10.0, 10.001, 30.0],
    }
    monkeypatch.setattr(viewer, "MOST_EVENTS", 4)
    events = seen(tmp_path, quality).viewer["facts"]["events"]
    assert events == {"each": False, "seconds": pytest.approx([10.0, 30.0], abs=0.05)}


def test_a_pause_of_the_clock_stays_a_pause(tmp_path: Path) -> None:
    rows, seconds = [0, 499, 500, 999], [0.0, 1.996, 3601.0, 3602.996]
    recording = write_with_clock(tmp_path, rows, seconds)
    got_rows, got_s = viewer._knots(recording)
    at = np.interp(np.arange(1000), got_rows, got_s)
    assert np.abs(at - np.interp(np.arange(1000), rows, seconds)).max() < 0.0005


def test_a_clock_of_very_many_knots_is_told_by_few(tmp_path: Path) -> None:
    rows = np.arange(0, 1_000_001, 100)
    seconds = rows / 250 + np.random.default_rng(3).normal(0, 1e-5, len(rows))
    recording = write_with_clock(tmp_path, rows.tolist(), seconds.tolist())
    got_rows, _ = viewer._knots(replace(recording, n_rows=1_000_001))
    assert len(got_rows) <= viewer.MOST_KNOTS + 1


def write_with_clock(folder: Path, rows: list[int], seconds: list[float]) -> Any:
    small_recording(folder, np.zeros(1000), COUNTS, np.zeros(1000, bool))
    table = pq.read_table(folder / "samples.parquet")
    own = {b"clock_rows": json.dumps(rows).encode(), b"clock_s": json.dumps(seconds).encode()}
    pq.write_table(
        table.replace_schema_metadata({**table.schema.metadata, **own}), folder / "samples.parquet"
    )
    return open_recording(folder / "samples.parquet")


def finding(
    detector: str, start_s: float, stop_s: float, severity: str = "fault", **own: Any
) -> dict[str, Any]:
    said = {"channel": "field", "explanation": f"{detector} was found.", **own}
    return {"detector": detector, "start_s": start_s, "stop_s": stop_s, "severity": severity, **said}


def test_moments_are_those_behind_the_verdict_and_few() -> None:
    quality = {"duration_s": 600.0, "reasons": [{"measure": "contact_loss_fraction"}], **NOTHING}
    findings = [finding("saturation", s, s + 0.1) for s in range(10, 400, 20)]
    findings += [finding("contact_loss", 500, 540), finding("contact_loss", 20, 25)]
    findings += [finding("mains", 50, 60, "note"), finding("clock", 0, 600, "warning")]
    chosen = moments.choose(quality, findings, 10.0)
    assert len(chosen) == 6
    assert [m.start_s for m in chosen] == sorted(m.start_s for m in chosen)
    decided = [m for m in chosen if m.decided]
    assert [(m.from_s, m.part) for m in decided] == [(20, "all"), (500, "start")]
    assert {m.detector for m in chosen} == {"contact_loss", "saturation"}
    for m in chosen:
        assert 0 <= m.start_s < m.stop_s <= 600
        assert m.stop_s - m.start_s <= 10


def test_what_takes_all_of_a_recording_shows_a_stretch_of_its_middle() -> None:
    quality = {"duration_s": 600.0, "reasons": [{"measure": "mains_fraction"}], **NOTHING}
    (moment,) = moments.choose(quality, [finding("mains", 0.0, 600.0)], 10.0)
    assert (moment.start_s, moment.stop_s, moment.part) == (295.0, 305.0, "middle")


def test_what_lies_beyond_the_recording_has_no_picture() -> None:
    quality = {"duration_s": 60.0, "reasons": [], **NOTHING}
    assert moments.choose(quality, [finding("activity_mismatch", 60.0, 90.0)], 10.0) == ()
    assert moments.choose({**quality, "duration_s": None}, [finding("mains", 0.0, 9.0)], 10.0) == ()


def test_the_picture_of_a_moment_holds_its_extremes_and_its_gaps() -> None:
    quality = {"duration_s": 60.0, "reasons": [], **NOTHING}
    (moment,) = moments.choose(quality, [finding("saturation", 20.0, 24.0)], 10.0)
    time_s = np.arange(5000, 7500) / 250
    values = np.zeros(2500)
    values[1234], values[1000:1100] = 0.2, np.nan
    channel = replace(COUNTS, scale=0.001)
    drawn = str(moments.picture(moment, [moments.Trace(channel, time_s - 3, values)]))
    assert ">200<" in drawn
    assert ">mV<" in drawn
    path = re.search(r'stroke="var\(--field\)"[^>]* d="([^"]*)"', drawn)
    assert path
    assert path[1].count("M") == 2
    tops = [int(dy) for dy in re.findall(r"l\d+\s?(-?\d+)", path[1])]
    assert min(tops) <= -(moments._TALL - 10)
    assert "nothing arrived" in moments.picture(moment, [moments.Trace(channel, time_s, values * math.nan)])


def test_names_can_hold_anything(tmp_path: Path) -> None:
    evil = "</script><script>alert(1)</script>\x00<b>"
    channel = replace(COUNTS, name=evil.replace("\x00", ""), kind="other", unit="<i>")
    quality = small_recording(tmp_path, np.arange(500.0), channel, np.zeros(500, bool))
    doing = examples.Doing(0.1, 0.9, evil, "arm")
    rows = [finding("saturation", 0.5, 0.6, channel=evil, explanation=evil)]
    found = viewer.see(quality, tmp_path / "samples.parquet", rows, [doing])
    assert found is not None
    made = page(found.viewer, found.stills)
    assert "<script>alert" not in made
    assert "<b>" not in made
    assert "<i>" not in made
    assert made.count("</script>") == 3
