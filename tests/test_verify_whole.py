"""What `verify` says beyond checksums: the fingerprint of the whole, and rules that are the bundle's own.

SHA-512 is computed here by hashlib; that digests of a bundle's policy agree is this project's own promise.
"""

import hashlib
import json
import re
from pathlib import Path

import pytest

from pipeline.verdict.policy import builtin_policy
from pipeline.verify.rules import policy_digest
from pipeline.verify.verify import check, verify
from schemas.bags import fingerprint_words
from tests.bundles import INFO, describe, small_bundle, write_manifests


@pytest.fixture
def bundle(tmp_path: Path) -> Path:
    return small_bundle(tmp_path / "bundle")


def with_policy(bundle: Path, text: str, stated: str) -> Path:
    """The bundle with a policy, and what its trace states of it; all checksums are right."""
    (bundle / "data/policy.toml").write_text(text)
    (bundle / "data/trace.json").write_text(json.dumps({"policy": {"sha256": stated}}))
    describe(bundle / "data")
    write_manifests(bundle, INFO)
    return bundle


def values() -> str:
    """The built-in policy as a bundle holds it: one value for each threshold."""
    sections: dict[str, list[str]] = {}
    for threshold in builtin_policy().thresholds.values():
        section, name = threshold.key.split(".")
        sections.setdefault(section, []).append(f"{name} = {threshold.value!r}")
    return "".join(f"[{name}]\n" + "\n".join(lines) + "\n" for name, lines in sections.items())


def test_the_fingerprint_is_that_of_the_tag_manifest(
    bundle: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert verify(bundle) == 0
    told = capsys.readouterr().out
    full = hashlib.sha512((bundle / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
    assert full in told
    assert f"{full[:4]}-{full[4:8]}-{full[8:12]}-{full[12:16]};" in told
    assert "sent or cited apart from the bundle" in told


def test_any_change_of_the_payload_is_another_fingerprint(bundle: Path) -> None:
    before = check(bundle).fingerprint
    readme = bundle / "data/README.md"
    readme.write_text(readme.read_text() + "More.\n")
    write_manifests(bundle, INFO)
    after = check(bundle)
    assert after.faults == ()
    assert re.fullmatch("[0-9a-f]{128}", after.fingerprint)
    assert after.fingerprint != before


def test_a_damaged_bundle_has_no_fingerprint(bundle: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bundle / "data/README.md").write_text("Other.\n")
    assert verify(bundle) == 1
    assert "Fingerprint" not in "".join(capsys.readouterr())


def test_words_hold_both_forms() -> None:
    said = " ".join(fingerprint_words("0123456789abcdef" * 8))
    assert "0123-4567-89ab-cdef;" in said
    assert "0123456789abcdef" * 8 in said


def test_the_digest_of_a_policy_is_the_one_that_judges() -> None:
    assert policy_digest(values()) == builtin_policy().sha256


def test_a_policy_as_the_trace_states_it_is_whole(bundle: Path) -> None:
    assert check(with_policy(bundle, values(), builtin_policy().sha256)).faults == ()


@pytest.mark.parametrize("text", ["[limits]\nlost_fraction = 0.6\n", "[limits\n", "limits = 3\n"])
def test_another_policy_than_the_trace_states_is_named(text: str, bundle: Path) -> None:
    (fault,) = check(with_policy(bundle, text, builtin_policy().sha256)).faults
    assert fault.problem.file == "data/policy.toml"
    assert fault.breaks == "bundle"


def test_a_trace_that_states_no_policy_is_no_fault(bundle: Path) -> None:
    with_policy(bundle, "[limits]\n", "")
    (bundle / "data/trace.json").write_text("{}")
    describe(bundle / "data")
    write_manifests(bundle, INFO)
    assert check(bundle).faults == ()
