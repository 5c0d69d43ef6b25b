"""Recordings of a bundle as CSV and EDF+, read by libraries that had no part in writing them.

The formats: CSV by RFC 4180; EDF by Kemp et al. 1992 and EDF+ by Kemp and Olivan 2003. pandas, polars and
Python's own csv read the one, pyedflib and edfio the other. All recordings are invented.
"""

import csv
from dataclasses import replace
from pathlib import Path

import edfio
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pyedflib
import pytest

from pipeline.bundle import as_edf as edf_module
from pipeline.bundle.as_csv import as_csv, write_csv
from pipeline.bundle.as_edf import as_edf, write_edf
from pipeline.bundle.recoded import RecodedActivity, Wishes
from pipeline.errors import InputError
from pipeline.layouts import Channel
from pipeline.recording import open_recording, to_counts
from schemas.conditions import CONDITIONS
from tests.bundle_recordings import CHANNELS, LOG, Rows, rows_of, session, study_of, write_rows, write_tables
from tests.make import FIELD

PARTS = ((2.0, 7.5), (11.25, 21.0))
PREFIX = {"m": 1e3, "u": 1e6, "n": 1e9}
WIDE = Channel("field", "field", "V", 2.4 / 2**23, 0.0, 250.0, -(2**23), 2**23 - 1)
UNSIGNED = Channel("field", "field", "V", 2.5 / 65536, -1.25, 250.0, 0, 65535)
UNSIGNED_24 = Channel("field", "field", "V", 2.5 / 2**24, -1.25, 250.0, 0, 2**24 - 1)
AWKWARD = Channel("field", "field", "V", 3.3 / 4095 / 7, -0.2371941, 128.5, 0, 4095)
INVERTED = Channel("field", "field", "V", -0.6 / 4096, 0.3, 250.0, 0, 4095)
LONG = [
    Channel(f"field_at_the_left_heel_{n}", "field", "V", 1e-5, 0.0, 100.0, -2048, 2047) for n in range(12)
]
RECORDINGS = {
    "12 and 16 bits": CHANNELS,
    "unsigned 16 bits": (UNSIGNED,),
    "24 bits": (WIDE,),
    "unsigned 24 bits": (UNSIGNED_24,),
    "a record of two seconds": (AWKWARD,),
    "inverted": (INVERTED,),
    "long names": LONG,
    "odd rate": (replace(FIELD, sample_hz=99.9712345),),
}


def counts_of(values: np.ndarray, channel: Channel) -> np.ndarray:
    return to_counts(values[np.isfinite(values)], channel)


@pytest.mark.parametrize("parts", [(), PARTS], ids=["whole", "parts"])
def test_csv_gives_every_number_back(tmp_path: Path, parts: tuple[tuple[float, float], ...]) -> None:
    rows = rows_of(CHANNELS, 1, parts=parts)
    write_rows(tmp_path / "samples.parquet", CHANNELS, rows)
    as_csv(tmp_path / "samples.parquet", tmp_path / "samples.csv")
    stored = pq.read_table(tmp_path / "samples.parquet")
    types = {
        name: pl.Float32 for name in stored.column_names if stored.schema.field(name).type == pa.float32()
    }
    by_pandas = pd.read_csv(tmp_path / "samples.csv")
    by_polars = pl.read_csv(tmp_path / "samples.csv", schema_overrides=types)
    assert by_pandas.columns.tolist() == by_polars.columns == stored.column_names
    for name in stored.column_names:
        want = stored.column(name).to_numpy()
        np.testing.assert_array_equal(by_polars[name].to_numpy(), want)
        np.testing.assert_array_equal(by_pandas[name].to_numpy().astype(want.dtype), want)
    for index, channel in enumerate(CHANNELS):
        back = counts_of(by_pandas[channel.name].to_numpy(), channel)
        np.testing.assert_array_equal(back, rows.counts[rows.present, index])


def test_csv_is_that_of_rfc_4180(tmp_path: Path) -> None:
    """Section 2: CR LF, quotes doubled in fields that hold a quote, a comma or a line end."""
    texts = ["kiln, left", 'a "firm" foot', "two\nlines", "zwölf Töpfe", None]
    numbers = [0.1 + 0.2, 5e-324, 1e16, None, -0.0]
    pq.write_table(pa.table({"note, if any": texts, "value": numbers}), tmp_path / "a.parquet")
    as_csv(tmp_path / "a.parquet", tmp_path / "a.csv")
    raw = (tmp_path / "a.csv").read_bytes()
    assert (
        raw
        == (
            '"note, if any",value\r\n"kiln, left",0.30000000000000004\r\n"a ""firm"" foot",5e-324\r\n'
            '"two\nlines",1e+16\r\nzwölf Töpfe,\r\n,-0.0\r\n'
        ).encode()
    )
    with (tmp_path / "a.csv").open(newline="", encoding="utf-8") as file:
        back = list(csv.reader(file))
    assert [row[0] or None for row in back[1:]] == texts
    assert [float(row[1]) if row[1] else None for row in back[1:]] == numbers


