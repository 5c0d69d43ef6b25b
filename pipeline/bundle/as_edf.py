"""Recordings of a bundle as EDF+, too: for programs that read biosignals.

Header fields are written by edfio. It holds a whole recording in memory, so the records after the header, two
bytes for each sample and the annotations, are written here, block by block.

Gaps are filled (EDF+C), not cut out (EDF+D): programs in wide use refuse EDF+D, among them the library these
files are tested with, and so a sample has the same index as in the Parquet file. What fills them is a number
that no sample has, where the range has room for one; an annotation says where it is, and so does the bit
``lost`` of the signal ``quality``, which has the conditions of each sample.
"""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from math import ceil
from pathlib import Path
from typing import Any

import edfio
import numpy as np
import numpy.typing as npt

from pipeline.bundle.edf_notes import Lists, notes_of
from pipeline.bundle.edf_scaling import Scaling, for_edfio, scaling_of
from pipeline.bundle.edf_survey import Columns, Survey, dense, survey
from pipeline.bundle.format_notes import EDF_NOTES
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from pipeline.errors import InputError, Problem
from pipeline.layouts import Channel
from pipeline.progress import Watch, unwatched
from pipeline.recording import Recording, open_recording, to_counts
from pipeline.writing import write_text, written_aside
from schemas.conditions import BY_NAME

_BITS = {".edf": 16, ".bdf": 24}
_BLOCK_SAMPLES = 1 << 16
_QUALITY = Scaling((0, 255), (0.0, 255.0), "", 0, BY_NAME["lost"].mask)
_LONGEST_RECORD_S = 100


@dataclass(frozen=True)
class _Plan:
    """What stands in each record: signals by name with their scaling, samples in a record and its length."""

    suffix: str
    channels: tuple[Channel, ...]
    scalings: tuple[Scaling, ...]
    n_samples: int
    duration_s: float
    n_records: int


def write_edf(recoded: Recoded, folder: Path, watch: Watch = unwatched) -> tuple[Made, ...]:
    """Write every recording as ``edf/<session>/samples.edf``, or ``.bdf`` (BDF+, 24 bits) if 16 are too few.

    Parameters
    ----------
    recoded : Recoded
        The study; nothing is written unless it was asked for.
    folder : Path
        The bundle's ``data``, with the Parquet files in place.
    watch : callable
        Called with the number of bytes of Parquet files that were done since it was called last.

    Raises
    ------
    InputError
        Where a channel has more than 24 bits, which no such file can hold.
    """
    if "edf" not in recoded.wishes.formats:
        return ()
    write_text(folder / "edf/README.md", EDF_NOTES)
    made = [Made("edf/README.md", "text/markdown", "how the EDF+ files are written")]
    for session in recoded.recorded:
        for suffix in session.suffixes:
            source = f"recordings/{session.code}/samples{suffix}.parquet"
            recording = open_recording(folder / source)
            if recording.n_rows and recording.channels:
                target = as_edf(recording, session, folder / "edf" / session.code / f"samples{suffix}", watch)
                description = f"{source} as {target.suffix[1:].upper()}+"
                path = target.relative_to(folder).as_posix()
                made.append(Made(path, "application/octet-stream", description, (source,)))
    return tuple(made)


