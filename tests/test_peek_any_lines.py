"""peek of lines whose numbers no machine holds."""

from pathlib import Path

import pytest

from pipeline.finder.found import describe


@pytest.mark.parametrize(
    "line",
    ["9" * 400 + "," + "0" * 400, "1," + "8" * 18 + ".5,0.123456789", "1e5,99999999999999999999,-7"],
    ids=["hundreds of digits", "all digits and decimals", "beyond 64 bits"],
)
def test_numbers_of_any_length_are_described(tmp_path: Path, line: str) -> None:
    dump = tmp_path / "lines.log"
    dump.write_text(f"{line}\n" * 50)
    assert "\n".join(describe(dump))
