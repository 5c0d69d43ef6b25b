"""The program that damages dumps at length, for a few seconds."""

import subprocess
import sys
from pathlib import Path

FUZZ = Path(__file__).parent / "fuzz" / "fuzz.py"


def test_a_short_run_finds_nothing() -> None:
    command = [sys.executable, FUZZ, "--damaged", "20000", "--rounds-only", "--jobs", "1", "--seed", "1"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "nothing wrong" in done.stdout