def as_edf(recording: Recording, session: RecodedSession, stem: Path, watch: Watch = unwatched) -> Path:
    """Write one recording and return the file, which is `stem` with ``.edf`` or ``.bdf``.

    Times in the file are those of the nominal rate, as the format has no other; the corrected clock stands in
    ``time_s`` of the Parquet file. The file is read twice; memory is that of a block of samples and of the
    annotations, at most one a second for each condition.
    """
    times = [time_s for one in session.activities for time_s in (one.start_s, one.stop_s)]
    found = survey(recording, times)
    plan = _plan(recording, found)
    start = session.started_at + timedelta(seconds=found.first_s)
    notes = notes_of(found, session.activities, plan.n_records * plan.n_samples)
    lists = Lists(notes, plan.n_records, plan.n_samples, plan.duration_s, start.microsecond / 1e6)
    n_bytes = _BITS[plan.suffix] // 8
    width = -(-lists.longest // n_bytes) * n_bytes
    target = stem.with_name(stem.name + plan.suffix)
    record_bytes = recording.path.stat().st_size / plan.n_records
    with written_aside(target) as aside, aside.open("wb") as file:
        file.write(_header(plan, session, start, width // n_bytes))
        for first, records in _records(recording, found, plan):
            texts = [lists.of(first + index).ljust(width, b"\x00") for index in range(len(records))]
            noted = np.frombuffer(b"".join(texts), np.uint8).reshape(len(records), width)
            file.write(np.hstack((records, noted)).tobytes())
            watch(int(record_bytes * len(records)))
    return target


def _plan(recording: Recording, found: Survey) -> _Plan:
    n_samples, duration_s = _record(recording.nominal_hz)
    n_records = -(-found.n_samples // n_samples)
    for suffix, bits in _BITS.items():
        scalings = [
            scaling_of(channel, found.low[channel.name], found.high[channel.name], bits)
            for channel in recording.channels
        ]
        fitting = tuple(one for one in scalings if one is not None)
        if len(fitting) == len(scalings):
            return _Plan(suffix, recording.channels, fitting, n_samples, duration_s, n_records)
    wide = recording.channels[scalings.index(None)].name
    place = f"recordings/{recording.path.parent.name}/{recording.path.name}"
    expected, found_ = "counts of at most 24 bits for EDF+", f"more of them in channel {wide}"
    remedy = "Make the bundle without EDF+; Parquet and CSV hold every count."
    raise InputError([Problem(place, f"column {wide}", expected, found_, remedy)])


def _record(sample_hz: float) -> tuple[int, float]:
    """Samples in a record and its length: whole seconds, as the standard advises, where the rate allows."""
    rate = Fraction(sample_hz).limit_denominator(_LONGEST_RECORD_S)
    if abs(float(rate) - sample_hz) <= 1e-9 * sample_hz:
        return rate.numerator, float(rate.denominator)
    n_samples = max(ceil(sample_hz), 1)
    return n_samples, float(f"{n_samples / sample_hz:.6f}"[:8])


def _header(plan: _Plan, session: RecodedSession, start: datetime, list_samples: int) -> bytes:
    """The header as edfio makes it of one record, with the number of records and the room for annotations."""
    is_wide = plan.suffix == ".bdf"
    kind: Any = edfio.BdfSignal if is_wide else edfio.EdfSignal
    signals = [
        kind.from_digital(
            np.full(plan.n_samples, scaling.digital[0], np.int32 if is_wide else np.int16),
            plan.n_samples / plan.duration_s,
            label=label,
            transducer_type=transducer,
            physical_dimension=scaling.unit,
            physical_range=for_edfio(scaling),
            digital_range=scaling.digital,
            prefiltering=filters,
        )
        for scaling, (label, transducer, filters) in zip(
            (*plan.scalings, _QUALITY), _words(plan.channels), strict=True
        )
    ]
    # Two digits for the year in the header: dates that they cannot say are left out, as the standard has it.
    day = start.date() if 1985 <= start.year <= 2084 else None
    whole: Any = edfio.Bdf if is_wide else edfio.Edf
    edf = whole(
        signals,
        patient=edfio.Patient(code=session.participant),
        recording=edfio.Recording(startdate=day, equipment_code=session.device),
        starttime=start.time().replace(microsecond=0),
        data_record_duration=plan.duration_s,
        annotations=[],
    )
    made = io.BytesIO()
    edf.write(made)
    header = bytearray(made.getvalue()[: edf.bytes_in_header_record])
    header[236:244] = f"{plan.n_records:<8}".encode()
    n_signals = len(signals) + 1  # that of annotations comes last
    at = 256 + 216 * n_signals + 8 * (n_signals - 1)
    header[at : at + 8] = f"{list_samples:<8}".encode()
    return bytes(header)


def _words(channels: Sequence[Channel]) -> Iterator[tuple[str, str, str]]:
    """Label, kind and filters of each signal; labels have at most 16 characters and differ."""
    taken = {"quality"}
    for channel in channels:
        label = channel.name.encode("ascii", "replace").decode()[:16]
        for number in range(2, len(channels) + 2):
            if label not in taken:
                break
            label = f"{label[: 15 - len(str(number))]}~{number}"
        taken.add(label)
        corners = (("HP", channel.ac_corner_hz), ("LP", channel.lowpass_hz))
        yield label, channel.kind, " ".join(f"{name}:{hz:g}Hz" for name, hz in corners if hz is not None)
    yield "quality", "a bit for each condition; 0 is clean", ""


def _records(recording: Recording, found: Survey, plan: _Plan) -> Iterator[tuple[int, npt.NDArray[np.uint8]]]:
    """Yield the first record and the bytes of the signals, shape (records, bytes of one)."""
    names = [*(channel.name for channel in plan.channels), "quality"]
    at_once = max(_BLOCK_SAMPLES // plan.n_samples, 1) * plan.n_samples
    fillers = [scaling.filler for scaling in (*plan.scalings, _QUALITY)]
    rows = np.tile(np.array(fillers, np.int32)[:, None], at_once)
    done = 0
    for start, stop, columns in dense(recording, names, found.first):
        at = start
        while at < stop:
            until = min(stop, done + at_once)
            if columns is not None:
                part = slice(at - start, until - start)
                _put(rows[:, at - done : until - done], columns, part, plan)
            at = until
            if at == done + at_once:
                yield done // plan.n_samples, _as_bytes(rows, plan)
                rows[:] = np.array(fillers)[:, None]
                done = at
    if done < found.n_samples:
        left = -(-(found.n_samples - done) // plan.n_samples) * plan.n_samples
        yield done // plan.n_samples, _as_bytes(rows[:, :left], plan)


def _put(rows: npt.NDArray[np.int32], columns: Columns, part: slice, plan: _Plan) -> None:
    """Put stored numbers of some samples into `rows`, shape (signals, samples); lost ones stay filled."""
    for row, channel, scaling in zip(rows, plan.channels, plan.scalings, strict=False):
        values = columns[channel.name][part]
        is_there = np.isfinite(values)
        row[is_there] = to_counts(values[is_there], channel) - scaling.shift
    rows[-1] = columns["quality"][part]


def _as_bytes(rows: npt.NDArray[np.int32], plan: _Plan) -> npt.NDArray[np.uint8]:
    """Little-endian numbers of 2 or 3 bytes, signal after signal in each record."""
    by_record = rows.reshape(len(rows), -1, plan.n_samples).transpose(1, 0, 2)
    n_bytes = _BITS[plan.suffix] // 8
    four = np.ascontiguousarray(by_record, "<i4").view(np.uint8).reshape(len(by_record), -1, 4)
    return four[:, :, :n_bytes].reshape(len(by_record), -1)
