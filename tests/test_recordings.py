"""Sessions of several rates and with events, from the dump to the final files."""

import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from encode import encode_all
from line import Given, Judged, read_layout, run_line
from make import FIELD, acceleration_axes, counts_of
from wearing import Wearing

from pipeline.recording import open_recording, to_counts, validate_recording
from pipeline.steps.by_name import SESSION_STEPS
from pipeline.steps.fallback import write_fallback
from pipeline.workflow import Plan
from schemas.columns import EVENT_SAMPLE, EVENT_TIME

HEAD = """\
framing = "sync"
sample_hz = 250
tick_hz = 32768
"""
KIND = """
[[frame]]
name = "{name}"
event = {event}
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "kind"
type = "u8"
value = {value}
[[frame.part]]
is = "sequence"
type = "u16"
[[frame.part]]
is = "ticks"
type = "u32"
[[frame.part]]
is = "samples"
type = "{type}"
count = {count}
channels = {channels}
[[frame.part]]
is = "checksum"
name = "CRC-16/XMODEM"
"""
CHANNELS = """
[[channel]]
name = "field"
kind = "field"
unit = "V"
bits = 12
reference_v = 3.0
gain = 5.0
ac_corner_hz = 0.16
""" + "".join(
    f'\n[[channel]]\nname = "acc_{axis}"\nkind = "acceleration"\nunit = "[g]"\nscale = {1 / 4096}\n'
    "sample_hz = {axes_hz}\n"
    for axis in "xyz"
)
MARKS = '\n[[channel]]\nname = "button"\nkind = "other"\nunit = "1"\nscale = 1\n'
AXES = '["acc_x", "acc_y", "acc_z"]'
EVENTS_S = (12.3, 40.0, 77.7)


def layout_text(axes_hz: float = 50, events: bool = True) -> str:
    count = round(axes_hz / 25)
    field = KIND.format(name="field", event="false", value=1, type="u16", count=10, channels='["field"]')
    axes = KIND.format(name="axes", event="false", value=2, type="i16", count=count, channels=AXES)
    marks = KIND.format(name="marks", event="true", value=3, type="u16", count=1, channels='["button"]')
    channels = CHANNELS.format(axes_hz=axes_hz) + (MARKS if events else "")
    return HEAD + field + axes + (marks if events else "") + channels


def dump_of(text: str, folder: Path, wearing: Wearing, axes_hz: float = 50) -> tuple[bytes, list[np.ndarray]]:
    """The dump of a wearing, and the counts in it: of the field, of the axes, of the button."""
    layout = read_layout(text, folder)
    field = counts_of(wearing.field_v(250), FIELD)[:, np.newaxis]
    axes = [counts_of(a, c) for a, c in zip(wearing.acceleration(axes_hz), acceleration_axes(), strict=True)]
    counts = [field, np.stack(axes, axis=1)]
    counts.sort(key=len, reverse=True)  # the layout's streams: the fastest first
    events_s = EVENTS_S if any(frame.is_event for frame in layout.frames) else ()
    counts += [np.array([[1], [2], [3]])] if events_s else []
    frames = encode_all(layout, counts, event_s=events_s)
    return b"".join(frame.data for frame in frames), counts


@pytest.fixture
def judged(tmp_path) -> Judged:
    text = layout_text()
    data, _ = dump_of(text, tmp_path, Wearing(seconds=90, walks=((20, 90),)))
    return run_line(tmp_path, {"boards": Given(text, data)}, mains_hz=50)["boards"]


def test_each_rate_has_a_file_of_its_own_on_one_clock(judged, tmp_path):
    counts = dump_of(layout_text(), tmp_path, Wearing(seconds=90, walks=((20, 90),)))[1]
    main = validate_recording(judged.places.samples)
    further = validate_recording(judged.places.samples_of("_50hz"))
    assert [c.name for c in main.channels] == ["field"]
    assert [c.name for c in further.channels] == ["acc_x", "acc_y", "acc_z"]
    for recording, made in ((main, counts[0]), (further, counts[1])):
        for i, channel in enumerate(recording.channels):
            values = np.concatenate(
                [block.columns[channel.name] for block in recording.blocks([channel.name])]
            )
            assert np.array_equal(to_counts(values, channel), made[:, i])
    times = [
        pq.read_table(path, columns=["time_s"])["time_s"].to_numpy() for path in (main.path, further.path)
    ]
    assert times[1] == pytest.approx(times[0][::5], abs=2e-4)  # frames leave together; ticks are 31 us long
    assert judged.quality["recordings"] == [
        {"file": "samples.parquet", "sample_hz": 250.0, "n_samples": 22500, "channels": ["field"]},
        {
            "file": "samples_50hz.parquet",
            "sample_hz": 50.0,
            "n_samples": 4500,
            "channels": ["acc_x", "acc_y", "acc_z"],
        },
    ]
    assert judged.quality["verdict"] == "accept"
    assert judged.quality["frames"]["decoded"] == 2 * 90 * 25


