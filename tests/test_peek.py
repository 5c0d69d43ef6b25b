"""Looking into one dump: what is said with a layout, without one, and of files that are not there."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg
from encode import encode_all, encode_frames
from layout_texts import BINARY, CONVERTER, TEXT, right
from shapes import kinds_layout
from smooth import smooth_counts

from pipeline.cli import main
from pipeline.peek.words import lasting, n_of, percent, printable
from pipeline.timebase.knots import _solved


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
    assert "none in 2,000 bytes" in said


def test_without_a_layout_a_layout_to_begin_with_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dump, _ = _recording(tmp_path, "dump.bin", _field(60))
    code, said = _peek(capsys, dump)
    assert code == 1
    first, *lines = said.splitlines()
    assert first == f"# {dump}: {dump.stat().st_size:,} bytes, binary"
    assert "# read with the layout below: 100.0% of the first 22,500 bytes, 750 frames" in lines
    assert 'bytes = "A5 5A"' in lines
    assert 'name = "CRC-16/XMODEM"' in lines
    (tmp_path / "found.toml").write_text(said)
    code, said = _peek(capsys, dump, "--layout", tmp_path / "found.toml")
    assert code == 0
    assert "750 good, 0 lost of 750 expected" in said


@pytest.mark.parametrize(("delimiter", "decimal"), [(";", ","), (",", "."), ("\t", "."), (" ", ".")])
def test_without_a_layout_lines_show_their_delimiter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], delimiter: str, decimal: str
) -> None:
    lines = [f"{i}{delimiter}0{decimal}5{delimiter}-1{decimal}25\r\n" for i in range(20)]
    (tmp_path / "dump.log").write_bytes(("boot ok\n" + "".join(lines)).encode())
    code, said = _peek(capsys, tmp_path / "dump.log")
    assert code == 1
    word = {"\t": "tab", " ": "blanks"}.get(delimiter, delimiter)
    assert f'delimiter = "{word}"' in said
    assert ('decimal = ","' in said) == (decimal == ",")
    assert "decimals = 2" in said


def test_noise_and_nothing_have_no_layout(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "noise.bin").write_bytes(np.random.default_rng(0).bytes(200_000))
    code, said = _peek(capsys, tmp_path / "noise.bin")
    assert code == 1
    assert "# no layout was found that fits" in said
    (tmp_path / "empty.bin").write_bytes(b"")
    assert _peek(capsys, tmp_path / "empty.bin") == (1, f"# {tmp_path / 'empty.bin'}: 0 bytes, empty\n")


def test_excerpts_hold_nothing_that_a_terminal_obeys() -> None:
    assert printable(bytes(range(256)), 2000).isprintable()
    assert printable(b"a" * 200, 10) == "aaaaaaa..."


def test_numbers_are_written_as_people_read_them() -> None:
    assert [lasting(s) for s in (45.4, 150, 3660, 27_000)] == ["45 s", "2.5 min", "61 min", "7.5 h"]
    assert [percent(p) for p in (0, 0.0004, 0.002, 0.034, 0.12, 1)] == [
        *("0 %", "below 0.1 %", "0.2 %", "3.4 %", "12 %", "100 %")
    ]
    assert n_of(1, "byte") == "1 byte"
    assert n_of(2000, "byte") == "2,000 bytes"


def _recording(folder: Path, name: str, counts: np.ndarray) -> tuple[Path, Path]:
    layout = _layout(folder, BINARY + CONVERTER)
    dump = folder / name
    dump.write_bytes(b"".join(encode_frames(right(folder, BINARY + CONVERTER), counts.reshape(-1, 1))))
    return dump, layout


def _field(seconds: float) -> np.ndarray:
    t = np.arange(round(seconds * 125))
    noise = np.random.default_rng(5).normal(0, 3, len(t))
    return np.rint(2000 + 300 * np.sin(t / 40) + noise).astype(int)


def _first_line(capsys: pytest.CaptureFixture[str], dump: Path, layout: Path) -> str:
    code, said = _peek(capsys, dump, "--layout", layout)
    assert code == 0
    return said.splitlines()[0]


def test_the_first_line_says_whether_a_recording_is_worth_keeping(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = _field(120)
    assert _first_line(capsys, *_recording(tmp_path, "good.bin", good)) == (
        "worth keeping: 2 min, 0 % lost, no channel at a rail"
    )
    railed = good.copy()
    railed[2000:2600] = 4095
    said = _first_line(capsys, *_recording(tmp_path, "rail.bin", railed))
    assert said == "doubtful: 2 min, field at a rail for 4 % (limit 1 %)"
    stuck = good.copy()
    stuck[2000:3000] = 2000
    said = _first_line(capsys, *_recording(tmp_path, "stuck.bin", stuck))
    assert said.startswith("doubtful: 2 min, field stuck for 6.7 % (limit 1 %)")
    said = _first_line(capsys, *_recording(tmp_path, "short.bin", good[:1250]))
    assert said == "not worth keeping: 10 s of 10 s left (at least 30 s are needed)"
    said = _first_line(capsys, *_recording(tmp_path, "flat.bin", np.where(good > 1990, 4095, 0)))
    assert said.startswith("not worth keeping: 0 s of 2 min left")


def test_a_wrong_clock_throws_no_recording_away(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dump, layout = _recording(tmp_path, "good.bin", _field(120))
    text = layout.read_text()
    assert "tick_hz = 32768" in text
    layout.write_text(text.replace("tick_hz = 32768", "tick_hz = 3276800"))
    said = _first_line(capsys, dump, layout)
    assert said.startswith("doubtful: 1 s of 1 s left")
    assert "the layout does not seem to fit" in said


def test_losses_count_against_a_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dump, layout = _recording(tmp_path, "dump.bin", _field(200))
    size = len(_frames(tmp_path, BINARY + CONVERTER, 1)[0])
    data = dump.read_bytes()
    dump.write_bytes(data[: 800 * size] + data[1000 * size :])
    said = _first_line(capsys, dump, layout)
    assert said == "doubtful: 3.3 min, 8 % lost (limit 5 %), a gap of 16 s (limit 5 s)"


def test_settling_after_an_overload_counts_against_a_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 0.01 Hz recovery takes 4.6 / (2 pi 0.01 Hz) = 73 s (first-order high-pass)."""
    field = _field(200)
    field[5 * 125 : 5 * 125 + 60] = 4095
    field[100 * 125 : 100 * 125 + 60] = 4095
    dump, _ = _recording(tmp_path, "dump.bin", field)
    layout = _layout(tmp_path, BINARY + CONVERTER + "ac_corner_hz = 0.01\n")
    said = _first_line(capsys, dump, layout)
    assert said == "doubtful: 3.3 min, field settling after an overload for 73 % (limit 5 %)"


