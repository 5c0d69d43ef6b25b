"""EDF and EDF+ files: against files put together byte by byte, and files of two other programs.

For the published descriptions see `edf_files`.
"""

from datetime import datetime
from pathlib import Path

import edfio
import numpy as np
import pyedflib
import pytest
from edf_files import (
    Signal,
    counts_for,
    counts_of,
    edf_bytes,
    entries,
    layout_of,
    one_channel,
    read,
    two_signals,
)

OTHERS = Path(pyedflib.__file__).parent / "tests" / "data"
"""Files of a test generator of signals and of another recorder, which pyEDFlib's own tests read."""


# ---------------------------------------------------------------- values


@pytest.mark.parametrize("block_bytes", [1, 700, 1 << 20])
def test_signals_by_their_labels_each_at_its_own_rate(tmp_path: Path, block_bytes: int) -> None:
    signals = two_signals()
    data = edf_bytes(signals)
    reading = read(data, layout_of(tmp_path), tmp_path, block_bytes)
    x, field_counts, _, z = (signal.counts.reshape(-1) for signal in signals)
    np.testing.assert_array_equal(counts_of(reading)[:, 0], field_counts)
    np.testing.assert_array_equal(counts_of(reading, 1), np.stack([z, x], axis=1))
    assert [frames.stream.sample_hz for frames in reading.streams] == [50, 25]
    table = reading.main.table
    assert table.n_samples.tolist() == [50] * 12
    assert table.offset.tolist() == [256 * 5 + 250 * i for i in range(12)]
    assert set(table.ticks.tolist()) == {-1}
    assert entries(reading) == (len(data), 0, 0, 0)
    assert reading.notes == (
        "dumps/0.edf: the layout has no channel for the signals 'acc y'; they were passed over.",
    )
    assert reading.dumps[0].header_start == "2026-03-02T09:30:00"


def test_what_a_count_is_worth_comes_from_the_header(tmp_path: Path) -> None:
    # EDF 1992: gain = (physical maximum - physical minimum) / (digital maximum - digital minimum); the
    # physical minimum belongs to the digital one. Free fall is 9.80665 m/s2 (CGPM 1901).
    reading = read(edf_bytes(two_signals()), layout_of(tmp_path), tmp_path)
    (field_channel,), (z, x) = (frames.stream.channels for frames in reading.streams)
    assert (field_channel.adc_min, field_channel.adc_max) == (-2048, 2047)
    for count, volts in ((-2048, -500e-6), (2047, 500e-6)):
        assert count * field_channel.scale + field_channel.offset == pytest.approx(volts, rel=1e-12)
    for channel in (z, x):
        assert channel.adc_high == pytest.approx(8 * 9.80665, rel=1e-12)
        assert channel.adc_low == pytest.approx(-8 * 9.80665, rel=1e-12)


def test_turned_ends_turn_the_sign(tmp_path: Path) -> None:
    signal = Signal("Field", counts_for("Field", 3, 50), physical=("500", "-500"))
    reading = read(edf_bytes([signal]), layout_of(tmp_path, one_channel("Field", 50)), tmp_path)
    (channel,) = reading.main.stream.channels
    assert channel.scale == pytest.approx(-1000e-6 / 4095)
    assert -2048 * channel.scale + channel.offset == pytest.approx(500e-6)


def test_a_layout_that_says_what_a_count_is_worth_is_believed(tmp_path: Path) -> None:
    text = one_channel("Field", 50, "mV", "scale = 0.5\nadc_min = -100\nadc_max = 100\n")
    reading = read(edf_bytes(two_signals()), layout_of(tmp_path, text), tmp_path)
    (channel,) = reading.main.stream.channels
    assert (channel.scale, channel.adc_min, channel.adc_max) == (0.0005, -100, 100)