def test_kinds_of_one_rate_lose_their_own_samples_and_no_others(tmp_path):
    """Field and accelerometer at 250 Hz in frames of their own: 3 s of the one are gone, 5 s of the other."""
    text = layout_text(axes_hz=250, events=False)
    _, counts = dump_of(text, tmp_path, Wearing(seconds=60), axes_hz=250)
    frames = encode_all(read_layout(text, tmp_path), counts)
    gone = {0: range(250, 325), 1: range(750, 875)}  # of 40 ms each
    data = b"".join(frame.data for frame in frames if frame.sequence not in gone[frame.kind])
    done = run_line(tmp_path, {"boards": Given(text, data)}, mains_hz=50)["boards"]
    assert [one["file"] for one in done.quality["recordings"]] == ["samples.parquet"]
    nulls = {"field": (2500, 3250), "acc_x": (7500, 8750), "acc_y": (7500, 8750), "acc_z": (7500, 8750)}
    for name, (start, stop) in nulls.items():
        there = done.samples[name].is_valid().to_numpy()
        assert np.array_equal(np.flatnonzero(~there), np.arange(start, stop)), name
    quality = done.samples["quality"].to_numpy()
    assert np.array_equal(np.flatnonzero(quality), np.r_[2500:3250, 7500:8750])
    recording = open_recording(done.places.samples)
    for block in recording.blocks(["field", "acc_x"]):
        for name, made in (("field", counts[0][:, 0]), ("acc_x", counts[1][:, 0])):
            values = block.columns[name]
            there = ~np.isnan(values)
            channel = next(c for c in recording.channels if c.name == name)
            assert np.array_equal(to_counts(values[there], channel), made[: len(values)][there])


def test_without_a_counter_nothing_is_said_of_lost_frames(tmp_path):
    layout = (
        'framing = "text"\nsample_hz = 250\n[text]\ndelimiter = ";"\n'
        '[[frame]]\n[[frame.part]]\nis = "samples"\nchannels = ["field"]\n'
        '[[channel]]\nname = "field"\nkind = "field"\nunit = "V"\nbits = 12\nreference_v = 3.0\ngain = 5.0\n'
    )
    codes = counts_of(Wearing(seconds=20, walks=((5, 20),)).field_v(), FIELD)
    dump = "".join(f"{code}\n" for code in codes.tolist()).encode()
    frames = run_line(tmp_path, {"boards": Given(layout, dump)}, mains_hz=50)["boards"].quality["frames"]
    assert (frames["decoded"], frames["expected"], frames["lost"]) == (5000, None, None)


def test_events_stand_in_a_file_with_the_nearest_sample(judged):
    table = pq.read_table(judged.places.events)
    assert table.schema.names == [EVENT_TIME.name, EVENT_SAMPLE.name, "button"]
    assert table["time_s"].to_numpy() == pytest.approx(EVENTS_S, abs=0.001)
    assert table["sample"].to_pylist() == [round(second * 250) for second in EVENTS_S]
    assert table["button"].to_pylist() == [1.0, 2.0, 3.0]
    about = table.schema.field("button").metadata
    assert (about[b"scale"], b"sample_hz" in about) == (b"1.0", False)  # what comes at no rate has none
    assert len(table.schema.metadata[b"policy_sha256"]) == 64
    assert judged.quality["events"] == {"file": "events.parquet", "n_events": 3}


