"""An invented recording of any length for the benchmarks, written block by block."""

import binascii
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from cobs import cobs

from pipeline.study import Activity

SAMPLE_HZ, TICK_HZ, PER_FRAME = 250, 32768, 10
SYNC = b"\xa5\x5a"
CHANNELS = ("field", "acc_x", "acc_y", "acc_z")
SCALES = (2e-5, 8 * 9.80665 / 32768, 8 * 9.80665 / 32768, 8 * 9.80665 / 32768)
"""V and m/s2 a count: +-0.66 V and +-8 g over 16 bits."""

FRAME = np.dtype(
    [
        ("sync", "S2"),
        ("sequence", "<u2"),
        ("ticks", "<u4"),
        ("samples", "<i2", (PER_FRAME, len(CHANNELS))),
        ("checksum", "<u2"),
    ]
)
LOST_SHARE = 0.001
_FRAMES_OF_A_BLOCK = 15_000

SECTOR_BYTES, PER_SECTOR = 512, 62
"""A frame to a sector of a memory, and how many rows go into it."""

SECTOR = np.dtype(
    {
        "names": ["sync", "sequence", "ticks", "samples", "checksum"],
        "formats": ["S2", "<u2", "<u4", ("<i2", (PER_SECTOR, len(CHANNELS))), "<u2"],
        "itemsize": SECTOR_BYTES,
    }
)
FRAMINGS = ("sync", "sectors", "cobs", "slip", "text")

SYNC_PART = """[[frame.part]]
is = "sync"
bytes = "A5 5A"
"""
BINARY_PARTS = """[[frame.part]]
is = "sequence"
type = "u16"
[[frame.part]]
is = "ticks"
type = "u32"
[[frame.part]]
is = "samples"
type = "i16"
count = {count}
channels = ["field", "acc_x", "acc_y", "acc_z"]
[[frame.part]]
is = "checksum"
name = "CRC-16/XMODEM"
"""
_TEXT_PARTS = """[[frame.part]]
is = "sequence"
bits = 16
[[frame.part]]
is = "ticks"
bits = 32
[[frame.part]]
is = "samples"
channels = ["field", "acc_x", "acc_y", "acc_z"]
"""


def layout_text(framing: str = "sync") -> str:
    """The layout of the recording in one of `FRAMINGS`."""
    in_text = framing == "text"
    head = {"sectors": f"sector_bytes = {SECTOR_BYTES}\n", "text": '[text]\ndelimiter = ","\n'}
    ends = "adc_min = -32768\nadc_max = 32767\n" if in_text else ""
    parts = SYNC_PART if framing in ("sync", "sectors") else ""
    parts += _TEXT_PARTS if in_text else BINARY_PARTS
    channels = (
        f'name = "field"\nkind = "field"\nunit = "V"\nscale = {SCALES[0]!r}\nac_corner_hz = 0.16\n{ends}'
    )
    for axis in "xyz":
        channels += f'[[channel]]\nname = "acc_{axis}"\nkind = "acceleration"\nunit = "m/s2"\n'
        channels += f"scale = {SCALES[1]!r}\n{ends}"
    return (
        f'title = "Invented strap of the throwing room"\nframing = "{framing}"\n'
        + ("" if in_text else 'byte_order = "little"\n')
        + f"sample_hz = {SAMPLE_HZ}.0\ntick_hz = {TICK_HZ}.0\n{head.get(framing, '')}[[frame]]\n"
        + parts.replace("{count}", str(PER_SECTOR if framing == "sectors" else PER_FRAME))
        + f"[[channel]]\n{channels}"
    )


def write_study(folder: Path, hours: float, framing: str = "sync") -> Path:
    """A study of one session in which somebody wedges clay and carries boards; return its dump."""
    for name in ("layouts", "dumps"):
        (folder / name).mkdir(parents=True)
    (folder / "study.toml").write_text('title = "Pottery workshop (invented)"\nmains_hz = 50\n')
    (folder / "layouts" / "strap.toml").write_text(layout_text(framing))
    (folder / "sessions.csv").write_text(
        "session,participant,site,device,layout,dumps,started_at\n"
        "throwing,P01,throwing-room,strap-1,strap,dumps/throwing.bin,2026-03-02T09:30:00+00:00\n"
    )
    dump = folder / "dumps" / "throwing.bin"
    write_dump(dump, framing, hours)
    return dump