def test_lost_samples_are_empty_fields(tmp_path: Path) -> None:
    rows = rows_of(CHANNELS, 2)
    write_rows(tmp_path / "samples.parquet", CHANNELS, rows)
    as_csv(tmp_path / "samples.parquet", tmp_path / "samples.csv")
    lines = (tmp_path / "samples.csv").read_bytes().split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in b"".join(lines)
    lost = int(np.flatnonzero(~rows.present)[0])
    assert lines[lost + 1].split(b",")[2:] == [b"", b"", b"", b"", str(rows.quality[lost]).encode()]


def test_all_tables_and_recordings_are_there_once_asked_for(tmp_path: Path) -> None:
    sessions = [session(1, suffixes=("", "_50hz")), session(2, has_recording=False)]
    write_tables(tmp_path, sessions)
    write_rows(tmp_path / "recordings/S001/samples.parquet", CHANNELS, rows_of(CHANNELS, 3))
    slow = tuple(replace(channel, sample_hz=50.0) for channel in CHANNELS[1:])
    write_rows(tmp_path / "recordings/S001/samples_50hz.parquet", slow, rows_of(slow, 4))
    study = study_of(sessions)
    assert write_csv(replace(study, wishes=Wishes()), tmp_path) == ()
    assert write_edf(replace(study, wishes=Wishes()), tmp_path) == ()
    made = (*write_csv(study, tmp_path), *write_edf(study, tmp_path))
    written = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert {one.path for one in made} == {path for path in written if not path.endswith(".parquet")}
    assert {one.path for one in made} == {
        *("csv/README.md", "edf/README.md", "csv/channels.csv"),
        *("csv/sessions.csv", "csv/activities.csv", "csv/S001/samples.csv", "csv/S001/samples_50hz.csv"),
        *("edf/S001/samples.edf", "edf/S001/samples_50hz.edf"),
    }
    channels = pd.read_csv(tmp_path / "csv/channels.csv")
    assert channels["file"].tolist() == ["samples.csv"] * 4 + ["samples_50hz.csv"] * 3
    for row, channel in zip(channels.itertuples(), (*CHANNELS, *slow), strict=True):
        assert (row.channel, row.scale, row.offset) == (channel.name, channel.scale, channel.offset)
    assert all((tmp_path / origin).exists() for one in made for origin in one.made_from)


def written(tmp_path: Path, channels: tuple[Channel, ...], rows: Rows, **changed: object) -> Path:
    path = tmp_path / "recordings/S001/samples.parquet"
    write_rows(path, channels, rows)
    return as_edf(open_recording(path), session(1, **changed), tmp_path / "edf/S001/samples")