def test_marks_of_each_file_are_those_of_its_own_samples(tmp_path):
    text = layout_text()
    _, counts = dump_of(text, tmp_path, Wearing(seconds=90))
    layout = read_layout(text, tmp_path)
    frames = encode_all(layout, counts, event_s=EVENTS_S)
    # Two stretches gone: of the field's frames for 2 s, of the accelerometer's for 10 s.
    kept = [
        frame.data
        for frame in frames
        if not (frame.kind == 0 and 1000 <= frame.sequence < 1050)
        and not (frame.kind == 1 and 1500 <= frame.sequence < 1750)
    ]
    done = run_line(tmp_path, {"boards": Given(text, b"".join(kept))}, mains_hz=50)["boards"]
    lost = []
    for suffix in ("", "_50hz"):
        table = pq.read_table(done.places.samples_of(suffix), columns=["time_s", "quality"])
        time_s, quality = table["time_s"].to_numpy(), table["quality"].to_numpy()
        missing = time_s[(quality & 1) > 0]
        lost.append((missing.min(), missing.max()))
    assert lost == [pytest.approx((40, 42), abs=0.05), pytest.approx((60, 70), abs=0.05)]
    assert done.value("lost_fraction") == pytest.approx(2 / 90, abs=0.001)
    assert done.value("lost_fraction", "acc_x") == pytest.approx(10 / 90, abs=0.001)
    assert done.quality["verdict"] == "accept_in_part"
    assert done.quality["usable"] == [pytest.approx(s, abs=0.05) for s in ((0, 40), (42, 60), (70, 90))]


def test_what_a_changed_layout_no_longer_gives_is_taken_away(tmp_path):
    wearing = Wearing(seconds=60)
    text = layout_text()
    given = {"boards": Given(text, dump_of(text, tmp_path, wearing)[0])}
    done = run_line(tmp_path, given, mains_hz=50)["boards"]
    folder, work = done.places.samples.parent, done.places.recording.parent
    assert {p.name for p in folder.iterdir()} >= {"samples_50hz.parquet", "events.parquet"}
    study = tmp_path / "study"
    changed = layout_text(axes_hz=125, events=False)
    (study / "layouts" / "boards.toml").write_text(changed)
    (study / "dumps" / "boards").write_bytes(dump_of(changed, tmp_path, wearing, 125)[0])
    redo(study, tmp_path / "results")
    assert {p.name for p in folder.glob("*.parquet")} == {
        "samples.parquet",
        "samples_125hz.parquet",
        "findings.parquet",
    }
    assert {p.name for p in work.glob("recording*")} == {"recording.parquet", "recording_125hz.parquet"}
    (study / "dumps" / "boards").write_bytes(b"nothing that a layout describes")
    redo(study, tmp_path / "results")
    assert {p.name for p in folder.glob("*.parquet")} == {"samples.parquet", "findings.parquet"}
    quality = json.loads(done.places.quality.read_text())
    assert (quality["verdict"], quality["recordings"], quality["events"]) == ("unreadable", [], None)


def redo(study: Path, results: Path) -> None:
    plan = Plan.of(str(study), str(results), "2026-03-02T12:00:00Z")
    for step in ("convert", "validate", "detect", "draw", "judge"):
        SESSION_STEPS[step](plan.jobs["boards"])


@pytest.mark.parametrize("name", ["samples_50hz.parquet", "events.parquet", ""])
def test_a_file_that_somebody_deleted_is_made_again(judged, tmp_path, name):
    if name:
        (judged.places.samples.parent / name).unlink()
    Plan.of(str(tmp_path / "study"), str(tmp_path / "results"), "").reopen()
    assert judged.places.samples.exists() == (not name)  # its rule then writes all of them


def test_an_accelerometer_faster_than_the_field_is_the_main_recording(tmp_path):
    text = layout_text(axes_hz=500).replace("sample_hz = 250", "sample_hz = 500", 1)
    text = text.replace('unit = "V"', 'unit = "V"\nsample_hz = 250')
    data, _ = dump_of(text, tmp_path, Wearing(seconds=60, mains_at=((30, 45, 0.05),)), 500)
    done = run_line(tmp_path, {"boards": Given(text, data)}, mains_hz=50)["boards"]
    files = [(one["file"], one["channels"][0]) for one in done.quality["recordings"]]
    assert files == [("samples.parquet", "acc_x"), ("samples_250hz.parquet", "field")]
    assert open_recording(done.places.samples).nominal_hz == 500
    field = pq.read_table(done.places.samples_of("_250hz"), columns=["time_s", "quality"])
    strong = field["time_s"].to_numpy()[(field["quality"].to_numpy() & 8) > 0]
    assert (strong.min(), strong.max()) == pytest.approx((30, 45), abs=0.3)
    assert not pq.read_table(done.places.samples, columns=["quality"])["quality"].to_numpy().any()
    # What may be used, and the time in a condition, are those of the session.
    assert done.quality["conditions"]["mains"]["seconds"] == pytest.approx(15, abs=0.3)
    assert done.quality["usable"] == [pytest.approx(s, abs=0.3) for s in ((0, 30), (45, 60))]


