"""What differs between operating systems, by stand-ins for them: these tests run on Linux."""

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import psutil
import pytest
from workshop import GLAZING, WEDGING, make_folder, only, sessions

from pipeline import machine


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0x200, raising=False)


def test_a_worker_stands_apart_from_ctrl_c() -> None:
    assert machine.apart() == machine.engine_apart() == {"process_group": 0}


@pytest.mark.usefixtures("windows")
def test_on_windows_the_engine_hears_the_ctrl_c_of_its_console() -> None:
    """No other process can send it one; workers do not hear it."""
    assert machine.apart() == {"creationflags": 0x200}
    assert machine.engine_apart() == {}

    class Engine:
        def send_signal(self, number: int) -> None:
            raise ValueError(f"Unsupported signal: {number}")  # as Popen says there

    engine: Any = Engine()
    machine.ask_to_end(engine)


@pytest.mark.usefixtures("windows")
def test_on_windows_nobody_is_sent_a_signal_to_see_whether_he_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    """os.kill with 0 is Ctrl-C there (documentation of os.kill and signal.CTRL_C_EVENT)."""
    monkeypatch.setattr(os, "kill", lambda *_: pytest.fail("a signal was sent"))
    monkeypatch.setattr(psutil, "pid_exists", lambda pid: pid == 7)  # on Linux it sends a signal itself
    assert machine.is_alive(7)
    assert not machine.is_alive(8)


def test_where_there_is_no_proc_a_start_is_known_too(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    own = machine.start_of(os.getpid())
    assert own == machine.start_of(os.getpid()) != ""
    monkeypatch.setattr(machine, "_PROC", tmp_path)
    elsewhere = machine.start_of(os.getpid())
    assert elsewhere == machine.start_of(os.getpid()) != ""
    assert machine.start_of(2**22 + 1) == ""


@pytest.mark.usefixtures("windows")
def test_on_windows_a_file_that_is_looked_at_is_tried_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    aside, path, real, tries = tmp_path / "aside", tmp_path / "sessions.csv", Path.replace, [3]
    aside.write_text("new")
    path.write_text("old")

    def replace(self: Path, target: Path) -> Path:
        if tries[0]:
            tries[0] -= 1
            raise PermissionError(13, "Access is denied")
        return real(self, target)

    monkeypatch.setattr(machine, "_TRY_EVERY_S", 0.0)
    monkeypatch.setattr(Path, "replace", replace)
    machine.replaced(aside, path)
    assert path.read_text() == "new"
    aside.write_text("newer")
    tries[0] = 1000  # a spreadsheet keeps it open
    with pytest.raises(PermissionError) as raised:
        machine.replaced(aside, path)
    assert path.read_text() == "new"
    assert "Close the program that has it open" in machine.remedy(raised.value)


def test_who_has_no_home_keeps_caches_with_the_results(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    assert machine.caches(tmp_path / "instead") == {}
    monkeypatch.delenv("XDG_CACHE_HOME")
    (tmp_path / "file").touch()
    monkeypatch.setenv("HOME", str(tmp_path / "file" / "home"))
    assert machine.caches(tmp_path / "instead") == {"XDG_CACHE_HOME": str(tmp_path / "instead")}


def test_what_to_do_about_a_file() -> None:
    assert machine.remedy(PermissionError()) == "Free space or mend permissions and run again"


def test_signals_that_are_not_there_are_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    before = signal.getsignal(signal.SIGTERM)
    monkeypatch.delattr(signal, "SIGHUP")
    try:
        machine.stop_like_ctrl_c()
        assert signal.getsignal(signal.SIGTERM) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGTERM, before)


@pytest.mark.usefixtures("windows")
def test_on_windows_a_backslash_is_between_folders(tmp_path: Path) -> None:
    """There the file is found; the study would not be read elsewhere, and its dump be nobody's."""
    folder = make_folder(tmp_path)
    (folder / "dumps").mkdir()
    (folder / "dumps" / r"strap\a.bin").touch()
    sessions(folder, WEDGING.replace("dumps/a.bin", r"dumps/strap\a.bin"), GLAZING)
    only(folder, "line 2", "'/' between folders", "Write dumps/strap/a.bin.")


@pytest.mark.parametrize("content", [b"", b"glaze", bytes(range(256)) * 20_000])
@pytest.mark.parametrize("system", ["copies", "stops half-way", "refuses", "cannot"])
def test_a_copy_is_whole_whatever_the_system_does_of_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, content: bytes, system: str
) -> None:
    source, target = tmp_path / "kiln.bin", tmp_path / "copy.bin"
    source.write_bytes(content)
    target.write_bytes(b"what stood there before, and was longer" * 2)

    def some(old: int, new: int, n: int) -> int:
        if system == "refuses" or os.lseek(old, 0, os.SEEK_CUR):
            raise OSError(errno.EXDEV, "invalid cross-device link")
        return os.write(new, os.read(old, max(n // 2, 1)))

    if system == "cannot":
        monkeypatch.delattr(os, "copy_file_range", raising=False)
    elif system != "copies":
        monkeypatch.setattr(os, "copy_file_range", some, raising=False)
    machine.copied(source, target)
    assert target.read_bytes() == content


def test_a_full_disk_is_no_reason_to_copy_in_another_way(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def full(old: int, new: int, n: int) -> int:
        raise OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr(os, "copy_file_range", full, raising=False)
    (tmp_path / "kiln.bin").write_bytes(b"glaze")
    with pytest.raises(OSError, match="no space left"):
        machine.copied(tmp_path / "kiln.bin", tmp_path / "copy.bin")


def test_what_a_terminal_cannot_show_ends_nothing() -> None:
    """A pipe in ASCII; without help, Python ends with UnicodeEncodeError."""
    code = "from pipeline.machine import speak_anyway; speak_anyway(); print('10 \\u2192 20 \\u00b5V')"
    env = {**os.environ, "PYTHONIOENCODING": "ascii"}
    said = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True)
    assert (said.returncode, said.stdout) == (0, "10 ? 20 ?V\n"), said.stderr