def test_a_wrong_layout_is_doubted_and_mended(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dump, _ = _recording(tmp_path, "dump.bin", _field(60))
    wrong = _layout(
        tmp_path, (BINARY + CONVERTER).replace('"u16"\ncount', '"u16"\nbyte_order = "big"\ncount')
    )
    code, said = _peek(capsys, dump, "--layout", wrong)
    assert code == 0
    assert "the layout does not seem to fit, see below" in said.splitlines()[0]
    assert 'wrong?      Write byte_order = "little" in the 4th part, samples.' in said
    wrong = _layout(tmp_path, (BINARY + CONVERTER).replace("count = 10", "count = 12"))
    code, said = _peek(capsys, dump, "--layout", wrong)
    assert code == 1
    assert "Write count = 10 in the 4th part, samples." in said


def test_samples_are_proven(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dump, layout = _recording(tmp_path, "dump.bin", _field(20))
    code, said = _peek(capsys, dump, "--layout", layout, "--prove")
    assert code == 0
    assert said == "250 of 250 frames came back byte for byte\n"
    assert _peek(capsys, dump, "--prove") == (2, "--prove needs --layout FILE\n")
    (tmp_path / "none.bin").write_bytes(bytes(100))
    assert _peek(capsys, tmp_path / "none.bin", "--layout", layout, "--prove")[0] == 1


def test_several_kinds_and_rates_and_events_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    layout = kinds_layout(event=True, rates=(250.0, 100.0))
    counts = smooth_counts(layout, 200)
    frames = encode_all(layout, counts, event_s=(1.0, 2.5, 3.0))
    dump = tmp_path / "dump.bin"
    dump.write_bytes(b"".join(frame.data for i, frame in enumerate(frames) if i not in (40, 41)))
    monkeypatch.setattr("pipeline.peek.look.load_layout", lambda *_: layout)
    code, said = _peek(capsys, dump, "--layout", tmp_path / "any.toml")
    assert code == 0
    assert "250 Hz: a0, b0" in said
    assert "100 Hz: a1, b1" in said
    assert said.count("frames      ") == 2
    assert "events      3 events of kind 'kind2'" in said


def test_no_heavy_library_is_imported(tmp_path: Path) -> None:
    """What peek does not need would take longer to import than an hour's dump to read."""
    dump, layout = _recording(tmp_path, "dump.bin", _field(40))
    heavy = ("scipy", "pandas", "pandera", "pyarrow", "matplotlib", "snakemake", "jinja2")
    for more in (["--layout", str(layout)], []):
        code = (
            "import sys; from pipeline.cli import main; "
            f"main({['peek', str(dump), *more]!r}); "
            f"print([name for name in {heavy!r} if name in sys.modules])"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert done.stdout.splitlines()[-1] == "[]"


def test_knots_of_clocks_are_solved_as_a_library_does() -> None:
    rng = np.random.default_rng(9)
    for n in (2, 3, 200):
        beside, wanted = rng.normal(size=n - 1), rng.normal(size=n)
        diagonal = (
            1
            + 2 * np.abs(rng.normal(size=n))
            + np.abs(np.pad(beside, (1, 0)))
            + np.abs(np.pad(beside, (0, 1)))
        )
        bands = np.stack([np.pad(beside, (1, 0)), diagonal])
        assert np.allclose(
            _solved(beside, diagonal, wanted), scipy.linalg.solveh_banded(bands, wanted), atol=1e-12
        )


def test_a_layout_of_another_device_points_to_one_that_fits(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dump, _ = _recording(tmp_path, "dump.bin", _field(60))
    other = _layout(tmp_path, TEXT)
    code, said = _peek(capsys, dump, "--layout", other)
    assert code == 1
    assert "found bytes that are no text" in said
    assert "It looks like framing = 'sync': peek without --layout prints a layout for it." in said
    assert all(line.isprintable() for line in said.splitlines())