def test_a_step_that_fails_leaves_no_further_files(tmp_path):
    text = layout_text(events=False)
    data, _ = dump_of(text, tmp_path, Wearing(seconds=40))
    done = run_line(tmp_path, {"boards": Given(text, data)}, mains_hz=50)["boards"]
    assert done.places.samples_of("_50hz").exists()
    job = Plan.of(str(tmp_path / "study"), str(tmp_path / "results"), "2026-03-02T12:00:00Z").jobs["boards"]
    write_fallback("judge", job, RuntimeError("invented"))
    assert not done.places.samples_of("_50hz").exists()
    assert not done.places.recording_of("_50hz").exists()
    quality = json.loads(done.places.quality.read_text())
    assert (quality["verdict"], quality["recordings"], quality["n_samples"]) == ("unreadable", [], 0)
    assert pq.read_table(done.places.samples).num_rows == 0


def part_of(text: str, names: tuple[str, ...]) -> str:
    """A layout with only some of its kinds of frame and their channels."""
    head, *tables = ("\n" + text).split("\n[[frame]]\n")
    *_, channels = tables
    tables[-1], *described = channels.split("\n[[channel]]\n")
    frames = [table for table in tables if any(f'name = "{name}"\n' in table for name in names)]
    kept = [one for one in described if any(f'"{one.split(chr(34))[1]}"' in frame for frame in frames)]
    return "\n[[frame]]\n".join((head, *frames)) + "".join(f"\n[[channel]]\n{one}" for one in kept)


def test_dumps_of_two_layouts_make_one_session(tmp_path):
    """By radio without a stretch and without the button; the same on the card, whose end is missing."""
    text = layout_text()
    _, counts = dump_of(text, tmp_path, Wearing(seconds=60))
    frames = encode_all(read_layout(text, tmp_path), counts, event_s=EVENTS_S[:2])
    arrived = [frame for frame in frames if frame.kind < 2 and not 500 <= frame.sequence < 750]
    radio = b"".join(frame.data for frame in arrived)
    card = b"".join(frame.data for frame in frames if frame.kind == 2 or frame.sequence < 1250)
    given = Given(part_of(text, ("field", "axes")), radio, ((text, card),))
    done = run_line(tmp_path, {"boards": given}, mains_hz=50)["boards"]
    files = [(one["file"], one["n_samples"]) for one in done.quality["recordings"]]
    assert files == [("samples.parquet", 15000), ("samples_50hz.parquet", 3000)]
    assert done.value("lost_fraction") == 0.0
    assert done.quality["events"] == {"file": "events.parquet", "n_events": 2}
    assert done.quality["layout"] == "boards;boards-2"
    assert len(done.quality["made_by"]["layout_sha256"].split()) == 2
    ledger = done.quality["ledger"]
    assert [sum(bytes_.values()) for bytes_ in ledger.values()] == [len(radio), len(card)]
    assert sum(entry["duplicate"] for entry in ledger.values()) > 0
    assert done.quality["verdict"] == "accept"
    samples = open_recording(done.places.samples)
    codes = np.concatenate([block.columns["field"] for block in samples.blocks(["field"])])
    assert np.array_equal(to_counts(codes, samples.channels[0]), counts[0][:, 0])


def test_a_dump_that_cannot_be_read_leaves_the_others(tmp_path):
    text = part_of(layout_text(), ("field",))
    data, _ = dump_of(text, tmp_path, Wearing(seconds=60))
    axes = part_of(layout_text(), ("axes",)).replace("sample_hz = 250", "sample_hz = 50", 1)
    given = Given(text, data, ((axes, b"no frame in here"),))
    done = run_line(tmp_path, {"boards": given}, mains_hz=50)["boards"]
    assert done.quality["verdict"] != "unreadable"
    assert done.quality["ledger"]["dumps/boards-2"]["unrecognised"] == 16
    assert any("dumps/boards-2" in note and "other dumps were read" in note for note in done.quality["notes"])
