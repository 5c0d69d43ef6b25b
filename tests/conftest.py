"""What many tests share: the demo's results, made once."""

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parent.parent


def sessiongate(*arguments: str | Path, **options) -> subprocess.CompletedProcess[str]:
    """Run the front door as a user would, in a process of its own."""
    command: Sequence[str] = [sys.executable, "-m", "pipeline.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", timeout=600, **options)


@pytest.fixture(scope="session")
def demo_results(tmp_path_factory) -> Path:
    """Results of the demo study."""
    results = tmp_path_factory.mktemp("demo") / "results"
    done = sessiongate("run", REPOSITORY / "demo_raw", "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return results