def test_dimension_that_is_left_out_is_the_layout_s_unit(tmp_path: Path) -> None:
    signal = Signal("Field", counts_for("Field", 3, 50), dimension="")
    reading = read(edf_bytes([signal]), layout_of(tmp_path, one_channel("Field", 50, "mV")), tmp_path)
    assert reading.main.stream.channels[0].adc_high == pytest.approx(0.5)


def test_equal_labels_go_in_their_order(tmp_path: Path) -> None:
    signals = [Signal("EMG", counts_for("EMG", n, 50)[:3]) for n in (3, 4)]
    text = one_channel("EMG", 50).replace('["field"]', '["field", "other"]')
    text += '[[channel]]\nname = "other"\nlabel = "EMG"\nkind = "field"\nunit = "V"\n'
    reading = read(edf_bytes(signals), layout_of(tmp_path, text), tmp_path)
    np.testing.assert_array_equal(
        counts_of(reading), np.stack([signal.counts.reshape(-1) for signal in signals], axis=1)
    )


# ---------------------------------------------------------------- files of other programs


def test_file_that_edfio_wrote(tmp_path: Path) -> None:
    counts = counts_for("Field", 1, 1000)[0].astype(np.int16)
    signal = edfio.EdfSignal.from_digital(
        counts,
        50,
        label="Field",
        physical_dimension="mV",
        physical_range=(-3, 3),
        digital_range=(-2048, 2047),
    )
    recording = edfio.Recording(startdate=datetime(2026, 3, 2).date())
    note = edfio.EdfAnnotation(3.5, None, "wedging")
    edf = edfio.Edf(
        [signal],
        recording=recording,
        starttime=datetime(2026, 3, 2, 9, 30, 0, 250_000).time(),
        data_record_duration=2,
        annotations=[note],
    )
    edf.write(tmp_path / "w.edf")
    layout = layout_of(tmp_path, one_channel("Field", 50))
    reading = read((tmp_path / "w.edf").read_bytes(), layout, tmp_path)
    np.testing.assert_array_equal(counts_of(reading)[:, 0], counts)
    assert reading.main.stream.channels[0].adc_high == pytest.approx(0.003)
    assert reading.dumps[0].header_start == "2026-03-02T09:30:00.250000"
    assert reading.main.table.ticks.tolist() == [250_000 + 2_000_000 * i for i in range(10)]
    assert reading.notes == ("dumps/0.edf: an annotation was passed over.",)


def test_file_that_edflib_wrote(tmp_path: Path) -> None:
    """A second library, in C, without a line in common with the first."""
    counts = [
        counts_for("Field", 1, 2000)[0].astype(np.int32),
        counts_for("acc", 1, 1000)[0].astype(np.int32),
    ]
    writer = pyedflib.EdfWriter(str(tmp_path / "w.edf"), 2, file_type=pyedflib.FILETYPE_EDFPLUS)
    header = {"transducer": "", "prefilter": "", "digital_min": -2048, "digital_max": 2047}
    writer.setSignalHeader(
        0,
        header
        | {"label": "Field", "dimension": "uV", "physical_min": -500, "physical_max": 500}
        | {"sample_frequency": 200},
    )
    writer.setSignalHeader(
        1,
        header
        | {"label": "acc", "dimension": "g", "physical_min": -8, "physical_max": 8}
        | {"sample_frequency": 100},
    )
    writer.setStartdatetime(datetime(2026, 3, 2, 9, 30))
    writer.writeSamples(counts, digital=True)
    writer.close()
    text = one_channel("Field", 200) + (
        '[[channel]]\nname = "acc"\nkind = "acceleration"\nunit = "[g]"\nsample_hz = 100\n'
    )
    text = text.replace("[[channel]]", '[[frame.part]]\nis = "samples"\nchannels = ["acc"]\n[[channel]]', 1)
    reading = read((tmp_path / "w.edf").read_bytes(), layout_of(tmp_path, text), tmp_path)
    for stream, wanted in enumerate(counts):
        np.testing.assert_array_equal(counts_of(reading, stream)[:, 0], wanted)
    assert reading.streams[1].stream.channels[0].adc_high == pytest.approx(8 * 9.80665)
    assert reading.dumps[0].header_start == "2026-03-02T09:30:00"


