"""Reads ``bagit.txt`` and ``bag-info.txt``."""

import codecs
import re
from dataclasses import dataclass

from pipeline.verify.faults import ASK, COPY_AGAIN, Fault, of_bag, of_bundle, shown
from pipeline.verify.manifests import LINE_END, decoded
from schemas.bags import DECLARATION, DECLARATION_TEXT, INFO, OXUM

_VERSION = re.compile(r"^BagIt-Version: ([0-9]+)\.([0-9]+)$")
_ENCODING = re.compile(r"^Tag-File-Character-Encoding: ([!-~]+)$")
_ELEMENT = re.compile(r"^([^\s:](?:[^:]*[^\s:])?):[ \t](.*)$")
_ENCODINGS = ("utf-8", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "ascii", "iso8859-1", "cp1252")
_VERSIONS = ((0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0))


@dataclass(frozen=True)
class Oxum:
    """Size of the payload as stated: bytes and number of files."""

    n_bytes: int
    n_files: int


def read_declaration(raw: bytes) -> tuple[str, list[Fault]]:
    """Encoding of the tag files, as the codec's name, and what is wrong with ``bagit.txt``."""
    if raw == DECLARATION_TEXT.encode():
        return "utf-8", []
    if raw.startswith(codecs.BOM_UTF8):
        return "utf-8", [of_bag(DECLARATION, "byte 0", "'BagIt-Version'", "a byte-order mark")]
    text, faults = decoded(DECLARATION, raw, "utf-8")
    if text is None:
        return "utf-8", faults
    lines = LINE_END.split(text)
    if lines[-1] == "":
        lines.pop()
    if len(lines) != 2:
        return "utf-8", [of_bag(DECLARATION, "", "exactly two lines", f"{len(lines)}")]
    version, named = _VERSION.match(lines[0]), _ENCODING.match(lines[1])
    if version is None or (int(version[1]), int(version[2])) not in _VERSIONS:
        faults.append(of_bag(DECLARATION, "line 1", "'BagIt-Version: 1.0'", f"'{shown(lines[0], 80)}'"))
    encoding = _codec(named[1]) if named else ""
    if not encoding:
        expected = "'Tag-File-Character-Encoding: UTF-8'"
        faults.append(of_bag(DECLARATION, "line 2", expected, f"'{shown(lines[1], 80)}'"))
    if not faults:
        found = f"'{shown(text, 120)}'"
        faults.append(of_bundle(DECLARATION, "", f"'{shown(DECLARATION_TEXT)}'", found))
    return encoding or "utf-8", faults


def _codec(name: str) -> str:
    try:
        found = codecs.lookup(name).name
    except (LookupError, ValueError):
        return ""
    return found if found in _ENCODINGS else ""


def read_info(raw: bytes, encoding: str) -> tuple[Oxum | None, list[Fault]]:
    """Size of the payload as ``bag-info.txt`` states it, None where it does not, and what is wrong there."""
    text, faults = decoded(INFO, raw, encoding)
    if text is None:
        return None, faults
    if "\r" in text:
        faults.append(of_bundle(INFO, "", "lines that end with LF alone", "CR", COPY_AGAIN))
    lines = LINE_END.split(text)
    if lines.pop():
        found = "the end of the file within a line"
        faults.append(of_bundle(INFO, f"line {len(lines) + 1}", "LF after the last line", found, COPY_AGAIN))
        lines = LINE_END.split(text)
    stated = []
    for number, line in enumerate(lines, 1):
        match = _ELEMENT.match(line)
        if match:
            if match[1].lower() == OXUM.lower():
                stated.append((number, match[2]))
        elif number == 1 or not re.match(r"^[ \t]+\S", line):  # else more of the element before it
            expected = "'Label: value', with no space before the colon"
            faults.append(of_bag(INFO, f"line {number}", expected, f"'{shown(line, 80)}'"))
    return _oxum(stated, faults), faults


def _oxum(stated: list[tuple[int, str]], faults: list[Fault]) -> Oxum | None:
    if not stated:
        faults.append(of_bundle(INFO, "", f"a line '{OXUM}: BYTES.FILES'", "none"))
        return None
    for number, _ in stated[1:]:
        faults.append(of_bag(INFO, f"line {number}", f"{OXUM} once", "it again", ASK))
    number, value = stated[0]
    match = re.fullmatch(r"([0-9]{1,18})\.([0-9]{1,18})", value.strip())
    if match is None:
        found = f"'{shown(value, 80)}'"
        faults.append(of_bag(INFO, f"line {number}", f"'{OXUM}: BYTES.FILES'", found))
        return None
    return Oxum(int(match[1]), int(match[2]))
