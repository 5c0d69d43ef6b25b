"""An invented recording of any length for the benchmarks, written block by block."""

import binascii
from collections.abc import Iterator
from pathlib import Path

import numpy as np

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

LAYOUT = f"""title = "Invented strap of the throwing room"
framing = "sync"
byte_order = "little"
sample_hz = {SAMPLE_HZ}.0
tick_hz = {TICK_HZ}.0
[[frame]]
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "sequence"
type = "u16"
[[frame.part]]
is = "ticks"
type = "u32"
[[frame.part]]
is = "samples"
type = "i16"
count = {PER_FRAME}
channels = ["field", "acc_x", "acc_y", "acc_z"]
[[frame.part]]
is = "checksum"
name = "CRC-16/XMODEM"
[[channel]]
name = "field"
kind = "field"
unit = "V"
scale = {SCALES[0]!r}
ac_corner_hz = 0.16
""" + "".join(
    f'[[channel]]\nname = "acc_{axis}"\nkind = "acceleration"\nunit = "m/s2"\nscale = {SCALES[1]!r}\n'
    for axis in "xyz"
)


def write_study(folder: Path, hours: float) -> Path:
    """A study of one session in which somebody wedges clay and carries boards; return its dump."""
    for name in ("layouts", "dumps"):
        (folder / name).mkdir(parents=True)
    (folder / "study.toml").write_text('title = "Pottery workshop (invented)"\nmains_hz = 50\n')
    (folder / "layouts" / "strap.toml").write_text(LAYOUT)
    (folder / "sessions.csv").write_text(
        "session,participant,site,device,layout,dumps,started_at\n"
        "throwing,P01,throwing-room,strap-1,strap,dumps/throwing.bin,2026-03-02T09:30:00+00:00\n"
    )
    dump = folder / "dumps" / "throwing.bin"
    with dump.open("wb") as file:
        for block in _blocks(round(hours * 3600 * SAMPLE_HZ / PER_FRAME)):
            file.write(block)
    return dump


def _blocks(n_frames: int) -> Iterator[bytes]:
    rng = np.random.default_rng(20260302)
    for first in range(0, n_frames, _FRAMES_OF_A_BLOCK):
        number = np.arange(first, min(first + _FRAMES_OF_A_BLOCK, n_frames))
        frames = np.zeros(len(number), FRAME)
        frames["sync"] = SYNC
        frames["sequence"] = number % (1 << 16)
        frames["ticks"] = (number * PER_FRAME * TICK_HZ // SAMPLE_HZ) % (1 << 32)
        rows = np.arange(number[0] * PER_FRAME, (number[-1] + 1) * PER_FRAME)
        frames["samples"] = _counts(rows, rng).reshape(len(number), PER_FRAME, len(CHANNELS))
        covered = frames.view(np.uint8).reshape(len(number), FRAME.itemsize)[:, len(SYNC) : -2]
        frames["checksum"] = [binascii.crc_hqx(row.tobytes(), 0) for row in covered]
        yield frames[rng.random(len(frames)) >= LOST_SHARE].tobytes()


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