@pytest.mark.parametrize("label", ["sine 1 Hz", "sine 8 Hz", "sine 8.5 Hz", "sine 15 Hz", "sine 50 Hz"])
@pytest.mark.parametrize("name", ["test_generator.edf", "test_legacy.edf"])
def test_signals_of_a_generator_have_the_frequency_in_their_label(
    tmp_path: Path, name: str, label: str
) -> None:
    # pyEDFlib's test of this file: 600 records, 200 Hz, 120000 samples, start on 4 April 2011, 12:57:02.
    data = (OTHERS / name).read_bytes()
    reading = read(data, layout_of(tmp_path, one_channel(label, 200)), tmp_path)
    counts = counts_of(reading)[:, 0]
    assert (len(reading.main.table), len(counts)) == (600, 120_000)
    spectrum = np.abs(np.fft.rfft(counts * np.hanning(len(counts))))
    assert np.argmax(spectrum) / 600 == pytest.approx(float(label.split()[1]), abs=0.002)
    assert reading.dumps[0].header_start == "2011-04-04T12:57:02"
    assert entries(reading) == (len(data), 0, 0, 0)


def test_recording_that_starts_between_two_seconds(tmp_path: Path) -> None:
    """pyEDFlib's test of this file: its start is 24 January 2020, 04:05:56.39453125; 698 records, 128 Hz."""
    data = (OTHERS / "test_subsecond.edf").read_bytes()
    reading = read(data, layout_of(tmp_path, one_channel("Fp1", 128)), tmp_path)
    assert reading.dumps[0].header_start == "2020-01-24T04:05:56.394531"
    assert reading.main.counts.n_rows == 698 * 128
    assert reading.main.stream.channels[0].scale < 0


# ---------------------------------------------------------------- EDF+: time


def test_onsets_of_the_records_are_ticks(tmp_path: Path) -> None:
    onsets = ["+0", "+1", "+2.5", "+603.25"]
    data = edf_bytes(two_signals(4), onsets=onsets, kind="EDF+D")
    reading = read(data, layout_of(tmp_path), tmp_path)
    assert reading.main.table.ticks.tolist() == [0, 1_000_000, 2_500_000, 603_250_000]
    for frames in reading.streams:
        part = frames.stream.frame.part("ticks")
        assert part is not None
        assert part.hz == 1e6
    assert reading.streams[0].stream.frame is reading.streams[1].stream.frame
    assert entries(reading) == (len(data), 0, 0, 0)


@pytest.mark.parametrize("said", ["", "+-3", "1", "+1\x15"])
def test_record_with_gaps_that_does_not_say_when_is_damaged(tmp_path: Path, said: str) -> None:
    onsets = ["+0", said, "+9", "+10"]
    signals = two_signals(4)
    data = edf_bytes(signals, onsets=onsets, kind="EDF+D")
    reading = read(data, layout_of(tmp_path), tmp_path, 100)
    assert reading.main.table.ticks.tolist() == [0, 9_000_000, 10_000_000]
    np.testing.assert_array_equal(counts_of(reading)[:, 0], signals[1].counts[[0, 2, 3]].reshape(-1))
    assert entries(reading) == (len(data) - 290, 290, 0, 0)
    assert reading.dumps[0].n_damaged_frames == 1


def test_record_of_a_continuous_file_follows_the_one_before_it(tmp_path: Path) -> None:
    data = edf_bytes(two_signals(4), onsets=["+0.5", "+1.5", "", "+3.5"], kind="EDF+C")
    reading = read(data, layout_of(tmp_path), tmp_path)
    assert reading.main.table.ticks.tolist() == [500_000, 1_500_000, 2_500_000, 3_500_000]
    assert entries(reading) == (len(data), 0, 0, 0)


