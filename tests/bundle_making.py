"""Making a bundle by the command, as tests of what it makes and of what it refuses do."""

from pathlib import Path

from pipeline.cli import main

FEW = ("throw-02", "kiln-06", "kiln-05")
"""Sessions of the demo: accepted, accepted in part, rejected."""


def make(results: Path, out: Path, *more: str) -> Path:
    assert main(["bundle", str(results), "--out", str(out), *more]) == 0
    return out


def told(capsys, *arguments: object) -> str:
    assert main(["bundle", *map(str, arguments)]) == 2
    said = capsys.readouterr().err
    assert ": expected " in said or ", " in said
    assert "Traceback" not in said
    return said
