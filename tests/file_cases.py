"""Files with a header of their own, WAV and EDF, in the pieces that damage happens to."""

import struct
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
from edf_files import LAYOUT as EDF_LAYOUT
from edf_files import Signal, edf_bytes
from encode import Encoded

from pipeline.layouts import Layout, load_layout

HEADER = -1
"""The kind of a piece that is no frame."""

_WAV_LAYOUT = """\
framing = "wav"
sample_hz = 250
[[frame]]
[[frame.part]]
is = "samples"
channels = ["a", "b"]
""" + "".join(
    f'[[channel]]\nname = "{name}"\nkind = "other"\nunit = "1"\nscale = 1.0\nbits = 16\n' for name in "ab"
)
_WAV_ROWS = 8


@cache
def file_layout(framing: str) -> Layout:
    """The layout of all files of a framing."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{framing}.toml"
        path.write_text(_WAV_LAYOUT if framing == "wav" else EDF_LAYOUT)
        layout = load_layout(path, path.name, [])
    assert layout is not None
    return layout


def file_pieces(framing: str, n_pieces: int, seed: int) -> list[Encoded]:
    """The header, and about as many pieces of samples."""
    return (_wav if framing == "wav" else _edf)(n_pieces, np.random.default_rng(seed))


def _wav(n_pieces: int, rng: np.random.Generator) -> list[Encoded]:
    """IBM and Microsoft, "Multimedia Programming Interface and Data Specifications 1.0", 1991."""
    counts = rng.integers(-32768, 32768, (n_pieces, _WAV_ROWS, 2))
    size = counts.size * 2
    header = b"RIFF" + struct.pack("<I", 36 + size) + b"WAVEfmt "
    header += struct.pack("<IHHIIHH", 16, 1, 2, 250, 1000, 4, 16) + b"data" + struct.pack("<I", size)
    return [_header(header), *(_piece(rows.astype("<i2").tobytes(), rows) for rows in counts)]


def _edf(n_pieces: int, rng: np.random.Generator) -> list[Encoded]:
    field, x, z = (rng.integers(-2048, 2048, (n_pieces, n)) for n in (50, 25, 25))
    axes = [Signal(f"acc {axis}", rows, "mg", ("-8000", "8000")) for axis, rows in (("x", x), ("z", z))]
    data, size = edf_bytes([axes[0], Signal("Field", field), axes[1]]), 200
    start = len(data) - n_pieces * size
    records = [
        _piece(
            data[start + i * size : start + (i + 1) * size], field[i][:, None], np.stack((z[i], x[i]), axis=1)
        )
        for i in range(n_pieces)
    ]
    return [_header(data[:start]), *records]


def _header(data: bytes) -> Encoded:
    return Encoded(data, HEADER, -1, -1, -1, ())


def _piece(data: bytes, *rows: np.ndarray) -> Encoded:
    return Encoded(data, 0, -1, -1, -1, rows)
