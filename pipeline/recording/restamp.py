"""Put the digest of a policy into a file of samples or findings that was written before it was known.

Samples of an hour take a tenth of a second to write, and a new limit changes nothing of them but 64 letters
in the file's metadata. They stand at its end, in the footer (Apache Parquet format, `FileMetaData`): once as
they are, and once more in Arrow's own schema, which is kept there in base64. Both keep their length.
"""

import base64
import hashlib
from pathlib import Path

from pipeline.machine import copied
from pipeline.writing import written_later

KEY = "policy_sha256"
NO_POLICY = hashlib.sha256(b"no policy has judged these samples").hexdigest()
"""What stands there before a policy is known."""

_MAGIC = b"PAR1"
_SCHEMA = b"ARROW:schema\x18"
"""The key, and the mark of Thrift's compact protocol before the next field, a text."""


def restamp(source: Path, sha256: str, path: Path) -> None:
    """Copy a file, with the policy's digest in place of `NO_POLICY`.

    Parameters
    ----------
    source : Path
        Parquet as PyArrow writes it, with `NO_POLICY` for the policy in its metadata.
    sha256 : str
        64 hexadecimal digits.
    path : Path
        Appears complete or not at all. Its bytes are those that PyArrow would have written with this policy.

    Raises
    ------
    ValueError
        Where `source` is another file.
    """
    if len(sha256) != len(NO_POLICY):
        raise ValueError(f"expected {len(NO_POLICY)} hexadecimal digits, found '{sha256}'")
    start, footer = _footer(source)
    at, text = _schema(source, footer)
    arrow = base64.b64decode(text, validate=True)
    encoded = base64.b64encode(_stamped(source, arrow, sha256))
    plain = _stamped(source, footer[:at] + footer[at + len(text) :], sha256)

    def write(aside: Path) -> None:
        copied(source, aside)
        with aside.open("r+b") as file:
            file.seek(start)
            file.write(plain[:at] + encoded + plain[at:])

    written_later(path, write)


def _footer(source: Path) -> tuple[int, bytes]:
    """Where the footer begins, and its bytes."""
    with source.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(size - 8, 0))
        end = file.read()
        n_bytes = int.from_bytes(end[:4], "little")
        if end[4:] != _MAGIC or n_bytes > size - 12:
            raise ValueError(f"{source}: expected a Parquet file; its end is another")
        start = size - 8 - n_bytes
        file.seek(start)
        return start, file.read(n_bytes)


def _schema(source: Path, footer: bytes) -> tuple[int, bytes]:
    """Where Arrow's schema begins in the footer, and its text."""
    at = footer.find(_SCHEMA) + len(_SCHEMA)
    if at < len(_SCHEMA) or footer.find(_SCHEMA, at) >= 0:
        raise ValueError(f"{source}: expected one schema of Arrow in its footer")
    # The length of a text stands before it, seven bits to a byte, the lowest first.
    n_bytes, shift = 0, 0
    while True:
        n_bytes |= (footer[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not footer[at - 1] & 0x80:
            return at, footer[at : at + n_bytes]


def _stamped(source: Path, content: bytes, sha256: str) -> bytes:
    before = NO_POLICY.encode()
    if content.count(before) != 1:
        raise ValueError(f"{source}: expected a file that no policy has judged yet")
    return content.replace(before, sha256.encode())
