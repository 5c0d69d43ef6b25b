"""EDF and EDF+ files put together byte by byte, for the tests of their reader.

Sources: Kemp, Varri, Rosa, Nielsen and Gade, Electroencephalogr Clin Neurophysiol 82(5):391, 1992: the
header's fields and their widths, records of two's complement 16-bit numbers, little-endian, signal after
signal. Kemp and Olivan, Clin Neurophysiol 114(9):1755, 2003, for EDF+: the signal 'EDF Annotations', whose
first annotation in each record is empty and whose onset is when the record begins; 'EDF+D' for files with
gaps; 'Startdate' with a year of four digits.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import Unreadable
from pipeline.frames import Reading, read_frames
from pipeline.layouts import Layout, load_layout


@dataclass(frozen=True)
class Signal:
    """One signal as the header describes it, and its counts, shape (records, samples in a record)."""

    label: str
    counts: np.ndarray
    dimension: str = "uV"
    physical: tuple[str, str] = ("-500", "500")
    digital: tuple[int, int] = (-2048, 2047)


def field(value: object, width: int) -> bytes:
    return str(value).encode("latin-1").ljust(width)


def edf_bytes(
    signals: Sequence[Signal],
    record_s: str = "1",
    onsets: Sequence[str] | None = None,
    kind: str = "",
    n_records: int | None = None,
    start: str = "02.03.2609.30.00",
    recording: str = "Startdate 02-MAR-2026 X X X",
    notes: dict[int, bytes] | None = None,
) -> bytes:
    """A file, field by field. With `onsets` annotations follow the signals, 40 bytes in each record."""
    n = len(signals[0].counts)
    described = [
        (s.label, "", s.dimension, *s.physical, *s.digital, "", s.counts.shape[1], "") for s in signals
    ]
    if onsets is not None:
        described.append(("EDF Annotations", "", "", -1, 1, -32768, 32767, "", 20, ""))
    size = 256 * (1 + len(described))
    head = field("0", 8) + field("X X X X", 80) + field(recording, 80) + start.encode() + field(size, 8)
    head += field(kind, 44) + field(n if n_records is None else n_records, 8) + field(record_s, 8)
    head += field(len(described), 4)
    for values, width in zip(zip(*described, strict=True), (16, 80, 8, 8, 8, 8, 8, 80, 8, 32), strict=True):
        head += b"".join(field(value, width) for value in values)
    assert len(head) == size
    records = []
    for i in range(n):
        content = b"".join(int(v).to_bytes(2, "little", signed=True) for s in signals for v in s.counts[i])
        if onsets is not None:
            said = f"{onsets[i]}\x14\x14\0".encode() if onsets[i] else b""
            content += (said + (notes or {}).get(i, b"")).ljust(40, b"\0")
        records.append(content)
    return head + b"".join(records)


def counts_for(label: str, n_records: int, n_samples: int) -> np.ndarray:
    rng = np.random.default_rng(len(label) + n_records)
    return rng.integers(-2048, 2047, (n_records, n_samples), endpoint=True)


def two_signals(n_records: int = 12) -> list[Signal]:
    """A field at 50 Hz and three axes at 25 Hz, of which the layout takes two."""
    axes = [
        Signal(f"acc {axis}", counts_for(f"acc {axis}", n_records, 25), "mg", ("-8000", "8000"))
        for axis in "xyz"
    ]
    return [axes[0], Signal("Field", counts_for("Field", n_records, 50)), *axes[1:]]


LAYOUT = """\
framing = "edf"
sample_hz = 50
[[frame]]
[[frame.part]]
is = "samples"
channels = ["field"]
[[frame.part]]
is = "samples"
channels = ["acc_z", "acc_x"]
[[channel]]
name = "field"
label = "Field"
kind = "field"
unit = "V"
[[channel]]
name = "acc_x"
label = "acc x"
kind = "acceleration"
unit = "m/s2"
sample_hz = 25
[[channel]]
name = "acc_z"
label = "acc z"
kind = "acceleration"
unit = "m/s2"
sample_hz = 25
"""


def layout_of(folder: Path, text: str = LAYOUT) -> Layout:
    path = folder / "edf.toml"
    path.write_text(text)
    problems: list = []
    layout = load_layout(path, "edf.toml", problems)
    assert layout is not None, problems
    return layout


def one_channel(label: str, sample_hz: float, unit: str = "V", more: str = "") -> str:
    text = f'framing = "edf"\nsample_hz = {sample_hz}\n[[frame]]\n[[frame.part]]\nis = "samples"\n'
    text += f'channels = ["field"]\n[[channel]]\nname = "field"\nlabel = "{label}"\nkind = "field"\n'
    return text + f'unit = "{unit}"\n{more}\n'


def read(data: bytes | Sequence[bytes], layout: Layout, folder: Path, block_bytes: int = 1 << 20) -> Reading:
    dumps = []
    for i, content in enumerate([data] if isinstance(data, bytes) else data):
        path = folder / f"{i}.edf"
        path.write_bytes(content)
        dumps.append((f"dumps/{i}.edf", path))
    reading = read_frames(dumps, layout, folder, block_bytes)
    for dump in reading.dumps:
        assert dump.ledger.total == dump.n_bytes
    return reading


def counts_of(reading: Reading, stream: int = 0) -> np.ndarray:
    counts = reading.streams[stream].counts
    return counts.read(0, counts.n_rows).astype(np.int64)


def entries(reading: Reading, dump: int = 0) -> tuple[int, int, int, int]:
    ledger = reading.dumps[dump].ledger
    return ledger.decoded, ledger.damaged, ledger.unrecognised, ledger.padding


def refused(data: bytes, layout: Layout, folder: Path) -> str:
    with pytest.raises(Unreadable) as raised:
        read(data, layout, folder)
    return str(raised.value)