def activities(hours: float) -> tuple[Activity, ...]:
    """The log of what `_counts` makes: a minute at the wheel, a minute of carrying boards, and so on."""
    doing = (("sitting at the wheel", "rest"), ("carrying boards", "body"))
    return tuple(Activity(60.0 * i, 60.0 * i + 59, *doing[i % 2], i + 2) for i in range(round(hours * 60)))


def write_dump(path: Path, framing: str, hours: float) -> None:
    """The recording in one of `FRAMINGS`, into a file."""
    write = {
        "sync": _as_they_are,
        "sectors": _as_they_are,
        "cobs": _stuffed,
        "slip": _escaped,
        "text": _lines,
    }
    dtype = SECTOR if framing == "sectors" else FRAME
    per_frame = dtype["samples"].shape[0]
    with path.open("wb") as file:
        for block in blocks(round(hours * 3600 * SAMPLE_HZ / per_frame), dtype):
            file.write(write[framing](block))


def blocks(n_frames: int, dtype: np.dtype = FRAME) -> Iterator[np.ndarray]:
    """The frames that arrived, some thousands at once."""
    rng, per_frame = np.random.default_rng(20260302), dtype["samples"].shape[0]
    n_covered = dtype.fields["checksum"][1]
    for first in range(0, n_frames, _FRAMES_OF_A_BLOCK):
        number = np.arange(first, min(first + _FRAMES_OF_A_BLOCK, n_frames))
        data = np.full((len(number), dtype.itemsize), 0xFF, dtype=np.uint8)
        frames = data.view(dtype)[:, 0]
        frames["sync"] = SYNC
        frames["sequence"] = number % (1 << 16)
        frames["ticks"] = (number * per_frame * TICK_HZ // SAMPLE_HZ) % (1 << 32)
        rows = np.arange(number[0] * per_frame, (number[-1] + 1) * per_frame)
        frames["samples"] = _counts(rows, rng).reshape(len(number), per_frame, len(CHANNELS))
        covered = data[:, len(SYNC) : n_covered]
        frames["checksum"] = [binascii.crc_hqx(row.tobytes(), 0) for row in covered]
        yield frames[rng.random(len(frames)) >= LOST_SHARE]


def _as_they_are(frames: np.ndarray) -> bytes:
    return frames.tobytes()


def _bodies(frames: np.ndarray) -> list[bytes]:
    """Frames without their sync bytes, which packets do not need."""
    data, n_bytes = frames.tobytes(), frames.dtype.itemsize
    return [data[at + len(SYNC) : at + n_bytes] for at in range(0, len(data), n_bytes)]


def _stuffed(frames: np.ndarray) -> bytes:
    return b"".join(cobs.encode(body) + b"\0" for body in _bodies(frames))


def _escaped(frames: np.ndarray) -> bytes:
    escaped = (body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") for body in _bodies(frames))
    return b"".join(body + b"\xc0" for body in escaped)


def _lines(frames: np.ndarray) -> bytes:
    """A line for each row; the counter counts lines."""
    first = frames["sequence"].astype(np.int64) * PER_FRAME
    within = np.arange(PER_FRAME)
    columns = (
        (first[:, None] + within) % (1 << 16),
        (frames["ticks"][:, None].astype(np.int64) + within * TICK_HZ // SAMPLE_HZ) % (1 << 32),
        *(frames["samples"][:, :, k] for k in range(len(CHANNELS))),
    )
    table = np.stack([column.reshape(-1) for column in columns], axis=1)
    return "".join(",".join(map(str, row)) + "\n" for row in table.tolist()).encode()


def _counts(rows: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Steps at 1.9 Hz in every second minute, mains and noise all the time; shape (rows, channels)."""
    second = rows / SAMPLE_HZ
    walking = (second // 60) % 2
    step = 2 * np.pi * 1.9 * second
    field = 0.06 * walking * (np.sin(step) + 0.4 * np.sin(2 * step + 0.5)) + 0.01 * np.sin(
        2 * np.pi * 50.02 * second
    )
    values = np.stack(
        (
            field + rng.normal(0, 0.5e-3, len(rows)),
            *(
                level + size * walking * np.sin(step + phase) + rng.normal(0, 0.03, len(rows))
                for level, size, phase in ((0.0, 2.0, 0.0), (2.0, 1.0, 1.0), (9.6, 3.0, 2.0))
            ),
        ),
        axis=1,
    )
    return np.clip(np.rint(values / np.array(SCALES)), -32768, 32767)