def test_erased_records_are_padding(tmp_path: Path) -> None:
    data = edf_bytes(two_signals(4), onsets=["+0", "+1", "+2", "+3"], kind="EDF+D")
    reading = read(data[:-580] + b"\xff" * 580, layout_of(tmp_path), tmp_path)
    assert len(reading.main.table) == 2
    assert entries(reading) == (len(data) - 580, 0, 0, 580)


def test_dumps_of_one_session_stand_as_far_apart_as_their_headers_say(tmp_path: Path) -> None:
    first = edf_bytes(two_signals(2), onsets=["+0.25", "+1.25"], kind="EDF+C")
    later = {"start": "02.03.2609.40.00", "recording": "Startdate 02-MAR-2026 X X X"}
    second = edf_bytes(two_signals(2), onsets=["+0.5", "+1.5"], kind="EDF+C", **later)
    reading = read([first, second], layout_of(tmp_path), tmp_path)
    assert reading.main.table.ticks.tolist() == [250_000, 1_250_000, 600_500_000, 601_500_000]
    assert [dump.header_start for dump in reading.dumps] == [
        "2026-03-02T09:30:00.250000",
        "2026-03-02T09:40:00.500000",
    ]


def test_gap_between_plain_files_is_told(tmp_path: Path) -> None:
    files = [
        edf_bytes(two_signals(2), start=f"02.03.2609.{time}", recording="")
        for time in ("30.00", "30.03", "30.15")
    ]
    notes = [note for note in read(files, layout_of(tmp_path), tmp_path).notes if "signals" not in note]
    assert notes == [
        "dumps/2.edf: by its header it starts 10 s after the end of the dump before it; records of plain EDF "
        "carry no time, so its samples follow those of that dump without a gap."
    ]


@pytest.mark.parametrize("onsets", [None, ["+0", "+1"]])
def test_files_in_another_order_are_told(tmp_path: Path, onsets: list[str] | None) -> None:
    files = [
        edf_bytes(two_signals(2), onsets=onsets, kind="EDF+C" if onsets else "", start=start, recording="")
        for start in ("02.03.2609.30.40", "02.03.2609.30.00")
    ]
    notes = [note for note in read(files, layout_of(tmp_path), tmp_path).notes if "signals" not in note]
    assert notes == [
        "dumps/1.edf: by its header it starts 40 s before the dump that is listed before it; list them in "
        "the order in which they were recorded."
    ]


@pytest.mark.parametrize(
    ("start", "recording", "wanted"),
    [
        ("02.03.2609.30.00", "", "2026-03-02T09:30:00"),
        ("02.03.8609.30.00", "", "1986-03-02T09:30:00"),  # from 85 on it is the 20th century
        ("02.03.2609.30.00", "Startdate 02-MAR-2126 X X X", "2126-03-02T09:30:00"),
        ("01.01.8500.00.00", "", ""),  # the start was taken out
        ("02.03.2609.30.00", "Startdate X X X X", ""),
        ("31.02.2609.30.00", "", ""),
        ("xx.03.2609.30.00", "", ""),
    ],
)
def test_start_of_the_recording(tmp_path: Path, start: str, recording: str, wanted: str) -> None:
    data = edf_bytes(two_signals(2), start=start, recording=recording)
    assert read(data, layout_of(tmp_path), tmp_path).dumps[0].header_start == wanted


def test_annotations_are_counted(tmp_path: Path) -> None:
    notes = {0: b"+0.5\x14wedging\x14\0", 1: b"+1.25\x151\x14trim\x14glaze\x14\0"}
    data = edf_bytes(two_signals(3), onsets=["+0", "+1", "+2"], kind="EDF+C", notes=notes)
    assert "dumps/0.edf: 2 annotations were passed over." in read(data, layout_of(tmp_path), tmp_path).notes
