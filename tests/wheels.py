"""Real recordings that stand inside published wheels: fetched by pip once, checked, never kept here."""

import hashlib
import os
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest


@dataclass(frozen=True)
class Member:
    """One file of one wheel, and the SHA-256 it must have."""

    wheel: str
    member: str
    sha256: str
    pip_options: tuple[str, ...] = ()


ECG = Member(
    "scipy==1.11.4",
    "scipy/misc/ecg.dat",
    "f20ad3365fb9b7f845d0e5c48b6fe67081377ee466c3a220b7f69f35c8958baf",
    ("--python-version", "3.11", "--platform", "manylinux2014_x86_64"),
)
"""MIT-BIH Arrhythmia Database, record 208, lead MLII, 19:35 to 24:35, 360 Hz, 11 bits (Moody and Mark,
IEEE Eng Med Biol 20(3):45, 2001; Goldberger et al., Circulation 101(23):e215, 2000), ODC-By 1.0."""

DAPHNET = Member(
    "aeon==1.6.0",
    "aeon/datasets/data/Daphnet_S06R02E0/S06R02E0.csv",
    "5a1d2990fec3846c3e1bc43487f0860e63434bd06b3df763012e97ce23d0d84c",
)
"""Daphnet Freezing of Gait, subject 6, run 2: three accelerometers at 64 Hz in milli-g (Bachlin et al.,
IEEE Trans Inf Technol Biomed 14(2):436, 2010)."""

BASIC_MOTIONS = tuple(
    Member("aeon==1.6.0", f"aeon/datasets/data/BasicMotions/BasicMotions_{part}.ts", sha256)
    for part, sha256 in (
        ("TRAIN", "8dc43cc6306cb679c888c01e26f91772ac4441a916da43bac8b79734a538b9d6"),
        ("TEST", "79213102bc6fca1a398ad98ce1185dff0208fa3d1465e687f48288946b0ff8dc"),
    )
)
"""BasicMotions: 40 cases of 10 s each from a watch at 10 Hz, three axes of acceleration and three of rotation
(Bagnall et al., The UEA multivariate time series classification archive, arXiv:1811.00075, 2018)."""


def cache_folder() -> Path:
    """Where fetched members are kept between runs, outside the project."""
    own = os.environ.get("SESSIONGATE_TEST_CACHE")
    if own:
        return Path(own)
    shared = os.environ.get("XDG_CACHE_HOME")
    return (Path(shared) if shared else Path.home() / ".cache") / "sessiongate-tests"


def read_member(member: Member) -> bytes:
    """The bytes of a member; the test is skipped where pip cannot fetch its wheel."""
    kept = cache_folder() / member.sha256[:16]
    if not kept.is_file():
        kept.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory() as folder, zipfile.ZipFile(_fetched(member, Path(folder))) as wheel:
            content = wheel.read(member.member)
        aside = kept.with_name(f"{kept.name}.{os.getpid()}")
        aside.write_bytes(content)
        aside.replace(kept)
    content = kept.read_bytes()
    found = hashlib.sha256(content).hexdigest()
    assert found == member.sha256, f"{member.member} of {member.wheel} in {kept} is not the file it was"
    return content


def _fetched(member: Member, folder: Path) -> Path:
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
    command += [*member.pip_options, "--dest", str(folder), member.wheel]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    except (OSError, subprocess.TimeoutExpired) as error:
        pytest.skip(f"{member.wheel} cannot be fetched: {error}")
    wheels = list(folder.glob("*.whl"))
    if done.returncode or not wheels:
        why = (done.stderr.strip().splitlines() or [f"pip ended with {done.returncode}"])[-1]
        pytest.skip(f"{member.wheel} cannot be fetched: {why}")
    return wheels[0]


@cache
def ecg_codes() -> np.ndarray:
    """Codes of the ECG, int64, shape (108000,): mV = (code - 1024) / 200."""
    with np.load(BytesIO(read_member(ECG))) as archive:
        return archive["ecg"].astype(np.int64)


@cache
def daphnet() -> tuple[np.ndarray, np.ndarray]:
    """Time stamps in ms from the first, shape (7040,), and milli-g, shape (7040, 9), both int64."""
    rows = [line.split(",") for line in read_member(DAPHNET).decode().splitlines()[1:]]
    stamps = np.array([row[0] for row in rows], "datetime64[ms]").astype(np.int64)
    return stamps - stamps[0], np.array([row[1:10] for row in rows], np.int64)
