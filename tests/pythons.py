"""Other versions of Python: the demo in each that is found here, and whether it gives the same bytes.

``python tests/pythons.py`` looks for Python 3.11 and newer on the path and where pyenv keeps them, makes a
virtual environment for each version that is not the one at work, installs this checkout with the libraries
of `.ci/lock.txt`, and runs the demo. Data, tables and pages must be the same to the byte. What is not found
is named, and no fault. ``--tests FILE...`` runs tests there, too.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tiny import apart, made

REPOSITORY = Path(__file__).parent.parent
OLDEST, NEWEST = 11, 15
"""Minor versions that are looked for; older ones are refused by pyproject.toml."""
_AT_LEAST = 50
"""Files that the demo makes; fewer and nothing was compared."""


def found() -> dict[int, Path]:
    """Interpreters by minor version, but for the one at work."""
    pyenv = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv") / "versions"
    several: dict[int, Path] = {}
    for minor in range(OLDEST, NEWEST + 1):
        kept = sorted(
            pyenv.glob(f"3.{minor}.*/bin/python"), key=lambda path: _numbers(path.parent.parent.name)
        )
        at_hand = [str(path) for path in kept[-1:]] + [shutil.which(f"python3.{minor}") or ""]
        working = next((path for path in at_hand if path and _runs(path, minor)), None)
        if working and minor != sys.version_info.minor:
            several[minor] = Path(working)
    return several


def _numbers(name: str) -> list[int]:
    return [int(number) for number in re.findall(r"\d+", name)]


def _runs(path: str, minor: int) -> bool:
    """Whether it is that version; pyenv puts a name on the path for each that it knows, installed or not."""
    ask = [path, "-c", "import ssl, sys, venv; print(sys.version_info.minor)"]
    said = subprocess.run(ask, capture_output=True, text=True)
    return said.stdout.strip() == str(minor)


def environment(python: Path, folder: Path, *, with_tests: bool) -> Path | None:
    """Install this checkout with the libraries it was tested with; None where they are not to be had."""
    subprocess.run([python, "-m", "venv", folder], check=True)
    here = f"{REPOSITORY}[test]" if with_tests else str(REPOSITORY)
    lock = REPOSITORY / ".ci" / "lock.txt"
    command = [folder / "bin" / "python", "-m", "pip", "install", "-q", "-c", lock, here]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        print(f"skipped, since its libraries cannot be installed: {done.stderr.strip().splitlines()[-1]}")
        return None
    return folder / "bin"


def demo(command: list[str], results: Path) -> dict[str, bytes]:
    """Files of the demo's results."""
    env = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    more = ["run", str(REPOSITORY / "demo_raw"), "--out", str(results), "--quiet"]
    subprocess.run([*command, *more], env=env, cwd=REPOSITORY, check=True)
    files = made(results)
    if len(files) < _AT_LEAST:
        raise SystemExit(f"{results}: only {len(files)} files")
    return files


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tests", nargs="+", default=[], metavar="FILE", help="tests to run there, too")
    tests = parser.parse_args().tests
    several, code = found(), 0
    own = f"3.{sys.version_info.minor}"
    missing = [f"3.{n}" for n in range(OLDEST, NEWEST + 1) if n not in several and f"3.{n}" != own]
    print(f"at work: {own}; not found here: {', '.join(missing) or 'none'}")
    with tempfile.TemporaryDirectory(prefix="pythons-") as scratch:
        top = Path(scratch)
        expected = demo([sys.executable, "-m", "pipeline.cli"], top / "own") if several else {}
        for minor, python in several.items():
            print(f"3.{minor} ({python}): ", end="", flush=True)
            place = environment(python, top / f"venv{minor}", with_tests=bool(tests))
            if place is None:
                continue
            differing = apart(demo([str(place / "sessiongate")], top / f"results{minor}"), expected)
            print(f"{len(differing)} of {len(expected)} files differ", *differing[:10])
            code |= bool(differing)
            if tests:
                code |= subprocess.run([place / "pytest", "-q", *tests], cwd=REPOSITORY).returncode
    return code


if __name__ == "__main__":
    raise SystemExit(main())
