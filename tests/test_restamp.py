"""A policy's digest is put into samples written before: the bytes are those of a file written with it."""

import hashlib
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import report_examples as examples
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.recording import write_samples
from pipeline.recording.restamp import KEY, NO_POLICY, restamp

A_POLICY = hashlib.sha256(b"a policy").hexdigest()


def written(path: Path, sha256: str, n: int = 1000, **more: str) -> Path:
    rows = np.arange(n)
    columns = {channel.name: np.sin(rows / 20).astype(np.float32) for channel in examples.CHANNELS}
    columns |= {"sample": rows, "time_s": rows / 250, "quality": (rows % 7 == 0).astype(np.uint32)}
    blocks = iter([(rows % 5 > 0, columns)] if n else [])
    metadata = {"sample_hz": "250.0", **more, KEY: sha256}
    write_samples(path, examples.CHANNELS, blocks, metadata, with_quality=True)
    return path


@settings(max_examples=30, deadline=None)
@given(
    before=st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=400),
    n=st.sampled_from([0, 1, 1000]),
    digest=st.text("0123456789abcdef", min_size=64, max_size=64),
)
def test_the_bytes_are_those_of_a_file_written_with_it(
    tmp_path_factory: pytest.TempPathFactory, before: str, n: int, digest: str
) -> None:
    """Wherever the digest stands in Arrow's schema, whose base64 takes three bytes at a time."""
    folder = tmp_path_factory.mktemp("stamped")
    source = written(folder / "source.parquet", NO_POLICY, n, dumps_sha256=before)
    as_it_was = source.read_bytes()

    restamp(source, digest, folder / "samples.parquet")

    wanted = written(folder / "wanted.parquet", digest, n, dumps_sha256=before)
    assert (folder / "samples.parquet").read_bytes() == wanted.read_bytes()
    assert source.read_bytes() == as_it_was


def test_every_reader_finds_the_digest(tmp_path: Path) -> None:
    source = written(tmp_path / "source.parquet", NO_POLICY)
    restamp(source, A_POLICY, tmp_path / "samples.parquet")
    assert pq.read_schema(tmp_path / "samples.parquet").metadata[b"policy_sha256"] == A_POLICY.encode()
    kept = pq.read_metadata(tmp_path / "samples.parquet").metadata
    assert kept[b"policy_sha256"] == A_POLICY.encode()
    assert pq.read_table(tmp_path / "samples.parquet").equals(pq.read_table(source))


@pytest.mark.parametrize("content", [b"", b"PAR1", b"glaze" * 1000, b"PAR1" + b"\xff" * 40 + b"PAR1"])
def test_another_file_is_refused_and_nothing_is_left(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "source.parquet").write_bytes(content)
    with pytest.raises(ValueError, match=r"source\.parquet"):
        restamp(tmp_path / "source.parquet", A_POLICY, tmp_path / "samples.parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["source.parquet"]


def test_samples_that_were_judged_already_are_refused(tmp_path: Path) -> None:
    source = written(tmp_path / "source.parquet", A_POLICY)
    with pytest.raises(ValueError, match="no policy has judged"):
        restamp(source, A_POLICY, tmp_path / "samples.parquet")
    with pytest.raises(ValueError, match="64 hexadecimal"):
        restamp(source, "short", tmp_path / "samples.parquet")
