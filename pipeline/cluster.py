"""Runs whose jobs are done elsewhere: where the profile is, and which jobs of an earlier run are left."""

import importlib.util
import re
import subprocess
from itertools import islice
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.holding import Busy

_PROFILES = Path(__file__).parent / "profiles"
_CONFIG = "config.yaml"
_EXECUTOR = re.compile(r"^executor: *['\"]?([\w-]+)", re.MULTILINE)
_RUN_ID = re.compile(r"SLURM run ID: ([\w-]+)$")
_ANSWERS_S = 60.0
_LOG_HEAD = 200
"""The engine says what its run is called within so many lines."""


def profile_folder(name: str) -> Path:
    """Find a profile of the workflow engine: one of this package by its name, or a folder.

    Raises
    ------
    InputError
        Where there is none, or the engine lacks what it asks for.
    """
    own = sorted(path.parent.name for path in _PROFILES.glob(f"*/{_CONFIG}"))
    folder = _PROFILES / name if name in own else Path(name).absolute()
    try:
        text = (folder / _CONFIG).read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        expected = f"one of {', '.join(own)}, or a folder with a {_CONFIG}"
        found = "none" if isinstance(error, FileNotFoundError) else str(error)
        remedy = f"Begin with a copy of {_PROFILES / own[0]}."
        raise InputError([Problem("--profile", name, expected, found, remedy)]) from None
    executor = _EXECUTOR.search(text)
    plugin = f"snakemake_executor_plugin_{executor[1]}".replace("-", "_") if executor else "snakemake"
    if executor and executor[1] != "local" and importlib.util.find_spec(plugin) is None:
        wanted = plugin.replace("_", "-")
        remedy = f"Install it beside sessiongate: pip install {wanted}"
        raise InputError([Problem("--profile", name, f"the package {wanted}", "none", remedy)])
    return folder


def refuse_if_jobs_left(engine_log: Path) -> None:
    """Raise Busy where jobs of a run that did not finish are still in SLURM's queue, or SLURM does not say.

    They outlive a run that was killed where it was started, and would write where the next one writes.

    Parameters
    ----------
    engine_log : Path
        What the engine of that run said; need not exist.
    """
    try:
        with engine_log.open(encoding="utf-8", errors="replace") as lines:
            found = next(filter(None, map(_RUN_ID.match, islice(lines, _LOG_HEAD))), None)
    except OSError:
        return
    if found is None:
        return
    asked = ["squeue", "--noheader", "--format=%i", f"--name={found[1]}"]
    try:
        said = subprocess.run(asked, capture_output=True, text=True, errors="replace", timeout=_ANSWERS_S)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise Busy(_unasked(engine_log, str(error))) from None
    if said.returncode:
        raise Busy(_unasked(engine_log, said.stderr.strip() or f"squeue ended with {said.returncode}"))
    jobs = said.stdout.split()
    if jobs:
        raise Busy(
            f"An earlier run did not finish, and its SLURM jobs are still there ({len(jobs)}). "
            f"Wait for them, or take them back: scancel --name={found[1]}"
        )


def _unasked(engine_log: Path, why: str) -> str:
    return (
        "An earlier run did not finish, and SLURM does not say whether its jobs are still there "
        f"({why.splitlines()[0]}). Try again where it answers; if you know that they are gone, delete "
        f"{engine_log}."
    )