def dense(rows: Rows, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places of samples that are there, counted from the file's first, and their values."""
    return (rows.sample - rows.sample[0])[rows.present], values[rows.present]


@pytest.mark.parametrize("parts", [(), PARTS], ids=["whole", "parts"])
@pytest.mark.parametrize("name", RECORDINGS)
def test_edf_gives_every_count_back(
    tmp_path: Path, name: str, parts: tuple[tuple[float, float], ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the stored numbers and from the values that pyedflib makes of them by the ranges in the header."""
    monkeypatch.setattr(edf_module, "_BLOCK_SAMPLES", 700)  # so that blocks end within parts
    channels = RECORDINGS[name]
    rows = rows_of(channels, 5, parts=parts)
    path = written(tmp_path, channels, rows)
    assert path.suffix == (".bdf" if "24" in name else ".edf")
    with pyedflib.EdfReader(str(path)) as file:
        for index, channel in enumerate(channels):
            places, counts = dense(rows, rows.counts[:, index])
            stored = file.readSignal(index, digital=True)[places]
            shift = counts[0] - stored[0]
            np.testing.assert_array_equal(stored + shift, counts)
            assert shift == 0 or channel.adc_max > 32767
            unit = file.getPhysicalDimension(index)
            values = file.readSignal(index)[places] / (1 if unit == channel.unit else PREFIX[unit[0]])
            back = np.rint((values - channel.offset) / channel.scale)
            # Eight characters say 24 full bits to one count, with no code to spare for a shorter number.
            assert np.abs(back - counts).max() <= (1 if path.suffix == ".bdf" else 0)
        quality = file.readSignal(len(channels), digital=True)
        np.testing.assert_array_equal(quality[rows.sample - rows.sample[0]], rows.quality)
        absent = np.setdiff1d(np.arange(len(quality)), rows.sample - rows.sample[0])
        assert (quality[absent] == 1).all()
        assert len(set(file.getSignalLabels())) == len(channels) + 1


def test_what_fills_a_gap_is_no_sample(tmp_path: Path) -> None:
    rows = rows_of((FIELD,), 6)
    with pyedflib.EdfReader(str(written(tmp_path, (FIELD,), rows))) as file:
        stored = file.readSignal(0, digital=True)[: len(rows.sample)]
    assert stored[~rows.present].max() < FIELD.adc_min <= stored[rows.present].min()


def test_nothing_in_the_header_but_codes(tmp_path: Path) -> None:
    """EDF+, 2.1.3 (number from memory): what is not known of patient and recording, or not told, is X."""
    path = written(tmp_path, CHANNELS, rows_of(CHANNELS, 7))
    head = path.read_bytes()[:256].decode()
    assert head[8:88].rstrip() == "P01 X X X"
    assert head[88:168].rstrip() == "Startdate 02-MAR-2031 X X D01"
    assert head[168:184] == "02.03.3109.30.15"
    assert head[192:236].rstrip() == "EDF+C"
    file = edfio.read_edf(path)
    assert file.starttime.microsecond == 250000
    assert path.stat().st_size == file.bytes_in_header_record + file.num_data_records * sum(
        2 * signal.samples_per_data_record for signal in file._signals
    )


def test_a_year_of_which_two_digits_say_too_little_is_left_out(tmp_path: Path) -> None:
    """EDF+, 2.1.3 (number from memory): dates are of 1985 to 2084; 'Startdate X' goes with 01.01.85."""
    start = session(1).started_at.replace(year=2090)
    path = written(tmp_path, (FIELD,), rows_of((FIELD,), 8), started_at=start)
    head = path.read_bytes()[:256].decode()
    assert head[88:168].rstrip() == "Startdate X X X D01"
    assert head[168:184] == "01.01.8509.30.15"


@pytest.mark.parametrize("parts", [(), PARTS], ids=["whole", "parts"])
def test_annotations_stand_beside_their_samples(
    tmp_path: Path, parts: tuple[tuple[float, float], ...]
) -> None:
    rows = rows_of((FIELD,), 9, parts=parts)
    path = written(tmp_path, (FIELD,), rows)
    with pyedflib.EdfReader(str(path)) as file:
        notes = list(zip(*file.readAnnotations(), strict=True))
        n_stored = file.getNSamples()[0]
    first = rows.sample[0]
    for condition in CONDITIONS:
        marked = np.zeros(n_stored, bool)
        for onset, lasts, text in notes:
            if text == f"condition: {condition.name}":
                marked[round(onset * 250) : round((onset + lasts) * 250)] = True
        inside = rows.sample[(rows.quality & condition.mask) > 0] - first
        assert marked[inside].all()
        # What is marked beside them lies between two runs that are less than a second apart.
        assert all(np.abs(inside - place).min() < 250 for place in np.flatnonzero(marked))
    for activity in LOG:
        inside = (rows.time_s >= activity.start_s) & (rows.time_s < activity.stop_s)
        (note,) = (one for one in notes if one[2].startswith(f"activity: {activity.activity} "))
        assert round(note[0] * 250) == rows.sample[inside][0] - first
        assert round((note[0] + note[1]) * 250) >= rows.sample[inside][-1] - first + 1
    holes = [one for one in notes if one[2] == "left out of this dataset"]
    assert len(holes) == max(len(parts) - 1, 0)


def test_hostile_words_of_an_activity_stay_in_their_annotation(tmp_path: Path) -> None:
    words = "glazing\x14+1\x14\x00x\x15 – täglich " + "long " * 100
    log = (RecodedActivity(1.0, 2.0, words, "hand"),)
    path = written(tmp_path, (FIELD,), rows_of((FIELD,), 10), activities=log)
    own = [one.text for one in edfio.read_edf(path).annotations if "activity" in one.text]
    assert len(own) == 1
    assert own[0].startswith("activity: glazing +1  x  – täglich long")
    assert len(own[0]) == 80


def test_more_than_24_bits_are_refused(tmp_path: Path) -> None:
    channel = Channel("field", "field", "V", 1e-9, 0.0, 250.0, -(2**31), 2**31 - 1)
    with pytest.raises(InputError, match="at most 24 bits") as raised:
        written(tmp_path, (channel,), rows_of((channel,), 11))
    assert raised.value.problems[0].file == "recordings/S001/samples.parquet"
    assert not (tmp_path / "edf").exists() or not list((tmp_path / "edf").rglob("*.?df"))


def test_same_recording_same_bytes(tmp_path: Path) -> None:
    rows = rows_of(CHANNELS, 12)
    one, two = (written(tmp_path / name, CHANNELS, rows) for name in "ab")
    assert one.read_bytes() == two.read_bytes()


def test_what_is_done_is_told_by_bytes(tmp_path: Path) -> None:
    source = tmp_path / "recordings/S001/samples.parquet"
    write_rows(source, CHANNELS, rows_of(CHANNELS, 13))
    for write in (write_csv, write_edf):
        told: list[int] = []
        write(study_of([session(1)]), tmp_path, told.append)
        assert 0 <= source.stat().st_size - sum(told) <= len(told)
