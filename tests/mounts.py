"""Small file systems of their own, where tests may mount some: full, read-only, or cut off from power."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def tmpfs(place: Path, options: str) -> Iterator[Path]:
    """A file system in memory."""
    with _mounted(["-t", "tmpfs", "-o", options, "tmpfs", str(place)], place):
        yield place


def remount(place: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(place)], check=True)


def new_disk(image: Path, megabytes: int) -> Path:
    """A file that holds an empty ext4."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("needs mkfs.ext4")
    with image.open("wb") as file:
        file.truncate(megabytes << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    return image


@contextmanager
def disk(image: Path, place: Path) -> Iterator[Path]:
    """The file system of an image: names are written within a second, contents when the system likes."""
    with _mounted(["-o", "loop,commit=1", str(image), str(place)], place):
        yield place


def cut_off(image: Path, copy: Path) -> Path:
    """What a power cut would leave of a disk that is in use: what has reached it up to now."""
    before = None
    while (content := image.read_bytes()) != before:  # not while it is being written
        before = content
    copy.write_bytes(content)
    return copy


@contextmanager
def _mounted(arguments: list[str], place: Path) -> Iterator[None]:
    place.mkdir(exist_ok=True)
    mount = shutil.which("mount")
    if mount is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("mounting a file system needs root")
    done = subprocess.run([mount, *arguments], capture_output=True)
    if done.returncode:
        pytest.skip(f"nothing can be mounted here: {done.stderr.decode().strip()}")
    try:
        yield
    finally:
        if subprocess.run(["umount", str(place)]).returncode:  # something is at work there still
            subprocess.run(["umount", "--lazy", str(place)], check=True)
