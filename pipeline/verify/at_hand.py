"""Which sessions of a bundle can be done again: those whose dumps a study has, told by their digests."""

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bundle.key import Key
from pipeline.bundle.recoded import Wishes
from pipeline.errors import InputError, Problem
from pipeline.study import Study
from pipeline.verify.rules import TRACE

_CODE = re.compile(r"[A-Za-z0-9_-]{1,40}")
_DIGITS = 16


@dataclass(frozen=True)
class Told:
    """What ``trace.json`` of a bundle says.

    Attributes
    ----------
    version, policy_sha256 : str
        Of what made it.
    layouts : mapping
        Code -> SHA-256.
    wishes : Wishes
        What it was to hold.
    authors, published
        As they were asked for.
    dumps : mapping
        Code of a session -> name of a dump -> its SHA-256, empty where it could not be read.
    """

    version: str
    policy_sha256: str
    layouts: Mapping[str, str]
    wishes: Wishes
    authors: tuple[str, ...]
    published: str
    dumps: Mapping[str, Mapping[str, str]]


@dataclass(frozen=True)
class AtHand:
    """Sessions to be done again: code -> name in the study; dumps that are others; what is not at hand."""

    names: Mapping[str, str]
    others: tuple[str, ...]
    notes: tuple[str, ...]


def read_trace(bundle: Path) -> Told:
    """What a bundle says of its origin; InputError where it says nothing that can be understood."""
    path = bundle / TRACE
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        dumps = {str(code): dict(one["dumps"]) for code, one in told["sessions"].items()}
        if not all(map(_CODE.fullmatch, dumps)):
            raise ValueError("a code of a session that is none")
        return Told(
            version=str(told["made_by"]["version"]),
            policy_sha256=str(told["policy"]["sha256"]),
            layouts={str(code): str(one["hmac_sha256"]) for code, one in told["layouts"].items()},
            wishes=_wishes(told["chosen"]),
            authors=tuple(map(str, told["chosen"]["authors"])),
            published=str(told["chosen"]["published"]),
            dumps=dumps,
        )
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        found = "no such file" if isinstance(error, FileNotFoundError) else repr(error)
        remedy = "Make the bundle again with this version."
        raise InputError([Problem(TRACE, "", "where everything came from", found, remedy)]) from None


def _wishes(chosen: Mapping[str, Any]) -> Wishes:
    return Wishes(
        sessions=str(chosen["sessions"]),
        formats=frozenset(map(str, chosen["formats"])),
        keep=frozenset(map(str, chosen["kept"])),
        licence=str(chosen["licence"]),
        least=int(chosen["k"]),
    )


def at_hand(told: Told, study: Study, key: Key) -> AtHand:
    """Find each session of a bundle in a study by the digests of its dumps, whatever it is called there."""
    digests = {
        session.name: [_digest(study.folder / dump) for dump in session.dumps] for session in study.sessions
    }
    called = {code: name for name, code in key.codes["session"].items()}
    names, others, notes = dict[str, str](), list[str](), list[str]()
    for code, dumps in sorted(told.dumps.items()):
        wanted = [digest for digest in dumps.values() if digest]
        name = called.get(code, "")
        if not wanted:
            notes.append(f"{code}: its dumps could not be read, so that no checksum tells them")
        elif found := _same(wanted, len(dumps), name, digests, names.values()):
            names[code] = found
        elif name not in digests:
            notes.append(f"{code}: no session of the study has its dumps")
        else:
            missing, changed = _apart(code, dumps, digests[name])
            notes += missing
            others += changed
    return AtHand(names, tuple(others), tuple(notes))


def with_codes(key: Key, told: Told, study: Study, names: Mapping[str, str]) -> Key:
    """The key with the bundle's codes for sessions and layouts that were renamed since."""
    by_digest = {digest: code for code, digest in told.layouts.items()}
    layouts = {
        name: by_digest[key.keyed(layout.sha256)]
        for name, layout in study.layouts.items()
        if key.keyed(layout.sha256) in by_digest and name not in key.codes["layout"]
    }
    sessions = {name: code for code, name in names.items()}
    codes = {
        **key.codes,
        "session": {**key.codes["session"], **sessions},
        "layout": {**key.codes["layout"], **layouts},
    }
    return Key(codes, key.shifts, key.secret)


def _same(
    wanted: Iterable[str],
    n_dumps: int,
    name: str,
    digests: Mapping[str, list[str]],
    taken: Iterable[str],
) -> str:
    """The session of the study with these dumps, that of the same name first; '' where there is none."""
    free = digests.keys() - set(taken)
    for other in sorted(free, key=lambda one: (one != name, one)):
        left = list(digests[other])
        if len(left) == n_dumps and all(_take(left, digest) for digest in wanted):
            return other
    return ""


def _take(left: list[str], digest: str) -> bool:
    if digest in left:
        left.remove(digest)
        return True
    return False


def _apart(code: str, dumps: Mapping[str, str], digests: list[str]) -> tuple[list[str], list[str]]:
    """What is not there of a session's dumps, and what is another."""
    if len(digests) != len(dumps):
        return [], [f"{code}: {len(dumps)} dumps in the bundle, {len(digests)} in the study"]
    missing, changed = [], []
    spare = [digest for digest in digests if digest not in dumps.values()]
    for name, digest in dumps.items():
        if not digest or digest in digests:
            continue
        other = spare.pop(0) if spare else ""
        if other:
            changed.append(
                f"{code}, {name}: another dump: SHA-256 {digest[:_DIGITS]}... in the bundle, "
                f"{other[:_DIGITS]}... in the study"
            )
        else:
            missing.append(f"{code}, {name}: the dump is not at hand (SHA-256 {digest[:_DIGITS]}...)")
    return missing, changed


def _digest(path: Path) -> str:
    """SHA-256 of a dump; empty where there is none that can be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def layouts_apart(told: Told, layouts: Mapping[str, str]) -> list[str]:
    """Layouts that are others: ``layouts`` is code -> digest, as a bundle states it."""
    return [
        f"{code}: another layout: SHA-256 {told.layouts[code][:_DIGITS]}... in the bundle, "
        f"{digest[:_DIGITS]}... in the study"
        for code, digest in sorted(layouts.items())
        if code in told.layouts and told.layouts[code] != digest
    ]


def policy_apart(policy: Mapping[str, tuple[float, float]]) -> list[str]:
    """Thresholds that are others: key -> (in the bundle, in the study)."""
    return [f"policy, {key}: {old:g} in the bundle, {new:g} now" for key, (old, new) in policy.items()]
