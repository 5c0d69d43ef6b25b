"""The header of an EDF or EDF+ file.

Field values are read by edfio, which is written in Python alone and reads each only when it is asked for;
only what places bytes (labels, numbers of samples, sizes) is cut out here, since the library does not say
where annotations stand.

Sources: Kemp, Varri, Rosa, Nielsen and Gade, "A simple format for exchange of digitized polygraphic
recordings", Electroencephalogr Clin Neurophysiol 82(5):391, 1992; Kemp and Olivan, "European data format
'plus' (EDF+), an EDF alike standard format for the exchange of physiological data", Clin Neurophysiol
114(9):1755, 2003.
"""

import io
import math
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes

FIXED_BYTES = 256
SIGNAL_BYTES = 256
ANNOTATIONS = "EDF Annotations"
MOST_RECORD_BYTES = 16 << 20
"""The standard asks for at most 61440 bytes a record; far larger ones are a damaged header."""

_PIVOT_YEAR = 85
"""Two digits from here on are of the 20th century (EDF+, 2.1.3.2)."""
_UNKNOWN_START = datetime(1985, 1, 1)
"""What stands where the start was taken out (EDF+, 'Startdate X')."""

Fault = tuple[str, str, str, str]
"""Where, expected, found, what to do."""


@dataclass(frozen=True)
class Header:
    """What the header says.

    Attributes
    ----------
    raw : bytes
        As it stands.
    kind : str
        'EDF', 'EDF+C' (continuous) or 'EDF+D' (with gaps).
    labels, n_samples : tuple
        Of every signal, annotations too: its label, and its samples in a record.
    n_records : int
        As stated; 0 or less where the recorder did not come to state it.
    record_s : float
        Length of a record.
    start : datetime or None
        Start of the recording in local time, to the second; None where it was taken out or is none.
    signals : tuple
        The signals without annotations as edfio has them, in the file's order.
    """

    raw: bytes
    kind: str
    labels: tuple[str, ...]
    n_samples: tuple[int, ...]
    n_records: int
    record_s: float
    start: datetime | None
    signals: tuple[Any, ...]

    @property
    def record_bytes(self) -> int:
        """Size of a record."""
        return 2 * sum(self.n_samples)

    @property
    def annotations(self) -> tuple[tuple[int, int], ...]:
        """Where in a record, in bytes, annotations stand."""
        stops = np.cumsum(self.n_samples).tolist()
        return tuple(
            (2 * (stop - n), 2 * stop)
            for label, n, stop in zip(self.labels, self.n_samples, stops, strict=True)
            if label == ANNOTATIONS
        )

    def digital(self, records: Bytes) -> list[npt.NDArray[np.int16]]:
        """Counts of whole records, uint8 of shape (n, record_bytes): for each of `signals` shape (n, k)."""
        edf = _edf(self.raw, len(records), records.tobytes())
        shapes = [(len(records), signal.samples_per_data_record) for signal in edf.signals]
        return [signal.digital.reshape(shape) for signal, shape in zip(edf.signals, shapes, strict=True)]


