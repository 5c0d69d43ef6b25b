"""The program that damages dumps at length, for a few seconds."""

import subprocess
import sys
from pathlib import Path

from cases import CASES

FUZZ = Path(__file__).parent / "fuzz" / "fuzz.py"


def test_a_short_run_finds_nothing() -> None:
    """Two rounds of every layout; the second one reads hostile files."""
    first = str(2 * len(CASES))
    command = [
        sys.executable,
        FUZZ,
        "--rounds-only",
        "--jobs",
        "1",
        "--damaged",
        "30000",
        "--first-round",
        first,
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "nothing wrong" in done.stdout
    assert f"next round {4 * len(CASES)}" in done.stdout
