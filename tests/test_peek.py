"""Looking into one dump: what is said with a layout, without one, and of files that are not there."""

import os
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frames
from layout_texts import BINARY, CONVERTER, TEXT, right

from pipeline.cli import main
from pipeline.glimpse import printable


def _peek(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    code = main(["peek", *map(str, arguments)])
    streams = capsys.readouterr()
    assert "Traceback" not in streams.out + streams.err
    return code, streams.out + streams.err


def _layout(folder: Path, text: str) -> Path:
    right(folder, text)
    return folder / "strap.toml"


def _frames(folder: Path, text: str, n: int = 60) -> list[bytes]:
    layout = right(folder, text)
    counts = np.random.default_rng(1).integers(0, 2000, (10 * n, 1))
    return encode_frames(layout, counts)


def test_damage_and_losses_of_a_binary_dump_are_placed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frames = _frames(tmp_path, BINARY + CONVERTER)
    size = len(frames[0])
    broken = frames[20][:-1] + bytes([frames[20][-1] ^ 1])
    data = b"".join([*frames[:20], broken, b"kiln", *frames[21:30], b"\xff" * 64, *frames[33:]])
    dump = tmp_path / "wedging.bin"
    dump.write_bytes(data)
    code, said = _peek(capsys, dump, "--layout", _layout(tmp_path, BINARY + CONVERTER))
    assert code == 0
    assert f"damaged       {size + 4} bytes from byte {20 * size}: A5 5A 14 00" in said
    assert "10 samples at 1.600 s, before the frame at byte" in said
    assert "30 samples at 2.400 s" in said
    assert "sequence 33" in said
    assert "unrecognised  " not in said


def test_chatter_and_half_lines_of_a_text_dump_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = _frames(tmp_path, TEXT, 10)
    dump = tmp_path / "glazing.log"
    chatter = b"radio \x1b[31moff\x07\n"
    dump.write_bytes(b"n,ms,acc\n" + b"".join([*lines[:5], chatter, b"\n", *lines[6:]])[:-1])
    code, said = _peek(capsys, dump, "--layout", _layout(tmp_path, TEXT))
    assert code == 0
    at = len(b"n,ms,acc\n" + b"".join(lines[:5]))
    assert f"unrecognised  line at byte {at}: radio \\x1b[31moff\\x07" in said
    assert "1 sample at 0.040 s, before the frame at line 9" in said
    assert "damaged       line at byte" in said


@pytest.mark.parametrize("kind", ["missing", "folder", "pipe", "layout"])
def test_a_wrong_layout_or_a_file_that_is_none_ends_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    layout = _layout(tmp_path, BINARY + CONVERTER)
    dump = tmp_path / kind
    if kind == "folder":
        dump.mkdir()
    elif kind == "pipe":
        os.mkfifo(dump)
    elif kind == "layout":
        dump.write_bytes(b"")
        layout.write_text("framing = 1\n")
    code, said = _peek(capsys, dump, "--layout", layout)
    assert code == 2
    assert {"missing": "no such file", "folder": "a folder", "pipe": "no regular file", "layout": "key fr"}[
        kind
    ] in said


def test_no_samples_end_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "dump.bin").write_bytes(bytes(range(100, 200)) * 20)
    code, said = _peek(capsys, tmp_path / "dump.bin", "--layout", _layout(tmp_path, BINARY + CONVERTER))
    assert code == 1
    assert "no such bytes in 2,000 bytes" in said


def test_without_a_layout_a_binary_dump_shows_its_sync_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frames = _frames(tmp_path, BINARY + CONVERTER)
    (tmp_path / "dump.bin").write_bytes(b"".join(frames))
    code, said = _peek(capsys, tmp_path / "dump.bin")
    assert code == 1
    assert "binary" in said
    assert f"A5 5A, 60 times, 100% of them {len(frames[0])} bytes apart" in said
    assert "framing = 'sync'" in said


@pytest.mark.parametrize(("delimiter", "decimal"), [(";", ","), (",", "."), ("\t", "."), (" ", ".")])
def test_without_a_layout_lines_show_their_delimiter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], delimiter: str, decimal: str
) -> None:
    lines = [f"{i}{delimiter}0{decimal}5{delimiter}-1{decimal}25\r\n" for i in range(20)]
    (tmp_path / "dump.log").write_bytes(("boot ok\n" + "".join(lines)).encode())
    code, said = _peek(capsys, tmp_path / "dump.log")
    assert code == 1
    word = {"\t": "'tab'", " ": "'blanks'"}.get(delimiter, f"'{delimiter}'")
    assert f"delimiter   {word}, as it seems: 3 columns in 20 of the first 21 lines" in said
    assert "| boot ok" in said
    assert "framing = 'text'" in said


def test_noise_and_nothing_have_no_pattern(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "noise.bin").write_bytes(np.random.default_rng(0).bytes(200_000))
    assert "no pattern of two bytes" in _peek(capsys, tmp_path / "noise.bin")[1]
    (tmp_path / "empty.bin").write_bytes(b"")
    assert "0 bytes, empty" in _peek(capsys, tmp_path / "empty.bin")[1]


def test_excerpts_hold_nothing_that_a_terminal_obeys() -> None:
    assert printable(bytes(range(256)), 2000).isprintable()
    assert printable(b"a" * 200, 10) == "aaaaaaa..."
