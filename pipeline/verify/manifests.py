"""Reads manifests line by line: what each says, and every way in which it does not say it well."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from pipeline.verify.faults import ASK, BUNDLE, COPY_AGAIN, Fault, of_bag, of_bundle, shown
from pipeline.verify.paths import danger_in, has_stray_percent, unescaped
from schemas.bags import PAYLOAD

DIGITS = {"md5": 32, "sha1": 40, "sha224": 56, "sha256": 64, "sha384": 96, "sha512": 128}
"""Algorithm in the name of a manifest -> hexadecimal digits of its checksums."""

_NAME = re.compile(r"^(tag)?manifest-([A-Za-z0-9-]+)\.txt$")
_LINE = re.compile(r"^([0-9A-Fa-f]+)([ \t]+)([^ \t].*)$", re.DOTALL)
LINE_END = re.compile(r"\r\n|\r|\n")
"""What ends a line of a tag file: LF, CR, or both."""


@dataclass
class Manifest:
    """One manifest.

    Attributes
    ----------
    name, algorithm : str
        Name of the file, and what its name says of the checksums.
    of_tags : bool
        Whether it lists tag files; else the payload.
    entries : dict
        Path, with escapes put back -> checksum in lower case, of all lines that can be used.
    """

    name: str
    algorithm: str
    of_tags: bool
    entries: dict[str, str] = field(default_factory=dict)


def is_manifest(name: str) -> bool:
    """Whether a file at the top has the name of a manifest."""
    return _NAME.match(name) is not None


def read_manifest(name: str, raw: bytes, encoding: str) -> tuple[Manifest, list[Fault]]:
    """A manifest, and all that is wrong with its text; nothing that it names is looked at."""
    match = _NAME.match(name)
    if match is None:
        raise ValueError(f"not the name of a manifest: {name}")
    manifest = Manifest(name, match[2].lower().replace("-", ""), match[1] is not None)
    if manifest.algorithm not in DIGITS:
        known = ", ".join(DIGITS)
        return manifest, [of_bag(name, "", f"one of {known} in its name", shown(match[2]), ASK)]
    text, faults = decoded(name, raw, encoding)
    if text is None:
        return manifest, faults
    lines = list(_lines(name, text, faults))
    swapped = _swapped(manifest, lines)
    if swapped:
        return manifest, [*faults, swapped]
    if not lines:
        faults.append(of_bag(name, "", "a line for each file", "an empty file"))
    of_lines: list[Fault] = []
    for number, line in lines:
        _take(manifest, number, line, of_lines)
    return manifest, faults + _once(of_lines)


def _once(faults: list[Fault]) -> list[Fault]:
    """Faults of style that stand in many lines alike are told at the first, with the number of the others."""
    alike = Counter(fault.problem.expected for fault in faults if fault.breaks == BUNDLE)
    told: list[Fault] = []
    for fault in faults:
        n = alike.get(fault.problem.expected, 0) if fault.breaks == BUNDLE else 1
        if n > 1:
            more = f"{fault.problem.where} and {n - 1} more"
            fault = replace(fault, problem=replace(fault.problem, where=more))
            alike[fault.problem.expected] = 0
        if n:
            told.append(fault)
    return told


def decoded(name: str, raw: bytes, encoding: str) -> tuple[str | None, list[Fault]]:
    """Text of a tag file, None where it is not in its encoding; a byte-order mark is taken off and named."""
    faults = []
    if encoding == "utf-8" and raw.startswith(b"\xef\xbb\xbf"):
        faults.append(of_bundle(name, "byte 0", "text at once", "a byte-order mark"))
        raw = raw[3:]
    try:
        return raw.decode(encoding), faults
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        bad = raw[error.start : error.end][:8].hex(" ")
        where = f"line {line}, byte {error.start}"
        return None, [*faults, of_bag(name, where, f"text in {encoding.upper()}", f"bytes {bad}")]


def _lines(name: str, text: str, faults: list[Fault]) -> Iterator[tuple[int, str]]:
    """Lines with their numbers; line ends that a bundle does not have are named once each."""
    if not text:
        return
    if "\r" in text:
        line = text.count("\n", 0, text.index("\r")) + 1
        found = "CR and LF" if "\r\n" in text else "CR"
        faults.append(of_bundle(name, f"line {line}", "lines that end with LF alone", found, COPY_AGAIN))
    lines = LINE_END.split(text)
    if lines[-1]:
        found = "the end of the file within a line"
        faults.append(of_bundle(name, f"line {len(lines)}", "LF after the last line", found, COPY_AGAIN))
    else:
        lines.pop()
    yield from enumerate(lines, 1)


def _swapped(manifest: Manifest, lines: list[tuple[int, str]]) -> Fault | None:
    """One fault for a whole manifest that lists what the other kind is for."""
    paths = [match[3] for _, line in lines if (match := _LINE.match(line))]
    inside = sum(path.startswith(f"{PAYLOAD}/") for path in paths)
    if not paths or inside != (len(paths) if manifest.of_tags else 0):
        return None
    expected, found = f"files in {PAYLOAD}/", "files beside it alone"
    if manifest.of_tags:
        expected, found = "files beside data/", f"files in {PAYLOAD}/ alone"
    remedy = f"This and the other manifest seem to be swapped. {COPY_AGAIN}"
    return of_bag(manifest.name, "", expected, found, remedy)


def _take(manifest: Manifest, number: int, line: str, faults: list[Fault]) -> None:
    """Put one line into the manifest; what is wrong with it into `faults`."""
    name, where = manifest.name, f"line {number}"
    match = _LINE.match(line)
    if match is None:
        found = f"'{shown(line, 80)}'" if line.strip() else "a line without a checksum"
        faults.append(of_bag(name, where, "a checksum in hexadecimal digits, white space, a path", found))
        return
    digest, gap, raw = match.groups()
    if len(digest) != DIGITS[manifest.algorithm]:
        expected = f"{DIGITS[manifest.algorithm]} hexadecimal digits"
        faults.append(of_bag(name, where, expected, f"{len(digest)}"))
        return
    if gap != "  ":
        found = f"'{shown(gap)}'"
        faults.append(of_bundle(name, where, "two spaces between checksum and path", found))
    if digest != digest.lower():
        faults.append(of_bundle(name, where, "a checksum in lower case", digest[:16] + "..."))
    if raw != raw.rstrip():
        found = f"'{shown(raw)}'"
        faults.append(of_bundle(name, where, "a path without white space at its end", found))
    if not raw.isprintable():
        found = f"'{shown(raw)}'"
        faults.append(of_bundle(name, where, "a path of characters that can be seen", found))
    if has_stray_percent(raw):
        faults.append(of_bag(name, where, "'%25' for '%' in a path", f"'{shown(raw)}'", ASK))
    path = unescaped(raw)
    if wrong := danger_in(raw) or danger_in(path):
        remedy = f"Nothing was opened there. Do not use this copy. {ASK}"
        faults.append(of_bag(name, where, "a path inside the bundle", f"{wrong}: '{shown(raw)}'", remedy))
    elif wrong := _misplaced(manifest, path):
        faults.append(of_bag(name, where, wrong, f"'{shown(raw)}'", ASK))
    elif path in manifest.entries:
        faults.append(of_bag(name, where, "each path once", f"'{shown(raw)}' again", ASK))
    else:
        manifest.entries[path] = digest.lower()


def _misplaced(manifest: Manifest, path: str) -> str:
    in_payload = path.startswith(f"{PAYLOAD}/")
    if not manifest.of_tags:
        return "" if in_payload else f"a path in {PAYLOAD}/"
    if in_payload:
        return f"a file beside {PAYLOAD}/"
    match = _NAME.match(path)
    return "any file but manifests of tag files" if match and match[1] else ""
