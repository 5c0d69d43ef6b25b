"""What RFC 8493 allows and does not, and the strictness beyond it about white space, line ends, encoding."""

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.verify.verify import check
from tests.bag_cases import INVALID, VALID, Case, write
from tests.bag_referee import by_standard, referee_accepts, told
from tests.bundle_damages import MANIFEST
from tests.bundles import seal, small_bundle


@pytest.fixture
def bundle(tmp_path: Path) -> Path:
    return small_bundle(tmp_path / "bundle")


@pytest.mark.parametrize("case", VALID, ids=lambda case: case.name)
def test_what_the_standard_allows(case: Case, tmp_path: Path) -> None:
    folder = write(tmp_path, case.files())
    assert [str(fault.problem) for fault in by_standard(folder)] == []
    assert referee_accepts(folder) == case.referee_agrees


@pytest.mark.parametrize("case", INVALID, ids=lambda case: case.name)
def test_what_the_standard_does_not_allow(case: Case, tmp_path: Path) -> None:
    folder = write(tmp_path, case.files())
    assert by_standard(folder)
    assert referee_accepts(folder) != case.referee_agrees


STRICT: dict[str, Callable[[bytes], bytes]] = {
    "one_space": lambda raw: raw.replace(b"  ", b" ", 1),
    "three_spaces": lambda raw: raw.replace(b"  ", b"   ", 1),
    "tab": lambda raw: raw.replace(b"  ", b"\t", 1),
    "no_break_space": lambda raw: raw.replace(b"  ", "\u00a0\u00a0".encode(), 1),
    "ideographic_space": lambda raw: raw.replace(b"  ", "\u3000".encode(), 1),
    "space_at_end": lambda raw: raw.replace(b"\n", b" \n", 1),
    "tab_at_end": lambda raw: raw.replace(b"\n", b"\t\n", 1),
    "space_before": lambda raw: b" " + raw,
    "empty_line": lambda raw: raw.replace(b"\n", b"\n\n", 1),
    "empty_line_at_end": lambda raw: raw + b"\n",
    "space_line": lambda raw: raw + b" \n",
    "comment": lambda raw: b"# clay\n" + raw,
    "asterisk": lambda raw: raw.replace(b"  ", b" *", 1),
    "crlf": lambda raw: raw.replace(b"\n", b"\r\n"),
    "one_crlf": lambda raw: raw.replace(b"\n", b"\r\n", 1),
    "cr": lambda raw: raw.replace(b"\n", b"\r"),
    "line_separator": lambda raw: raw.replace(b"\n", "\u2028".encode(), 1),
    "next_line": lambda raw: raw.replace(b"\n", "\u0085".encode(), 1),
    "form_feed": lambda raw: raw.replace(b"\n", b"\f", 1),
    "no_last_line_end": lambda raw: raw[:-1],
    "upper_case": lambda raw: raw[:128].upper() + raw[128:],
    "mark": lambda raw: b"\xef\xbb\xbf" + raw,
    "zero_byte": lambda raw: raw.replace(b"data/", b"data/\0", 1),
    "no_utf_8": lambda raw: raw.replace(b"data/", b"data/\xff", 1),
    "overlong": lambda raw: raw.replace(b"data/", b"data\xc0\xaf", 1),
    "utf_16": lambda raw: raw.decode().encode("utf-16"),
    "empty": lambda raw: b"",
}


@pytest.mark.parametrize("name", STRICT)
def test_the_text_of_a_manifest_is_strict(name: str, bundle: Path) -> None:
    raw = (bundle / MANIFEST).read_bytes()
    (bundle / MANIFEST).write_bytes(STRICT[name](raw))
    seal(bundle)
    assert MANIFEST in told(bundle)


def test_the_same_in_every_line_is_told_once(bundle: Path) -> None:
    raw = (bundle / MANIFEST).read_bytes()
    (bundle / MANIFEST).write_bytes(raw.replace(b"  ", b"\t"))
    seal(bundle)
    (problem,) = [fault.problem for fault in check(bundle).faults]
    assert problem.where == "line 1 and 11 more"