def read_header(source: BinaryIO) -> Header | Fault:
    """Read the header of a file at its beginning, or say what is wrong with it."""
    fixed = source.read(FIXED_BYTES)
    again = "Copy the dump from the device again."
    if fixed[:1] == b"\xff":
        remedy = "Convert it to EDF; samples of 24 bits do not fit without loss, so scale them on purpose."
        return (
            "byte 0",
            "an EDF file",
            "a header that begins with FF, as of files with 24 bits to a sample",
            remedy,
        )
    if len(fixed) < FIXED_BYTES or fixed[:8].rstrip() != b"0":
        found = f"{fixed[:8]!r}" if len(fixed) == FIXED_BYTES else f"a file of {len(fixed)} bytes"
        remedy = "Check that the dump belongs to this layout, or give the session a layout of its framing."
        return "byte 0", "an EDF file, which begins with '0' and seven blanks", found, remedy
    n_signals = _whole(fixed[252:256])
    if n_signals is None or n_signals < 1:
        return "byte 252", "the number of signals", repr(fixed[252:256].decode("latin-1")), again
    raw = fixed + source.read(SIGNAL_BYTES * n_signals)
    if len(raw) < FIXED_BYTES + SIGNAL_BYTES * n_signals or _whole(fixed[184:192]) != len(raw):
        expected = (
            f"a header of 256 x (1 + {n_signals} signals) = {FIXED_BYTES + SIGNAL_BYTES * n_signals} bytes"
        )
        found = f"{fixed[184:192].decode('latin-1').strip()!r} stated, and {len(raw)} there"
        return "byte 184", expected, found, again
    n_samples = [_whole(raw[at : at + 8]) for at in _column(n_signals, 216, 8)]
    for i, n in enumerate(n_samples):
        if n is None or n < 0:
            return f"signal {i + 1}", "the number of its samples in a record", "no such number", again
    sizes = tuple(n for n in n_samples if n is not None)
    if not 0 < 2 * sum(sizes) <= MOST_RECORD_BYTES:
        expected = f"records of at most {MOST_RECORD_BYTES:,} bytes"
        return "bytes 256 on", expected, f"{2 * sum(sizes):,} bytes", again
    return _made(raw, n_signals, sizes)


def _made(raw: bytes, n_signals: int, sizes: tuple[int, ...]) -> Header | Fault:
    again = "Copy the dump from the device again."
    record_s = _seconds(raw[244:252])
    if record_s is None:
        found = repr(raw[244:252].decode("latin-1"))
        return "byte 244", "the duration of a record in s, above 0", found, again
    try:
        edf = _edf(raw, 0, b"")
        signals = tuple(edf.signals)
        recording = edf.recording
    except Exception as error:  # whatever the library makes of a damaged header
        return "bytes 0 to 256", "a header of EDF", str(error) or type(error).__name__, again
    labels = tuple(raw[at : at + 16].decode("latin-1").rstrip() for at in _column(n_signals, 0, 16))
    reserved = raw[192:197].decode("latin-1")
    kind = reserved if reserved in ("EDF+C", "EDF+D") else "EDF"
    start = _start(raw, recording)
    return Header(raw, kind, labels, sizes, _whole(raw[236:244]) or 0, record_s, start, signals)


def _edf(raw: bytes, n_records: int, data: bytes) -> Any:
    """A file of that header and those records, as edfio reads it."""
    import edfio  # other framings never need it

    patched = raw[:236] + f"{n_records:<8}".encode() + raw[244:]
    return edfio.read_edf(io.BytesIO(patched + data), header_encoding="latin-1")


def _column(n_signals: int, before: int, width: int) -> range:
    """Where a field of each signal begins: fields stand column by column, `before` bytes of others first."""
    first = FIXED_BYTES + before * n_signals
    return range(first, first + width * n_signals, width)


def _whole(field: bytes) -> int | None:
    """A whole number in ASCII, filled up with blanks; None where it is none."""
    text = field.strip()
    return int(text) if text.removeprefix(b"-").isdigit() else None


def _seconds(field: bytes) -> float | None:
    """A length of time above 0 in ASCII; None where it is none."""
    try:
        seconds = float(field)
    except ValueError:
        return None
    return seconds if 0 < seconds < math.inf else None


def _start(raw: bytes, recording: Any) -> datetime | None:
    """Start in local time: the date with four digits where EDF+ has it, else the one with two."""
    fields = [_whole(raw[at : at + 2]) for at in (168, 171, 174, 176, 179, 182)]
    numbers = [number for number in fields if number is not None]
    if len(numbers) < len(fields):
        return None
    day, month, year, hour, minute, second = numbers
    try:
        start = datetime(year + (1900 if year >= _PIVOT_YEAR else 2000), month, day, hour, minute, second)
        if raw[88:98] == b"Startdate ":
            stated: date = recording.startdate
            start = datetime.combine(stated, start.time())
    except ValueError:  # also where 'Startdate X' says that it was taken out
        return None
    return None if start == _UNKNOWN_START else start
