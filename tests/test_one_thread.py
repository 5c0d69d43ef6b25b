"""Sums run in one order in every command: the last digits of a fit depend on how many threads add it up."""

import os

from pipeline.cli import main

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")


def test_commands_add_up_in_one_thread_unless_told_otherwise(monkeypatch, tmp_path):
    for name in THREADS:
        monkeypatch.setenv(name, "?")  # so that it is put back
        monkeypatch.delenv(name)
    assert main(["verify", str(tmp_path / "none")]) == 2
    assert [os.environ[name] for name in THREADS] == ["1", "1"]
    monkeypatch.setenv(THREADS[0], "2")
    main(["verify", str(tmp_path / "none")])
    assert os.environ[THREADS[0]] == "2"
