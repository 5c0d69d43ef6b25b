"""What many tests share: the demo's results, made once."""

import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from killing import Reference

if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # as shells have it for what runs in the background
    signal.signal(signal.SIGINT, signal.default_int_handler)  # else runs that tests start ignore it, too
if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) == signal.SIG_IGN:  # as nohup has it
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

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


@pytest.fixture(scope="session")
def tiny_reference(tmp_path_factory) -> "Reference":
    """A study of seconds, and what an undisturbed run makes of it."""
    from killing import undisturbed  # these use this file
    from tiny import tiny_study

    top = tmp_path_factory.mktemp("undisturbed")
    return undisturbed(tiny_study(top / "study"), top / "results")
